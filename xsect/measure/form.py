"""Form: electrode marks in the outer faces, thickness in the weld, what is left of the projection, equal contacts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.locate.outer import OuterFace, read_outer
from xsect.locate.section import Located
from xsect.measure.bond import segment_widths
from xsect.measure.standoff import Level
from xsect.quantities import Component, Measurement, measured, not_measured

EDGE_PX = 0.5
"""Standard uncertainty in px of a face's place: its reference levels."""

SURROUNDINGS = 24
"""Fewest places on each side of the mark that make its surroundings."""

STRAIGHT_PX = 2.0
"""Root-mean-square departure in px that level surroundings stay under."""

BEND_SHARE = 0.1
"""Relative standard uncertainty of a depth where the part itself is bent over the weld (learned on drawn sections)."""

BOWED = 0.008
"""How far a part may bow over the bond without its surroundings showing it, as a standard uncertainty in bond widths
(learned on drawn sections): what one face gains in depth by it, the other loses."""

HOLLOW_SHARE = 0.2
"""Share of the part's thickness from which a depression may be the hollow of a stamped projection."""


UNSEEN = (math.nan, math.nan)


@dataclass(frozen=True)
class Mark:
    """A depression of one outer face in px: its depth, the standard uncertainty, where its floor lies (x, y), and how
    much of the depth may be a bow of the part, as a standard uncertainty."""

    depth: float
    u: float
    floor: NDArray[np.float64]
    bow: float = 0.0


@dataclass(frozen=True)
class ContactForm:
    """One contact among several, in µm: bond width, and the level the gap reaches to its left and right."""

    segment: int
    width: float
    gap_left: float
    gap_right: float


@dataclass(frozen=True)
class Form:
    """Evidence on the form: (value, standard uncertainty) in µm, both NaN where not in view.

    ``upper_in_weld``, ``lower_in_weld``: metal left from the faying line to the mark's floor; ``remnant_upper``,
    ``remnant_lower``: how far each part's facing surface stands back from the bond's plane outside the projection (the
    one that does carries what is left of the projection). ``sides``: the sheets' separation on each side of the weld
    where it is level. ``contacts``: each contact of a section that has several.
    """

    upper_in_weld: tuple[float, float]
    lower_in_weld: tuple[float, float]
    remnant_upper: tuple[float, float]
    remnant_lower: tuple[float, float]
    sides: tuple[float, ...]
    contacts: tuple[ContactForm, ...]


def measure_form(
    located: Located, micrograph: Micrograph, levels: list[Level], row: SheetRow
) -> tuple[list[Measurement], Form]:
    """Measure the indentation of both outer faces, and read the form about the bond."""
    um, u_scale = micrograph.scale.um_per_px, micrograph.scale.u_relative
    out, in_weld = [], []
    stated = (row.upper_thickness_um, row.lower_thickness_um)
    for name, sign, thickness in zip(("upper", "lower"), (-1, 1), stated, strict=True):
        mark = find_mark(located, read_outer(located, micrograph, sign))
        if isinstance(mark, str):
            out.append(not_measured(f"indentation_{name}", mark))
            in_weld.append(UNSEEN)
            continue
        floor = float(np.hypot(*(located.strip.points - mark.floor).T).min()) * um
        in_weld.append((floor, math.hypot(math.sqrt(2) * EDGE_PX * um, mark.u * um, u_scale * floor)))
        out.append(_indentation(f"indentation_{name}", mark, thickness or floor, um, u_scale))
    sides = tuple(level.opening * um for level in levels)
    upper, lower = _remnants(located, levels, um)
    return out, Form(in_weld[0], in_weld[1], upper, lower, sides, _contacts(located, um))


def _indentation(name: str, mark: Mark, thickness: float, um: float, u_scale: float) -> Measurement:
    value = max(mark.depth, 0.0) * um
    parts = (
        Component("surroundings", mark.u * um),
        Component("edges", EDGE_PX * um),
        Component("bend of the part", BEND_SHARE * value),
        Component("bow over the bond", mark.bow * um),
        Component("scale", u_scale * value),
    )
    found = measured(name, value, parts, method="outer contour against the line through its surroundings")
    if value > HOLLOW_SHARE * thickness:
        note = "deeper than electrodes usually mark: the hollow behind a stamped projection reads the same"
        return replace(found, status="needs_review", note=note)
    return found


def find_mark(located: Located, face: OuterFace) -> Mark | str:
    """Return the depression of a face behind the bond, or why it cannot be read.

    The surroundings are the outermost stretches on both sides that lie on one smooth line; the curve through them (a
    parabola, as a bowed section needs) is carried under the mark.
    """
    segments = located.stations.segments
    if not segments:
        return "no bond"
    first, last = segments[0].left.station, segments[-1].right.station
    width = last - first
    seen = np.isfinite(face.points[:, 0])
    behind = (face.stations > first) & (face.stations < last)
    if not behind.any() or seen[behind].mean() < 0.95:
        return "the part's outer face is not in the picture behind the bond"
    ends = face.points[seen][[0, -1]]
    chord = ends[1] - ends[0]
    span = float(np.hypot(*chord))
    if span == 0:
        return "the part's outer face is not in the picture behind the bond"
    along = (face.points - ends[0]) @ chord / span
    aside = (face.points - ends[0]) @ np.array([-chord[1], chord[0]]) / span
    middle = float(np.interp((first + last) / 2, face.stations[seen], along[seen]))
    inward = np.sign(float(_line_side(located, first, last, ends[0], chord)))
    depth_of = inward * aside
    # a mark reaches beyond the bond: the nearer the surroundings lie, the likelier they are its shoulder
    for aside_of in (0.25, 0.05):
        left = seen & (face.stations < first - aside_of * width)
        right = seen & (face.stations > last + aside_of * width)
        sides = [np.flatnonzero(left), np.flatnonzero(right)[::-1]]
        if min(side.size for side in sides) >= 2 * SURROUNDINGS:
            break
    if min(side.size for side in sides) < SURROUNDINGS:
        return "the surroundings of the electrode mark are not in the picture on both sides"
    chosen = _level_surroundings(along, depth_of, sides)
    if chosen is None:
        return "the surroundings of the electrode mark are not level on both sides"
    # outward of the bond the face may itself be rough or bowed: both fits must agree on what lies under the mark
    outermost = np.concatenate([side[: max(SURROUNDINGS, side.size // 2)] for side in sides])
    fits = [
        np.polynomial.Polynomial.fit(along[places], depth_of[places], degree)
        for places, degree in ((chosen, 1), (chosen, 2), (outermost, 2))
    ]
    rms = float(np.std(depth_of[chosen] - fits[1](along[chosen])))
    near = seen & (np.abs(along - middle) < 0.6 * width)
    smooth = gaussian_filter1d((depth_of - fits[1](along))[near], 3.0, mode="nearest")
    depth = float(np.quantile(smooth, 0.95))
    at = int(np.flatnonzero(near)[int(np.argmin(np.abs(along[near] - middle)))])
    # a straight line is off by the bow and a parabola by what it carries of noise: the truth lies between
    bend = abs(float(fits[1](middle) - fits[0](middle)))
    carried = rms / math.sqrt(max(chosen.size / 8, 1)) * (1 + width / max(span - width, 1.0))
    choice = abs(float(fits[1](middle) - fits[2](middle)))
    u = math.hypot(0.25 * bend, 0.4 * choice, carried)
    return Mark(depth, u, face.points[at], BOWED * width)


def _line_side(
    located: Located, first: float, last: float, start: NDArray[np.float64], chord: NDArray[np.float64]
) -> float:
    """Return on which side of a face's chord the faying line lies."""
    place = np.array(located.strip.place((first + last) / 2))
    return float((place - start) @ np.array([-chord[1], chord[0]]))


def _level_surroundings(
    along: NDArray[np.float64], depth: NDArray[np.float64], sides: list[NDArray[np.intp]]
) -> NDArray[np.intp] | None:
    """Return the places outside the mark: from both ends inward as far as they stay on one smooth curve."""
    kept = [side[: max(SURROUNDINGS, side.size // 3)] for side in sides]
    for _ in range(6):
        chosen = np.concatenate(kept)
        curve = np.polynomial.Polynomial.fit(along[chosen], depth[chosen], 2)
        off = [depth[side] - curve(along[side]) for side in sides]
        spread = 1.4826 * float(np.median(np.abs(depth[chosen] - curve(along[chosen]))))
        limit = max(3 * spread, 1.0)
        grown = []
        for side, away in zip(sides, off, strict=True):
            leaves = np.flatnonzero(gaussian_filter1d(np.abs(away), 2.0, mode="nearest") > limit)
            stop = int(leaves[0]) if leaves.size else side.size
            grown.append(side[: max(stop, SURROUNDINGS)])
        if all(a.size == b.size for a, b in zip(grown, kept, strict=True)):
            break
        kept = grown
    chosen = np.concatenate(kept)
    curve = np.polynomial.Polynomial.fit(along[chosen], depth[chosen], 2)
    return chosen if float(np.std(depth[chosen] - curve(along[chosen]))) < STRAIGHT_PX else None


def _remnants(
    located: Located, levels: list[Level], um: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return how far the upper and the lower facing surface stand back from the bond's plane, where level."""
    segments = located.stations.segments
    if not segments or not levels:
        return UNSEEN, UNSEEN
    points = located.strip.points
    inside = slice(math.ceil(segments[0].left.station), int(segments[-1].right.station) + 1)
    bond = points[inside]
    chord = bond[-1] - bond[0]
    length = max(float(np.hypot(*chord)), 1e-9)
    down = np.array([-chord[1], chord[0]]) / length
    upper, lower, lean = [], [], []
    for level in levels:
        span = slice(level.first, level.last + 1)
        centre = (points[span] - bond[0]) @ down + located.surfaces.centre[span]
        half = located.surfaces.thickness[span] / 2
        upper.append(-float(np.median(centre - half)) * um)
        lower.append(float(np.median(centre + half)) * um)
        middle = points[(level.first + level.last) // 2] - bond.mean(axis=0)
        lean.append(2 * EDGE_PX * um * float(np.hypot(*middle)) / length)
    # the bond's plane is known at its two ends; carried out to the level stretches, their uncertainty grows
    u = math.hypot(EDGE_PX * um, *lean) / len(levels)
    found = [
        (float(np.mean(one)), math.hypot(u, float(np.ptp(one)) / math.sqrt(12))) for one in (upper, lower)
    ]
    return found[0], found[1]


def _contacts(located: Located, um: float) -> tuple[ContactForm, ...]:
    """Return each contact of a section that has several: its width and the gaps beside it."""
    segments = located.stations.segments
    if len(segments) < 2:
        return ()
    widths = segment_widths(located, um)
    opening = gaussian_filter1d(located.surfaces.thickness, 5.0, mode="nearest") * um
    edges = [
        0,
        *(int((a.right.station + b.left.station) / 2) for a, b in pairwise(segments)),
    ]
    edges.append(opening.size - 1)
    out = []
    for number, (segment, width) in enumerate(zip(segments, widths, strict=True), 1):
        before = opening[edges[number - 1] : max(int(segment.left.station), edges[number - 1] + 1)]
        after = opening[min(int(segment.right.station), edges[number] - 1) : edges[number] + 1]
        out.append(ContactForm(number, width.width, float(before.max()), float(after.max())))
    return tuple(out)
