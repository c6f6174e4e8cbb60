"""Bond: width, bonded length, continuity, openings and offset of each segment and of the whole section."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from xsect.locate.contacts import runs
from xsect.locate.section import VARIATIONS, Located
from xsect.locate.stations import Segment, Stations
from xsect.locate.view import FUSED, JOINED, OPEN, PLATING
from xsect.quantities import Component, Measurement, combined, effective_dof, measured, not_measured

SHAPE = (0.35, 0.35, 0.35, 40.0)
"""Standard uncertainty of a notch that the fit and the variations do not show, for the mouth may open otherwise than
the fit supposes: px; share of the stations over which it opens by its first px; how much more where the mouth is
curved, and may open along a tangent; and at most so many of them. Learned from drawn sections with known notches."""

TEXTURED = 0.06
"""Spread of the metal's tone from which grains, not noise, limit what can be seen."""

SMOOTH_METAL, OTHER_METAL = (0.45, 1.5, 0.7), (1.0, 1.4, 1.0)
"""Factors on what the fit, the variations and the mouth's shape say of a notch, learned on drawn sections: where there
are neither grains nor plating the fit leaves less in doubt than its scatter says, and the variations tell more."""

METHOD = "hinge fitted to the photometric opening"


@dataclass(frozen=True)
class NotchBudget:
    """Standard uncertainties of one notch's place along the line in µm, by what they come from.

    ``dof``: degrees of freedom of ``choices``, as many as there are other choices.
    """

    fit: float
    choices: float
    shape: float
    dof: float = math.inf

    @property
    def total(self) -> float:
        """All parts together."""
        return math.hypot(self.fit, self.choices, self.shape)


@dataclass(frozen=True)
class SegmentWidth:
    """One segment in µm: places of its notches along the located line, its width, and its ends' uncertainties."""

    left_um: float
    right_um: float
    width: float
    left: NotchBudget
    right: NotchBudget

    @property
    def u_left(self) -> float:
        """Standard uncertainty of the left notch's place."""
        return self.left.total

    @property
    def u_right(self) -> float:
        """Standard uncertainty of the right notch's place."""
        return self.right.total


def smooth_length(points: NDArray[np.float64], start: float, stop: float) -> float:
    """Return the length in px of the line between two fractional stations, small detours smoothed away.

    Inside a bond the located line hops between grain boundaries and pores; the faying line is a smooth curve.
    The length is that of a cubic through the stations, in the frame of their chord.
    """
    index = np.arange(len(points))
    inner = index[(index > start) & (index < stop)]
    ends = [[float(np.interp(place, index, points[:, axis])) for axis in (0, 1)] for place in (start, stop)]
    line = np.vstack([ends[0], points[inner], ends[1]])
    chord = line[-1] - line[0]
    span = float(np.hypot(*chord))
    if len(line) < 12 or span == 0:
        return span
    along = (line - line[0]) @ chord / span
    aside = (line - line[0]) @ np.array([-chord[1], chord[0]]) / span
    cubic = np.polynomial.Polynomial.fit(along, aside, 3)
    x = np.linspace(0, span, 400)
    return float(np.sum(np.hypot(np.diff(x), np.diff(cubic(x)))))


def segment_widths(located: Located, um_per_px: float) -> tuple[SegmentWidth, ...]:
    """Return the segments' notches in µm of arc, with their uncertainties (edge fit, variations, placing)."""
    arc = located.stations.arc
    out = []
    for segment, (spread_left, spread_right) in zip(located.stations.segments, located.spread, strict=True):
        plain = located.plating is None and located.parts.texture <= TEXTURED
        factors = SMOOTH_METAL if plain else OTHER_METAL
        ends = []
        for notch, spread in ((segment.left, spread_left), (segment.right, spread_right)):
            dof = len(VARIATIONS) if math.isfinite(spread) else math.inf
            spread = spread if math.isfinite(spread) else 0.05 * arc.size
            share = SHAPE[1] + SHAPE[2] * notch.bent
            shape = math.hypot(SHAPE[0], share * min(notch.first_px, SHAPE[3]))
            fit, choices, mouth = (
                by * part * um_per_px for by, part in zip(factors, (notch.u, spread, shape), strict=True)
            )
            ends.append(NotchBudget(fit, choices, mouth, dof))
        left, right = (
            float(np.interp(notch.station, np.arange(arc.size), arc)) * um_per_px
            for notch in (segment.left, segment.right)
        )
        length = smooth_length(located.strip.points, segment.left.station, segment.right.station) * um_per_px
        out.append(SegmentWidth(left, right, length, *ends))
    return tuple(out)


def measure_bond(located: Located, um_per_px: float, u_scale: float) -> list[Measurement]:
    """Measure width, bonded length, continuity and largest opening, whole section first, then each segment.

    ``u_scale``: relative standard uncertainty of the scale. A section without any joined station has the width 0,
    uncertain by the shortest contact that would have been seen.
    """
    widths = segment_widths(located, um_per_px)
    blur = located.apart.blur * um_per_px
    if not widths:
        nothing = (Component("shortest contact seen", max(12.0 * um_per_px, 6 * blur) / 2),)
        return [
            measured("bond_width", 0.0, nothing, method=METHOD),
            measured("bonded_length", 0.0, nothing, method=METHOD),
            not_measured("continuity", "no bond"),
            not_measured("largest_opening", "no bond"),
        ]
    shortest_flaw = 2.5 * located.apart.blur * um_per_px + um_per_px
    contents = [
        _contents(located, segment, width, um_per_px)
        for segment, width in zip(located.stations.segments, widths, strict=True)
    ]
    whole = _Contents(
        sum(one.width for one in contents),
        tuple(end for one in contents for end in one.ends),
        sum(one.bonded for one in contents),
        sum(one.flaw_ends for one in contents),
        max(one.longest_open for one in contents),
        sum(one.u_doubtful for one in contents),
        max(one.longest_doubtful for one in contents),
    )
    out = _quantities(whole, None, shortest_flaw, u_scale)
    for number, one in enumerate(contents, 1):
        out += _quantities(one, number, shortest_flaw, u_scale)
    return out


@dataclass(frozen=True)
class _Contents:
    """What one segment, or the whole section, holds: lengths in µm; ``flaw_ends``: ends of unbonded runs.

    ``u_doubtful``: standard uncertainty of the bonded length from stations that could be joined or not;
    ``longest_doubtful``: by how much the longest open run may be longer or shorter for them.
    """

    width: float
    ends: tuple[NotchBudget, ...]
    bonded: float
    flaw_ends: int
    longest_open: float
    u_doubtful: float
    longest_doubtful: float


def _contents(located: Located, segment: Segment, width: SegmentWidth, um_per_px: float) -> _Contents:
    inside = slice(math.ceil(segment.left.station), math.floor(segment.right.station) + 1)
    states = located.stations.states[inside]
    doubtful = located.stations.doubtful[inside] & (states != FUSED)
    bonded = (states == JOINED) | (states == FUSED)
    is_open = states == OPEN
    # evenly anywhere from none of what is in doubt bonded to all of it
    less = float((doubtful & bonded).sum()) + hidden_ends(located.stations, inside)
    more = float((doubtful & ~bonded).sum())
    longest, most, least = (_longest(flags) for flags in (is_open, is_open | doubtful, is_open & ~doubtful))
    return _Contents(
        width.width,
        (width.left, width.right),
        width.width * (float(bonded.mean()) if states.size else 1.0),
        2 * len(runs(~bonded)),
        longest * um_per_px,
        math.hypot((less + more) / math.sqrt(12), (less - more) / 2) * um_per_px,
        max(most - longest, longest - least) * um_per_px,
    )


def hidden_ends(stations: Stations, inside: slice) -> float:
    """Return by how many stations the runs of residual plating inside may be longer than they show.

    A film may thin out to both ends like a lens; what is thinner there than its last coated station goes unseen.
    """
    hidden = 0.0
    for first, last in runs(stations.states[inside] == PLATING):
        film = stations.apart[inside][first : last + 1]
        seen = 1 - (film[0] + film[-1]) / 2 / max(float(film.max()), 1e-6)
        hidden += film.size * min(1 / math.sqrt(max(seen, 0.25)) - 1, 1.0)
    return hidden


def _longest(flags: NDArray[np.bool_]) -> int:
    return max((last - first + 1 for first, last in runs(flags)), default=0)


def _quantities(one: _Contents, segment: int | None, flaw: float, u_scale: float) -> list[Measurement]:
    """Turn contents into measurements. ``flaw``: the shortest unbonded run that is told from a dark grain or noise.

    Each end of an unbonded run is uncertain by a quarter of it, and one run of half that length may go unseen.
    """
    inner = math.hypot(flaw / 4 * math.sqrt(one.flaw_ends), flaw / 2)
    share = one.bonded / one.width
    choices = [Component("", end.choices, end.dof) for end in one.ends]
    notches = (
        Component("notch fit", math.hypot(*(end.fit for end in one.ends))),
        Component("analysis choices", combined(choices), effective_dof(choices)),
        # the same two parts shape all the mouths: where one opens otherwise than supposed, so do the others
        Component("shape of the mouth", sum(end.shape for end in one.ends)),
    )
    u_width = math.hypot(*(part.u for part in notches))
    return [
        measured(
            "bond_width", one.width, (*notches, Component("scale", u_scale * one.width)), segment=segment, method=METHOD
        ),
        measured(
            "bonded_length", one.bonded,
            (
                *notches, Component("flaws inside", inner), Component("stations in doubt", one.u_doubtful),
                Component("scale", u_scale * one.bonded),
            ),
            segment=segment, method=METHOD,
        ),
        measured(
            "continuity", share,
            (
                Component("flaws inside", inner / one.width),
                Component("stations in doubt", one.u_doubtful / one.width),
                Component("notches", (1 - share) * u_width / one.width),
            ),
            segment=segment, method="share of joined stations",
        ),
        measured(
            "largest_opening", one.longest_open,
            (
                Component("ends", flaw), Component("stations in doubt", one.longest_doubtful / math.sqrt(3)),
                Component("scale", u_scale * one.longest_open),
            ),
            segment=segment, method="longest run of open stations",
        ),
    ]  # fmt: skip
