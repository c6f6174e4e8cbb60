"""Residual plating: how much plating is left inside the bond, from its thickness at each station."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.locate.contacts import runs
from xsect.locate.layers import SurfaceLayers, film_thickness
from xsect.locate.section import Located
from xsect.locate.view import JOINED, PLATING
from xsect.measure.bond import hidden_ends
from xsect.quantities import Component, Measurement, measured

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

EDGE_PX = 0.3
"""Standard uncertainty in px of a film's thickness from the reference levels on its two sides."""

FAINT = 0.2
"""Contrast of plating brighter than the base metal, of the base metal's level, from which one grey channel tells its
thickness by the free surfaces' level."""

UNRESOLVED = 4.0
"""Blurs of distance between the base metals under which a dark line may be a slim gap or plating darker than they."""

END_PX = 0.5
"""Standard uncertainty in px, beside the blur, of where a film ends along the line."""

METHOD = "photometric thickness of the plating"


def film_of(located: Located, surfaces: tuple[SurfaceLayers, ...]) -> Floats:
    """Return (n,) px of plating between the base metals: against the level that the free surfaces teach, where they
    tell it, else by the share of plating found station by station."""
    if located.plating is not None and located.plating.by != "colour":
        levels = [float(side.level.mean()) for side in surfaces]
        if not levels or min(levels) < 1 + FAINT:
            return located.stations.layer
    film = film_thickness(located, surfaces)
    return located.stations.layer if film is None else film


def in_bond(located: Located, segment: int | None = None) -> Flags:
    """Return (n,) stations inside a bond segment (1, 2, …), or inside any."""
    inside = np.zeros(located.stations.states.size, bool)
    for number, one in enumerate(located.stations.segments, 1):
        if segment in (None, number):
            inside[math.ceil(one.left.station) : math.floor(one.right.station) + 1] = True
    return inside


def measure_residual(
    located: Located,
    film: Floats,
    level: float,
    um_per_px: float,
    u_scale: float,
    segment: int | None,
) -> list[Measurement]:
    """Measure mean, maximum and coverage of residual plating; joined stations count as bare.

    What might be no plating at all (see ``_in_doubt``) is counted half, give or take the other half. Where none is
    seen, the thinnest film that would have been seen sets the uncertainty. ``level``: relative
    standard uncertainty of all thickness from the plating's own level.
    """
    stations, blur = located.stations, located.apart.blur
    inside = in_bond(located, segment)
    coated = inside & (stations.states == PLATING)
    doubted = _in_doubt(located, coated)
    sure = coated & ~doubted
    n, unseen = int(inside.sum()), max(stations.closed_level, located.apart.floor, 0.1) * um_per_px
    smooth = gaussian_filter1d(film, blur)
    peaks = [
        max(float(smooth[where].max()), 0.0) * um_per_px if where.any() else 0.0 for where in (sure, coated)
    ]
    means = [max(float(film[where].sum()), 0.0) / n * um_per_px for where in (sure, coated)]
    bare = smooth[inside & (stations.states == JOINED)]
    noise = float(np.std(bare)) * um_per_px if bare.size > 8 else 0.0
    share = float(coated.sum()) / n

    def parts(sure_of: float, most: float, covered: float) -> tuple[Component, ...]:
        value = (sure_of + most) / 2
        return (
            Component("edges", EDGE_PX * um_per_px * covered),
            Component("noise along the film", noise * covered),
            Component("layer's own level", level * value),
            Component("what may be no plating", (most - sure_of) / 2 / math.sqrt(3)),
            Component("thinnest film seen", unseen / 2 * (1 - covered)),
            Component("scale", u_scale * value),
        )

    out = []
    for name, (least, most), covered in (
        ("plating_in_bond_mean", sorted(means), share),
        ("plating_in_bond_max", sorted(peaks), 1.0 if sure.any() else 0.5 * coated.any()),
    ):
        note = f"{least:.2g} to {most:.2g} µm: part of it may be no plating" if most > 1.05 * least else ""
        out.append(
            measured(
                name,
                (least + most) / 2,
                parts(least, most, covered),
                segment=segment,
                note=note,
                method=METHOD,
            )
        )
    ends = 2 * max(1, int(np.count_nonzero(np.diff(coated.astype(np.int8)) > 0)))
    span = np.flatnonzero(inside)
    less = float((doubted | (coated & stations.doubtful)).sum())
    more = float((inside & stations.doubtful & ~coated).sum())
    more += hidden_ends(stations, slice(int(span[0]), int(span[-1]) + 1)) if span.size else 0.0
    doubt = math.hypot((less + more) / math.sqrt(12), (less - more) / 2) / n
    coverage = (
        # films end thin, and all their ends are read short alike
        Component("ends of the coated runs", (END_PX + blur) * ends / n),
        Component("stations in doubt", math.hypot(0.01, doubt)),
    )
    method = "share of stations with plating"
    return [*out, measured("plating_coverage", share, coverage, segment=segment, method=method)]


def _in_doubt(located: Located, coated: Flags) -> Flags:
    """Return (n,) coated stations that may hold no plating.

    These are runs that a somewhat other threshold would tell joined; runs too short to be told from noise; the ends of
    the bond, where expelled plating begins within the notch's own uncertainty; and, where plating is darker than the
    base metal in one grey channel, lines too slim to be told from a gap.
    """
    stations, apart, blur = located.stations, located.apart.thickness, located.apart.blur
    plating = located.plating
    dark = plating is not None and plating.by != "colour" and plating.level < 1
    doubt = np.zeros(coated.size, bool)
    for first, last in runs(coated):
        run = slice(first, last + 1)
        unclear = float(stations.doubtful[run].mean()) >= 0.5 or last + 1 - first < 2.5 * blur + 1
        doubt[run] = unclear or (dark and float(apart[run].max()) < UNRESOLVED * blur + 1)
    for segment in stations.segments:
        for notch, sign in ((segment.left, 1), (segment.right, -1)):
            ends = sorted((notch.station, notch.station + sign * (2 * notch.u + 2 * blur)))
            doubt[max(math.floor(ends[0]), 0) : math.ceil(ends[1]) + 1] = True
    return doubt & coated
