"""Bond: width, bonded length, continuity, openings and offset of each segment and of the whole section."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from xsect.locate.contacts import runs
from xsect.locate.section import Located
from xsect.locate.view import FUSED, JOINED, OPEN
from xsect.quantities import Component, Measurement, measured, not_measured, word

PLACING_PX = 0.35
"""Standard uncertainty of a notch in px that the fit and the variations do not show (shape of the gap's mouth)."""

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
    for segment, (spread_left, spread_right) in zip(
        located.stations.segments, located.spread, strict=True
    ):
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
    """Measure every bond quantity. ``u_scale``: relative standard uncertainty of the scale.

    A section without any joined station has the width 0, uncertain by the shortest contact that would have been
    seen, and the bond kind none.
    """
    widths = segment_widths(located, um_per_px)
    stations = located.stations
    if not widths:
        smallest = max(12.0, 6 * located.opening.blur) * um_per_px
        return [
            measured("bond_width", 0.0, (Component("smallest contact seen", smallest / 2),), method=METHOD),
            measured("bonded_length", 0.0, (Component("smallest contact seen", smallest / 2),), method=METHOD),
            not_measured("continuity", "no bond"),
            not_measured("largest_opening", "no bond"),
            not_measured("bond_offset", "no bond"),
            word("bond_kind", "none"),
        ]
    out: list[Measurement] = []
    totals = np.zeros(2)
    variances = np.zeros(2)
    openings = []
    for number, (segment, width) in enumerate(zip(stations.segments, widths, strict=True), 1):
        inside = slice(math.ceil(segment.left.station), math.floor(segment.right.station) + 1)
        states = stations.states[inside]
        lost = float(np.mean((states != JOINED) & (states != FUSED))) * width.width if states.size else 0.0
        open_runs = [last - first + 1 for first, last in runs(states == OPEN)]
        edge = math.hypot(width.u_left, width.u_right)
        ends = 2 * len(open_runs)
        inner = located.opening.blur * um_per_px * math.sqrt(ends)
        bonded = width.width - lost
        out += [
            measured("bond_width", width.width, _budget(edge, 0, width.width, u_scale), segment=number, method=METHOD),
            measured("bonded_length", bonded, _budget(edge, inner, bonded, u_scale), segment=number, method=METHOD),
            _continuity(bonded, width.width, inner, edge, number),
            _largest_opening(open_runs, located, um_per_px, u_scale, number),
        ]
        totals += (width.width, bonded)
        variances += (edge**2, edge**2 + inner**2)
        openings += open_runs
    inner = math.sqrt(max(variances[1] - variances[0], 0))
    edge = math.sqrt(variances[0])
    if len(widths) > 1 or True:
        out = [
            measured("bond_width", totals[0], _budget(edge, 0, totals[0], u_scale), method=METHOD),
            measured("bonded_length", totals[1], _budget(edge, inner, totals[1], u_scale), method=METHOD),
            _continuity(totals[1], totals[0], inner, edge, None),
            _largest_opening(openings, located, um_per_px, u_scale, None),
            *out,
        ]
    return out


def _budget(edge: float, inner: float, length: float, u_scale: float) -> tuple[Component, ...]:
    parts = [Component("notches", edge), Component("scale", u_scale * length)]
    if inner:
        parts.append(Component("openings inside", inner))
    return tuple(parts)


def _continuity(bonded: float, width: float, inner: float, edge: float, segment: int | None) -> Measurement:
    share = bonded / width if width > 0 else 1.0
    parts = (Component("openings inside", inner / width), Component("notches", (1 - share) * edge / width))
    return measured("continuity", share, parts, segment=segment)


def _largest_opening(
    open_runs: list[int], located: Located, um_per_px: float, u_scale: float, segment: int | None
) -> Measurement:
    length = max(open_runs, default=0) * um_per_px
    edge = located.opening.blur * um_per_px * (math.sqrt(2) if open_runs else 1)
    return measured("largest_opening", length, (Component("ends", edge), Component("scale", u_scale * length)), segment=segment)
