"""Plating: what is left of it in the bond, how thick it is beside it, and how much was squeezed out."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.capture.lot_sheet import SheetRow
from xsect.locate.contacts import runs
from xsect.locate.layers import SurfaceLayers
from xsect.locate.section import Located
from xsect.locate.view import FILLED, PLATING, LayerView
from xsect.measure.layers import NOT_SEPARABLE, measure_layers
from xsect.measure.oblique import upright
from xsect.measure.residual import EDGE_PX as FILM_EDGE_PX
from xsect.measure.residual import METHOD, film_of, in_bond, measure_residual
from xsect.quantities import Component, Measurement, measured, not_measured

NAMES = ("plating_in_bond_mean", "plating_in_bond_max", "plating_coverage", "expelled_plating_area")

LEVEL_SHARE, UNKNOWN_LEVEL = 0.05, 0.5
"""Least and largest relative standard uncertainty of an area of plating from the level of its own material."""

EDGE_PX = 0.35
"""Standard uncertainty in px of a layer's mean thickness from the reference levels on its two sides."""

PORE = 0.3
"""Share of the distance between the base metals under which a gap is a pore in the filling."""

MENISCUS_PX = 4.0
"""Standard uncertainty in px of where the filled stretch ends at its rounded meniscus."""


def measure_plating(
    located: Located, surfaces: tuple[SurfaceLayers, ...], um_per_px: float, u_scale: float, row: SheetRow
) -> list[Measurement]:
    """Measure every plating quantity and the intermetallic layer, or say why not; corrected where the cut leans.

    ``surfaces``: the layers read on the facing surfaces.
    """
    found = _as_cut(located, surfaces, um_per_px, u_scale, row)
    if not row.cut_tilt_deg and not row.u_cut_tilt_deg:
        return found
    lean = row.cut_tilt_deg or 0.0, row.u_cut_tilt_deg or 0.0
    return [one if one.quantity == "plating_coverage" else upright(one, *lean) for one in found]


def _as_cut(
    located: Located, surfaces: tuple[SurfaceLayers, ...], um_per_px: float, u_scale: float, row: SheetRow
) -> list[Measurement]:
    out = measure_layers(located, surfaces, um_per_px, u_scale, row)
    if not row.plated:
        return out + [not_measured(name, "the lot sheet gives no plating") for name in NAMES]
    if located.plating is None:
        return out + [not_measured(name, NOT_SEPARABLE) for name in NAMES]
    stations = located.stations
    if not stations.segments:
        return out + [not_measured(name, "no bond") for name in NAMES]
    film = film_of(located, surfaces)
    share = _level_share(out)
    for number in (*range(1, len(stations.segments) + 1), None):
        out += measure_residual(located, film, share, um_per_px, u_scale, number)
    beside = [_filled_beside(located, index) for index in range(len(stations.segments))]
    for number, pair in enumerate(beside, 1):
        out.append(_expelled(located, film, [pair], share, um_per_px, u_scale, number))
    out.append(_expelled(located, film, beside, share, um_per_px, u_scale, None))
    return out


def _level_share(found: Sequence[Measurement]) -> float:
    """Return the relative standard uncertainty of plating from its level: as well as the free plating is
    told from what lies beside it, so well is the expelled one."""
    free = next((one for one in found if one.quantity == "plating_free_thickness" and one), None)
    if free is None or free.value <= 0:
        return UNKNOWN_LEVEL
    return min(max(free.u / free.value, LEVEL_SHARE), UNKNOWN_LEVEL)


def residual_view(
    located: Located,
    surfaces: tuple[SurfaceLayers, ...],
    measurements: Sequence[Measurement],
    um_per_px: float,
) -> tuple[LayerView, ...]:
    """Return what a figure draws of the plating left in the bond, station by station; () where none was measured.

    Between bond segments nothing is drawn: the plating there is not in a bond.
    """
    mean = next(
        (one for one in measurements if one.quantity == "plating_in_bond_mean" and one.segment is None), None
    )
    if not mean:
        return ()
    stations, inside = located.stations, in_bond(located)
    film = np.where(stations.states == PLATING, film_of(located, surfaces), 0.0)[inside] * um_per_px
    u = np.hypot(FILM_EDGE_PX * um_per_px * (film > 0), LEVEL_SHARE * film)
    along = stations.arc[inside] * um_per_px / 1000
    return (LayerView("residual plating in the bond", "µm", along, film, u, mean.value, mean.low, mean.high),)


def _filled_beside(located: Located, index: int) -> tuple[slice, slice]:
    """Return the stations filled with plating from each notch of a segment outwards, up to the meniscus.

    A pore or dark scratch in the filling does not end it: beyond, there is filling again.
    """
    segment, gap = located.stations.segments[index], located.gap.thickness
    filled = located.stations.states == FILLED
    full = gaussian_filter1d(gap, 2.0) < PORE * gaussian_filter1d(located.apart.thickness, 2.0)
    left, right = math.ceil(segment.left.station), math.floor(segment.right.station)
    outward = np.arange(left - 1, -1, -1), np.arange(right + 1, filled.size)
    reach = [_reach(filled[side], full[side], round(2 * located.apart.blur + 2)) for side in outward]
    return slice(left - reach[0], left), slice(right + 1, right + 1 + reach[1])


def _reach(filled: NDArray[np.bool_], full: NDArray[np.bool_], spoilt: int) -> int:
    """Return how many stations outward of a notch are filled; breaks of ``spoilt`` stations, or full ones, do not end
    the filling."""
    reach = 0
    for first, last in runs(filled):
        if first - reach > spoilt and not full[reach:first].all():
            break
        reach = last + 1
    return reach


def _expelled(
    located: Located,
    film: NDArray[np.float64],
    beside: list[tuple[slice, slice]],
    level: float,
    um_per_px: float,
    u_scale: float,
    segment: int | None,
) -> Measurement:
    apart, size = located.stations.apart, located.stations.apart.size
    filled = [run for pair in beside for run in pair]
    area = max(sum(float(film[run].sum()) for run in filled), 0.0) * um_per_px**2
    length = sum(run.stop - run.start for run in filled) * um_per_px
    tips = sum(float(apart[run].max()) for run in filled if run.stop > run.start) * um_per_px
    parts = (
        Component("edges", EDGE_PX * um_per_px * length),
        Component("meniscus", MENISCUS_PX * um_per_px * tips / math.sqrt(max(len(filled), 1))),
        Component("layer's own level", level * area),
        Component("scale", 2 * u_scale * area),
    )
    cut_off = any(run.stop > run.start and (run.start == 0 or run.stop == size) for run in filled)
    note = "the filled gap runs out of the picture: a lower bound" if cut_off else ""
    return measured("expelled_plating_area", area, parts, segment=segment, note=note, method=METHOD)
