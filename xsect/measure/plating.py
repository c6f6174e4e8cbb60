"""Plating: what is left of it in the bond, how thick it is beside it, and how much was squeezed out."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.capture.lot_sheet import SheetRow
from xsect.locate.layers import SurfaceLayers, film_thickness
from xsect.locate.section import Located
from xsect.locate.view import FILLED, PLATING
from xsect.measure.layers import NOT_SEPARABLE, measure_layers
from xsect.quantities import Component, Measurement, measured, not_measured

NAMES = ("plating_in_bond_mean", "plating_in_bond_max", "plating_coverage", "expelled_plating_area")

LEVEL_SHARE = 0.08
"""Relative standard uncertainty of a layer's thickness from the level of its own material."""

EDGE_PX = 0.5
"""Standard uncertainty in px of a layer's mean thickness from the reference levels on its two sides."""

MENISCUS_PX = 4.0
"""Standard uncertainty in px of where the filled stretch ends at its rounded meniscus."""

METHOD = "photometric thickness of the plating"


def measure_plating(
    located: Located, surfaces: tuple[SurfaceLayers, ...], um_per_px: float, u_scale: float, row: SheetRow
) -> list[Measurement]:
    """Measure every plating quantity and the intermetallic layer, or say why not.

    ``surfaces``: the layers read on the facing surfaces.
    """
    out = measure_layers(located, surfaces, um_per_px, u_scale, row)
    if not row.plated:
        return out + [not_measured(name, "the lot sheet gives no plating") for name in NAMES]
    if located.plating is None:
        return out + [not_measured(name, NOT_SEPARABLE) for name in NAMES]
    stations = located.stations
    layer = _film(located, surfaces)
    if not stations.segments:
        return out + [not_measured(name, "no bond") for name in NAMES]
    whole = np.zeros(layer.size, bool)
    for number, segment in enumerate(stations.segments, 1):
        inside = np.zeros(layer.size, bool)
        inside[math.ceil(segment.left.station) : math.floor(segment.right.station) + 1] = True
        whole |= inside
        out += _in_bond(located, layer, inside, um_per_px, u_scale, number)
        out.append(_expelled(located, [_filled_beside(located, number - 1)], um_per_px, u_scale, number))
    out += _in_bond(located, layer, whole, um_per_px, u_scale, None)
    beside = [_filled_beside(located, index) for index in range(len(stations.segments))]
    out.append(_expelled(located, beside, um_per_px, u_scale, None))
    return out


def _film(located: Located, surfaces: tuple[SurfaceLayers, ...]) -> NDArray[np.float64]:
    """Return (n,) px of plating between the base metals: in colour against the hue that the free surfaces teach."""
    film = None
    if located.plating is not None and located.plating.by == "colour":
        film = film_thickness(located, surfaces)
    return located.stations.layer if film is None else film


def _in_bond(
    located: Located,
    layer: NDArray[np.float64],
    inside: NDArray[np.bool_],
    um_per_px: float,
    u_scale: float,
    segment: int | None,
) -> list[Measurement]:
    """Mean, maximum and coverage of residual plating; joined stations count as bare.

    Where none is seen, the thinnest film that would have been seen sets the uncertainty.
    """
    coated = inside & (located.stations.states == PLATING)
    n, unseen = int(inside.sum()), max(located.stations.closed_level, located.apart.floor, 0.1) * um_per_px
    mean = float(layer[coated].sum()) / n * um_per_px
    peak = (
        float(gaussian_filter1d(layer, located.apart.blur)[coated].max()) * um_per_px if coated.any() else 0.0
    )
    share = float(coated.sum()) / n
    ends = 2 * max(1, int(np.count_nonzero(np.diff(coated.astype(np.int8)) > 0)))
    edge = EDGE_PX * um_per_px
    doubt = float((inside & located.stations.doubtful).sum()) / n / math.sqrt(3)

    def parts(value: float, covered: float) -> tuple[Component, ...]:
        return (
            Component("edges", edge * covered),
            Component("layer's own level", LEVEL_SHARE * value),
            Component("thinnest film seen", unseen / 2 * (1 - covered)),
            Component("scale", u_scale * value),
        )

    return [
        measured("plating_in_bond_mean", mean, parts(mean, share), segment=segment, method=METHOD),
        measured(
            "plating_in_bond_max",
            peak,
            parts(peak, 1.0 if coated.any() else 0.0),
            segment=segment,
            method=METHOD,
        ),
        measured(
            "plating_coverage",
            share,
            (
                Component("ends of the coated runs", located.apart.blur * math.sqrt(ends) / n),
                Component("stations in doubt", math.hypot(0.01, doubt)),
            ),
            segment=segment,
            method="share of stations with plating",
        ),
    ]


def _filled_beside(located: Located, index: int) -> tuple[slice, slice]:
    """Return the stations filled with plating from each notch of a segment outwards, up to the meniscus."""
    states, segment = located.stations.states, located.stations.segments[index]
    left, right = math.ceil(segment.left.station), math.floor(segment.right.station)
    first, last = left, right
    while first > 0 and states[first - 1] == FILLED:
        first -= 1
    while last < states.size - 1 and states[last + 1] == FILLED:
        last += 1
    return slice(first, left), slice(right + 1, last + 1)


def _expelled(
    located: Located, beside: list[tuple[slice, slice]], um_per_px: float, u_scale: float, segment: int | None
) -> Measurement:
    layer, apart, size = located.stations.layer, located.stations.apart, located.stations.apart.size
    runs = [run for pair in beside for run in pair]
    area = sum(float(layer[run].sum()) for run in runs) * um_per_px**2
    length = sum(run.stop - run.start for run in runs) * um_per_px
    tips = sum(float(apart[run].max()) for run in runs if run.stop > run.start) * um_per_px
    parts = (
        Component("edges", EDGE_PX * um_per_px * length),
        Component("meniscus", MENISCUS_PX * um_per_px * tips / math.sqrt(max(len(runs), 1))),
        Component("layer's own level", LEVEL_SHARE * area),
        Component("scale", 2 * u_scale * area),
    )
    cut_off = any(run.stop > run.start and (run.start == 0 or run.stop == size) for run in runs)
    note = "the filled gap runs out of the picture: a lower bound" if cut_off else ""
    return measured("expelled_plating_area", area, parts, segment=segment, note=note, method=METHOD)
