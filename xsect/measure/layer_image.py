"""One layer between two others, measured in a picture of any cross-section, without a lot sheet."""

from __future__ import annotations

import csv
import datetime as dt
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from xsect.capture.burned_in import find_burned_in
from xsect.capture.image_files import read_image
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import open_micrograph
from xsect.capture.pixel_types import Pixels
from xsect.capture.scale import Scale
from xsect.locate.band import Band, find_band
from xsect.locate.layer_profile import LayerProfile, read_layer
from xsect.locate.view import LayerView
from xsect.measure.layer_choice import boundary_inside, find_steadiest, part_of, wander
from xsect.measure.oblique import perpendicular_thickness
from xsect.quantities import COVERAGE_FACTOR, Component
from xsect.reasons import Refusal

FEWEST = 5
"""Readings that a mean thickness needs at least: five places along the layer (common practice, after the idea of
ISO 1463 and ASTM B487)."""

MODEL_PX = 0.05
"""Standard uncertainty in px from the step model itself: sampled edges, resampling along the layer."""

WANDERS = 0.2
"""Standard deviation of the thickness over its mean from which other stretches are looked at."""

SOFTEST = 6.0
"""Blur in px above which a step is none: the rows that an edge is fitted in are few times as many."""

SCATTER = 0.5
"""Standard deviation of the readings over their mean from which they are not of one layer."""

SEVERAL = (
    "several stretches could be the layer: the one of steadiest thickness was taken; look at the marked-up picture, "
    "or say with --at which is meant"
)
INSIDE = (
    "another boundary runs inside the layer, {} below its upper edge: two layers are measured as one; say with --at "
    "which is meant"
)
UNSTEADY = "the layer's edges wander: look at the marked-up picture, or say with --at which layer is meant"


@dataclass(frozen=True)
class LayerReadings:
    """Thickness of one layer. All lengths are in ``unit``: "um", or "px" where no scale is known.

    ``along``, ``thickness``, ``u``: (n,) of the readings; all thicknesses are corrected by ``tilt_deg``. ``sd``,
    ``least``, ``most``: of the readings. ``budget``: parts of ``u_mean``. ``resolved``: False where the layer is
    thinner than the picture can show; ``high`` is then an upper bound and ``low`` 0. ``notes``: what a reader must
    know. ``upper``, ``lower``: (n, 2) = (x, y) px of the edges.
    """

    image: str
    sha256: str
    unit: str
    scale: Scale | None
    along: NDArray[np.float64]
    thickness: NDArray[np.float64]
    u: NDArray[np.float64]
    fitted: NDArray[np.bool_]
    upper: NDArray[np.float64]
    lower: NDArray[np.float64]
    mean: float
    u_mean: float
    low: float
    high: float
    sd: float
    least: float
    most: float
    budget: tuple[Component, ...]
    tilt_deg: float
    resolved: bool
    notes: tuple[str, ...]

    @property
    def view(self) -> LayerView:
        """What a figure draws of it."""
        um = self.unit == "um"
        return LayerView(
            self.image, "µm" if um else "px", self.along / 1000 if um else self.along, self.thickness, self.u,
            self.mean, self.low, self.high, self.resolved, self.upper, self.lower,
        )  # fmt: skip


def measure_layer_file(
    path: Path,
    *,
    um_per_px: float | None = None,
    calibration: str = "",
    calibration_folder: Path | None = None,
    today: dt.date,
    at: tuple[float, float] | None = None,
    tilt_deg: float = 0.0,
    u_tilt_deg: float = 0.0,
) -> tuple[LayerReadings, Pixels]:
    """Measure the layer in a picture file; return its readings and the picture.

    The scale is that of the calibration record, ``um_per_px`` or the file's metadata, each checked against the rest;
    with none at all the readings are in px and a note says why. Raises Refusal for a picture that cannot be read,
    scales that disagree, or a layer that is not found.
    """
    row = SheetRow(0, path.stem, path, str(path), calibration=calibration, um_per_px=um_per_px)
    notes: tuple[str, ...]
    scale: Scale | None
    try:
        micrograph = open_micrograph(row, calibration_folder=calibration_folder, today=today)
        pixels, scale, covered, sha256 = (
            micrograph.pixels,
            micrograph.scale,
            micrograph.burned_in,
            micrograph.sha256,
        )
        notes = tuple(as_given(finding.sentence) for finding in micrograph.findings)
    except Refusal as refusal:
        if refusal.finding.code != "no_scale":
            raise
        raw = read_image(path)
        pixels, scale, covered, sha256 = raw.pixels, None, find_burned_in(raw.pixels), raw.sha256
        detail = refusal.finding.facts["detail"]
        notes = (f"thickness in px: no scale was given, and the picture holds none ({detail})",)
    return (
        measure_layer(
            pixels, scale, covered, image=path.name, sha256=sha256, at=at, tilt_deg=tilt_deg, u_tilt_deg=u_tilt_deg,
            notes=notes,
        ),
        pixels,
    )  # fmt: skip


def as_given(text: str) -> str:
    """Return what the stage that opens pictures says, without the lot sheet that this picture does not have."""
    return text.replace("lot sheet (um_per_px, row 0)", "--um-per-px").replace(
        "row 0, column calibration: ", ""
    )


def measure_layer(
    pixels: Pixels,
    scale: Scale | None,
    burned_in: NDArray[np.bool_] | None = None,
    *,
    image: str = "",
    sha256: str = "",
    at: tuple[float, float] | None = None,
    tilt_deg: float = 0.0,
    u_tilt_deg: float = 0.0,
    notes: tuple[str, ...] = (),
) -> LayerReadings:
    """Measure a layer in pixels (rows, columns[, 3]). Raises Refusal layer_not_found; ValueError for a tilt of 90°."""
    if at is not None and not (0 <= at[0] < pixels.shape[1] and 0 <= at[1] < pixels.shape[0]):
        size = f"{pixels.shape[1]} × {pixels.shape[0]} px"
        raise Refusal(
            "layer_not_found", detail=f"the place {at[0]:g},{at[1]:g} lies outside the picture of {size}"
        )
    band = find_band(pixels, burned_in, at=at)
    if at is None and wander(band) > WANDERS:
        steadiest = find_steadiest(pixels, burned_in, band)
        band = steadiest or band
        notes += (SEVERAL if steadiest else UNSTEADY,)
    profile = read_layer(band)
    _check(profile, sought=at is not None)
    if (inner := boundary_inside(band, profile)) is not None:
        if at is None:
            notes += (INSIDE.format(_length(inner, scale)),)
        else:
            band = part_of(band, inner, at)
            profile = read_layer(band)
            _check(profile, sought=True)
    um = scale.um_per_px if scale else 1.0
    mean_px = float(np.mean(profile.thickness))
    parts = _budget(profile, band, scale)
    u_seen = math.hypot(*(part.u for part in parts))
    mean, u_mean = perpendicular_thickness(
        max(mean_px, 0.0) * um, tilt_deg, u_apparent_um=u_seen, u_tilt_deg=u_tilt_deg
    )
    cosine = math.cos(math.radians(tilt_deg))
    budget = tuple(Component(part.name, part.u * cosine) for part in parts)
    if u_tilt_deg:
        budget += (Component("tilt of the cut", math.sqrt(max(u_mean**2 - (cosine * u_seen) ** 2, 0))),)
    resolved = _is_resolved(profile, u_seen / um)
    low, high = max(mean - COVERAGE_FACTOR * u_mean, 0.0), mean + COVERAGE_FACTOR * u_mean
    if not resolved:
        low, high = 0.0, max(high, apparent_width(profile) * um * cosine)
        notes += ("the layer is thinner than the picture resolves: read the upper end of the interval",)
    followed = 1 - float(profile.fitted.mean())
    if followed > 0.3:
        notes += (
            f"{followed:.0%} of the readings have an edge too ragged for a fit: taken as it was followed",
        )
    readings = profile.thickness * um * cosine
    upper, lower = _edges(band, profile)
    return LayerReadings(
        image, sha256, "um" if scale else "px", scale, profile.station * um, readings, profile.u * um * cosine,
        profile.fitted, upper, lower, mean, u_mean, low, high, float(np.std(readings, ddof=1)), float(readings.min()),
        float(readings.max()), budget, tilt_deg, resolved, notes,
    )  # fmt: skip


def _check(profile: LayerProfile, *, sought: bool) -> None:
    """Raise Refusal layer_not_found for what is no layer; ``sought``: the user said where it lies."""
    readings = profile.thickness
    if len(readings) < FEWEST:
        raise Refusal("layer_not_found", detail=f"only {len(readings)} places along it can be read")
    if float(profile.fitted.mean()) < 0.1:
        raise Refusal(
            "layer_not_found", detail="what looks most like one has no edges that a step could be fitted to"
        )
    if profile.blur > SOFTEST:
        raise Refusal(
            "layer_not_found", detail=f"what looks most like one has no edge, but shading over {SOFTEST:g} px"
        )
    mean = float(np.mean(readings))
    # one that is thinner than the blur is given a bound instead
    if not sought and mean > 1.5 * apparent_width(profile) and float(np.std(readings)) > SCATTER * mean:
        found = f"{readings.min():.3g} to {readings.max():.3g} px thick"
        raise Refusal("layer_not_found", detail=f"what looks most like one is {found}: it ends, or is none")


def _length(px: float, scale: Scale | None) -> str:
    return f"{px * scale.um_per_px:.3g} µm" if scale else f"{px:.3g} px"


def _is_resolved(profile: LayerProfile, u: float) -> bool:
    """Whether the profile itself tells the thickness: it does not where level and thickness can stand for each other.

    ``u``: standard uncertainty of the mean thickness in px.
    """
    mean = float(np.mean(profile.thickness))
    return not math.isfinite(profile.blur) or (mean > 3 * u and mean > profile.blur)


def apparent_width(profile: LayerProfile) -> float:
    """Return the width in px that a layer of no thickness seems to have: full width at half height of the blur."""
    return 2 * math.sqrt(2 * math.log(2)) * profile.blur


def _budget(profile: LayerProfile, band: Band, scale: Scale | None) -> tuple[Component, ...]:
    um = scale.um_per_px if scale else 1.0
    n = len(profile.thickness)
    mean = float(np.mean(profile.thickness)) * um
    parts = [
        Component("edges", float(np.sqrt(np.mean(profile.u**2) / n)) * um),
        Component("layer's own level and blur", profile.u_shared * um),
        Component("how the borders are followed", band.spread * (1 - float(profile.fitted.mean())) * um),
        Component("step model", MODEL_PX * um),
    ]
    if scale:
        parts.append(Component("scale", scale.u_relative * mean))
    return tuple(part for part in parts if part.u > 0)


def _edges(band: Band, profile: LayerProfile) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    half = band.strip.half
    return tuple(  # type: ignore[return-value]
        np.array([band.strip.place(s, row - half) for s, row in zip(profile.station, rows, strict=True)])
        for rows in (profile.upper, profile.lower)
    )


def write_readings(layer: LayerReadings, path: Path) -> None:
    """Write the readings as CSV: number, place along the layer, picture position of both edges, thickness, its u."""
    unit = layer.unit
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow([
            "reading", f"along_{unit}", "upper_x_px", "upper_y_px", "lower_x_px", "lower_y_px", f"thickness_{unit}",
            f"u_{unit}", "edges_fitted",
        ])  # fmt: skip
        for k in range(len(layer.thickness)):
            places = [f"{value:.2f}" for value in (*layer.upper[k], *layer.lower[k])]
            out.writerow([
                k + 1, f"{layer.along[k]:.3f}", *places, f"{layer.thickness[k]:.4f}", f"{layer.u[k]:.4f}",
                "yes" if layer.fitted[k] else "no",
            ])  # fmt: skip
