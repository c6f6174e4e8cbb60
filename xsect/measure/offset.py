"""Bond offset: how far the bond's centre lies from the projection's axis."""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import gaussian_filter1d

from xsect.locate.section import Located
from xsect.measure.bond import segment_widths
from xsect.measure.standoff import Level
from xsect.quantities import Component, Measurement, measured, not_measured

SHARES = (0.3, 0.45, 0.6, 0.75)
"""Shares of the standoff at which the two flanks are compared."""


def measure_offset(
    located: Located, levels: list[Level], um_per_px: float, u_scale: float
) -> list[Measurement]:
    """Measure the offset from the two flanks, where the opening reaches the same share of the standoff.

    The facing surfaces of a symmetric projection rise alike on both sides of its axis, wherever the bond is.
    """
    widths = segment_widths(located, um_per_px)
    if not widths:
        return [not_measured("bond_offset", "no bond")]
    if len(levels) < 2:
        return [
            not_measured(
                "bond_offset", "the gap is level on fewer than two sides: the flanks cannot be compared"
            )
        ]
    height = min(level.opening for level in levels)
    opening = gaussian_filter1d(located.gap.thickness, 3.0, mode="nearest")
    segments = located.stations.segments
    first, last = int(segments[0].left.station), int(segments[-1].right.station)
    arc = located.stations.arc * um_per_px
    middles, spans = [], []
    for share in SHARES:
        left = np.flatnonzero(opening[:first] >= share * height)
        right = np.flatnonzero(opening[last:] >= share * height)
        if left.size and right.size:
            ends = arc[int(left[-1])], arc[last + int(right[0])]
            middles.append(sum(ends) / 2)
            spans.append(ends[1] - ends[0])
    if len(middles) < 2:
        return [not_measured("bond_offset", "the flanks of the projection are not seen on both sides")]
    value = (widths[0].left_um + widths[-1].right_um) / 2 - float(np.mean(middles))
    flank = max(float(np.std(middles, ddof=1)), 0.5 * um_per_px)
    parts = (
        Component("notches", math.hypot(widths[0].u_left, widths[-1].u_right) / 2),
        Component("flanks", flank),
        Component("scale", abs(value) * u_scale),
    )
    return [measured("bond_offset", value, parts, method="middle of the flanks against middle of the bond")]
