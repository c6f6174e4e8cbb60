"""Bond: width, bonded length, continuity, openings and offset of each segment and of the whole section."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from xsect.locate.contacts import runs
from xsect.capture.lot_sheet import SheetRow
from xsect.locate.section import Located
from xsect.locate.view import FILLED, FUSED, JOINED, OPEN
from xsect.locate.stations import Segment
from xsect.quantities import Component, Measurement, measured, not_measured, word

PLACING_PX = 0.35
"""Standard uncertainty of a notch in px that the fit and the variations do not show (shape of the gap's mouth)."""

REFLOW_SHARE = 0.05
"""Share of the line, closed by plating and joined nowhere, from which the parts count as held by it."""

METHOD = "hinge fitted to the photometric opening"


@dataclass(frozen=True)
class SegmentWidth:
    """Width of one segment in µm and the independent standard uncertainties of its two ends in µm."""

    left_um: float
    right_um: float
    u_left: float
    u_right: float

    @property
    def width(self) -> float:
        """Distance from notch to notch along the line."""
        return self.right_um - self.left_um


def segment_widths(located: Located, um_per_px: float) -> tuple[SegmentWidth, ...]:
    """Return the segments' notches in µm of arc, with their uncertainties (edge fit, variations, placing)."""
    arc = located.stations.arc
    index = np.arange(arc.size)
    out = []
    for segment, (spread_left, spread_right) in zip(located.stations.segments, located.spread, strict=True):
        ends = []
        for notch, spread in ((segment.left, spread_left), (segment.right, spread_right)):
            spread = spread if math.isfinite(spread) else 0.05 * arc.size
            ends.append(math.sqrt(notch.u**2 + spread**2 + PLACING_PX**2) * um_per_px)
        left, right = (
            float(np.interp(notch.station, index, arc)) * um_per_px for notch in (segment.left, segment.right)
        )
        out.append(SegmentWidth(left, right, *ends))
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
    contents = [
        _contents(located, segment, width, um_per_px)
        for segment, width in zip(located.stations.segments, widths, strict=True)
    ]
    whole = _Contents(
        sum(one.width for one in contents),
        math.sqrt(sum(one.u_width**2 for one in contents)),
        sum(one.bonded for one in contents),
        sum(one.flaw_ends for one in contents),
        max(one.longest_open for one in contents),
    )
    out = _quantities(whole, None, blur, u_scale)
    for number, one in enumerate(contents, 1):
        out += _quantities(one, number, blur, u_scale)
    return out


def measure_kind(located: Located, row: SheetRow) -> list[Measurement]:
    """Tell the bond kind from the stations: none, reflow (closed, but by plating alone) or solid_state.

    Whether a nugget has formed is not looked for: a row whose weld type is fusion gets no kind.
    """
    stations = located.stations
    if not stations.segments:
        closed = float(np.mean(stations.states == FILLED))
        return [word("bond_kind", "reflow" if closed > REFLOW_SHARE else "none")]
    if row.weld_type == "fusion":
        return [not_measured("bond_kind", "nuggets are not measured by this version")]
    return [word("bond_kind", "solid_state", note="a nugget is not looked for by this version")]


@dataclass(frozen=True)
class _Contents:
    """What one segment, or the whole section, holds: lengths in µm; ``flaw_ends``: ends of unbonded runs."""

    width: float
    u_width: float
    bonded: float
    flaw_ends: int
    longest_open: float


def _contents(located: Located, segment: Segment, width: SegmentWidth, um_per_px: float) -> _Contents:
    states = located.stations.states[math.ceil(segment.left.station) : math.floor(segment.right.station) + 1]
    bonded = (states == JOINED) | (states == FUSED)
    open_runs = runs(states == OPEN)
    return _Contents(
        width.width,
        math.hypot(width.u_left, width.u_right),
        width.width * (float(bonded.mean()) if states.size else 1.0),
        2 * len(runs(~bonded)),
        max((last - first + 1 for first, last in open_runs), default=0) * um_per_px,
    )


def _quantities(one: _Contents, segment: int | None, blur: float, u_scale: float) -> list[Measurement]:
    """Turn contents into measurements; each end of an unbonded run is uncertain by half the blur."""
    inner = blur / 2 * math.sqrt(one.flaw_ends)
    share = one.bonded / one.width
    notches = Component("notches", one.u_width)
    inside = (Component("openings inside", inner),) if one.flaw_ends else ()
    return [
        measured(
            "bond_width", one.width, (notches, Component("scale", u_scale * one.width)), segment=segment, method=METHOD
        ),
        measured(
            "bonded_length", one.bonded, (notches, Component("scale", u_scale * one.bonded), *inside),
            segment=segment, method=METHOD,
        ),
        measured(
            "continuity", share,
            (Component("openings inside", inner / one.width), Component("notches", (1 - share) * one.u_width / one.width)),
            segment=segment, method="share of joined stations",
        ),
        measured(
            "largest_opening", one.longest_open,
            (Component("ends", blur), Component("scale", u_scale * one.longest_open)),
            segment=segment, method="longest run of open stations",
        ),
    ]  # fmt: skip
