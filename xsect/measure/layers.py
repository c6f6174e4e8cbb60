"""Plating and intermetallic layer on the facing surfaces, from readings along the open gap beside the bond.

Stated as coating thickness on cross-sections is: several readings along the section and their mean (idea of ISO 1463
and ASTM B487). A layer that is too thin to be told apart gets an upper bound, with a value near zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from xsect.capture.lot_sheet import SheetRow
from xsect.locate.layers import SurfaceLayers
from xsect.locate.section import Located
from xsect.locate.view import LayerView
from xsect.quantities import COVERAGE_FACTOR, Component, Measurement, measured, not_measured

FEWEST = 5
"""Readings that a mean thickness needs at least (common practice, after the idea of ISO 1463 and ASTM B487)."""

MODEL_PX, MODEL_BLUR = 0.15, 0.2
"""Standard uncertainty in px of a thickness from the step model: a constant, and this much times the blur squared.
Rough or defocused edges are no error functions, the more so the softer the picture (found on drawn sections)."""

SHARED_LEVEL = 0.02
"""Relative standard uncertainty of a thickness from the plating's level, which varies along the surface."""

UNEVEN = 0.3
"""Relative standard uncertainty of the largest thickness: scallops finer than a reading are averaged out in it."""

UNTOLD = 0.3
"""Share of an intermetallic layer that shows no step of its own by which it moves the plating's inner edge."""

METHOD = "blurred steps fitted across the facing surfaces, beside the open gap"
NAMES = ("plating_free_thickness", "imc_mean", "imc_max")
NOT_SEPARABLE = "plating and base metal cannot be told apart in this picture"
NOT_SEEN = "no facing surface beside an open gap is in the picture"


def measure_layers(
    located: Located, surfaces: Sequence[SurfaceLayers], um_per_px: float, u_scale: float, row: SheetRow
) -> list[Measurement]:
    """Return plating_free_thickness, imc_mean and imc_max of the section, and imc of each segment, or why not.

    ``surfaces``: of `read_surfaces`. A segment is given the readings nearer to it than to any other segment.
    """
    if not row.plated:
        return [not_measured(name, "the lot sheet gives no plating") for name in NAMES]
    if located.plating is None:
        return [
            not_measured(name, "plating and base metal cannot be told apart in this picture")
            for name in NAMES
        ]
    everywhere = [np.ones(side.station.size, bool) for side in surfaces]
    found = [_free(surfaces, um_per_px, u_scale), *_imc(surfaces, everywhere, um_per_px, u_scale, None)]
    for number in range(1, len(located.stations.segments) + 1):
        nearest = [_nearest(located, side.station) == number for side in surfaces]
        found += _imc(surfaces, nearest, um_per_px, u_scale, number)
    return found


def _nearest(located: Located, station: NDArray[np.float64]) -> NDArray[np.intp]:
    """Return (j,) number of the segment that each reading lies nearest to."""
    away = [
        np.maximum(np.maximum(segment.left.station - station, station - segment.right.station), 0)
        for segment in located.stations.segments
    ]
    return np.asarray(np.argmin(away, axis=0) + 1)


def _pooled(values: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    return np.concatenate(list(values)) if values else np.empty(0)


def _free(surfaces: Sequence[SurfaceLayers], um: float, u_scale: float) -> Measurement:
    """Mean thickness of the plating on one facing surface, the intermetallic layer in it."""
    readings = _pooled([side.plating for side in surfaces])
    if readings.size < FEWEST:
        return not_measured("plating_free_thickness", NOT_SEEN)
    value = max(float(readings.mean()), 0.0) * um
    each = _pooled([side.u_plating for side in surfaces])
    blur, shared = (
        float(np.mean([getattr(side, name) for side in surfaces])) for name in ("blur", "shared_plating")
    )
    hidden = float(np.mean([0.0 if side.told else float(np.mean(side.reaction)) for side in surfaces]))
    parts = (
        Component("edges", math.sqrt(float(np.mean(each**2)) / readings.size) * um),
        Component("plating's level and blur", math.hypot(shared * um, SHARED_LEVEL * value)),
        Component("step model", _model(blur) * um),
        Component("intermetallic layer not told apart", UNTOLD * hidden * um),
        Component("scale", u_scale * value),
    )
    return measured("plating_free_thickness", value, parts, note=_said(readings, um), method=METHOD)


def _imc(
    surfaces: Sequence[SurfaceLayers],
    chosen: Sequence[NDArray[np.bool_]],
    um: float,
    u_scale: float,
    segment: int | None,
) -> list[Measurement]:
    """Mean and largest thickness of the intermetallic layer on one facing surface, or an upper bound."""
    sides = [
        (side, side.reaction[mask], side.u_reaction[mask])
        for side, mask in zip(surfaces, chosen, strict=True)
        if mask.any()
    ]
    told = [one for one in sides if one[0].told]
    used = told or sides
    readings = _pooled([one[1] for one in used])
    if readings.size < FEWEST:
        return [not_measured(name, NOT_SEEN, segment=segment) for name in ("imc_mean", "imc_max")]
    blur, shared = (
        float(np.mean([getattr(one[0], name) for one in used])) for name in ("blur", "shared_reaction")
    )
    each = _pooled([one[2] for one in used])
    value = float(np.mean(np.clip(readings, 0, None))) * um
    common = (
        Component("edges", math.sqrt(float(np.median(each**2)) / readings.size) * um),
        Component("levels and blur", shared * um),
        Component("step model", _model(blur) * um),
        Component("scale", u_scale * value),
    )
    if not told:
        return [_bound(name, value, common, blur * um, segment) for name in ("imc_mean", "imc_max")]
    largest = float(np.quantile(readings, 0.98)) * um
    note = _said(readings, um) + _compounds(told, um)
    return [
        measured("imc_mean", value, common, segment=segment, note=note, method=METHOD),
        measured(
            "imc_max", largest, (*common, Component("scallops within a reading", UNEVEN * value)), segment=segment,
            note="largest of the readings, each a mean over 24 px", method=METHOD,
        ),
    ]  # fmt: skip


def _compounds(
    sides: Sequence[tuple[SurfaceLayers, NDArray[np.float64], NDArray[np.float64]]], um: float
) -> str:
    """Say how thick each of two compounds is, where both show: the inner one, next to the base metal, is the richer
    in copper."""
    both = [(side.inner, side.reaction) for side, _, _ in sides if side.inner.any()]
    if not both:
        return ""
    inner, all_of_it = (float(np.mean(np.concatenate([one[k] for one in both]))) * um for k in (0, 1))
    return f"; two layers: {all_of_it - inner:.3g} µm under the plating, {inner:.3g} µm on the base metal"


def _bound(
    name: str, guess: float, parts: tuple[Component, ...], blur_um: float, segment: int | None
) -> Measurement:
    """Return an upper bound: a layer that does not show is anywhere from nothing to what the blur could hide."""
    u = math.hypot(*(part.u for part in parts))
    # the fit alone knows its thickness better than its steps can be known to be steps
    most = guess + COVERAGE_FACTOR * min(max(u, blur_um / 2), blur_um)
    if name == "imc_max":
        most *= 1 + UNEVEN
    hidden = Component("what the blur could hide", most / COVERAGE_FACTOR / 2)
    # a value near zero with all that could be there above it: half the bound, give or take the other half
    near = measured(name, most / 2, (hidden,), segment=segment)
    note = "no step of its own is seen: an upper bound"
    return Measurement(
        name,
        min(guess, most / 2),
        near.u,
        0.0,
        most,
        "measured",
        segment,
        note=note,
        method=METHOD,
        budget=near.budget,
    )


def _model(blur: float) -> float:
    return math.hypot(MODEL_PX, MODEL_BLUR * blur**2)


def _said(readings: NDArray[np.float64], um: float) -> str:
    """Say how many readings there were and how they spread, as thickness reports do."""
    values = readings * um
    return (
        f"{readings.size} readings, standard deviation {np.std(values, ddof=1):.2g} µm, "
        f"{values.min():.3g} to {values.max():.3g} µm"
    )


def layer_views(
    located: Located, surfaces: Sequence[SurfaceLayers], measurements: Sequence[Measurement], um_per_px: float
) -> tuple[LayerView, ...]:
    """Return what a figure draws of free plating and intermetallic layer along the faying line.

    The readings of the upper surface come first, those of the lower one after them, each from left to right.
    """
    arc, views = located.stations.arc, []
    for quantity, name, (of, u_of) in (
        ("plating_free_thickness", "free plating", ("plating", "u_plating")),
        ("imc_mean", "intermetallic layer", ("reaction", "u_reaction")),
    ):
        mean = next((one for one in measurements if one.quantity == quantity and one.segment is None), None)
        if not mean or not surfaces:
            continue
        station = _pooled([side.station for side in surfaces])
        views.append(
            LayerView(
                name,
                "µm",
                np.interp(station, np.arange(arc.size), arc) * um_per_px / 1000,
                _pooled([getattr(side, of) for side in surfaces]) * um_per_px,
                _pooled([getattr(side, u_of) for side in surfaces]) * um_per_px,
                mean.value,
                mean.low,
                mean.high,
                "upper bound" not in mean.note,
            )
        )
    return tuple(views)
