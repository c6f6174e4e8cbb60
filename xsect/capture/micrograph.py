"""Micrograph: the pixels of one section's picture with its scale and what is burned into it."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.burned_in import find_burned_in
from xsect.capture.image_files import MAX_PIXELS, read_image
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.pixel_types import Pixels
from xsect.capture.scale import Scale
from xsect.capture.scale_sources import resolve_scale
from xsect.reasons import Finding


@dataclass(frozen=True)
class Micrograph:
    """One picture, ready to be measured.

    ``pixels`` is (rows, columns) grey or (rows, columns, 3) RGB, uint8 or uint16, with square pixels (a
    picture whose pixels are not square, or slant, is resampled on reading, and ``scale`` is that of the resampled
    picture). ``burned_in`` is True where data strips, scale bars, text or arrows cover the picture, at the
    size of ``pixels``; None where there are none. ``findings`` are what reading it brought up (a scale
    without proof, an expired record); ``notes`` tell, in plain words, what was done to the picture and what
    its metadata holds.
    """

    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    scale: Scale
    sha256: str
    burned_in: NDArray[np.bool_] | None = None
    findings: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def full_scale(self) -> int:
        """Largest value the pixel type holds."""
        return int(np.iinfo(self.pixels.dtype).max)


def open_micrograph(
    row: SheetRow, *, calibration_folder: Path | None, today: dt.date, max_pixels: int = MAX_PIXELS
) -> Micrograph:
    """Read the picture of a row, settle its scale, make its pixels square and find what is burned in.

    ``today`` is the date of use for calibration records where the sheet gives no cut_on. Raises Refusal where
    the picture cannot be read (see `read_image`) or its scale not be settled (see `resolve_scale`).
    """
    raw = read_image(row.image, name=row.image_as_written, max_pixels=max_pixels)
    resolved = resolve_scale(row, raw, calibration_folder=calibration_folder, today=today)
    pixels, scale = square_pixels(raw.pixels, resolved.scale)
    covered = find_burned_in(pixels)
    for missing in (raw.transparent, _beyond(raw.pixels, resolved.scale)):
        if missing is not None:
            rows, columns = pixels.shape[:2]
            resized = cv2.resize(missing.view(np.uint8), (columns, rows), interpolation=cv2.INTER_NEAREST)
            covered = resized.astype(np.bool_) if covered is None else covered | (resized > 0)
    notes = (*raw.notes, *resolved.notes)
    return Micrograph(pixels, scale, raw.sha256, covered, resolved.findings, notes)


def square_pixels(pixels: Pixels, scale: Scale) -> tuple[Pixels, Scale]:
    """Resample a picture to square pixels of the finer axis's size (cubic), so that no detail is lost.

    The stretch is exactly y_um / x_um, also where the new side is not a whole number of pixels: up to one
    pixel at the far border is then extrapolated or cut off. Slanting pixels are first shifted row by row until rows
    and columns meet at 90°; the middle row stays, and the corners left over repeat the border.
    """
    if scale.square:
        return pixels, scale
    slant = _slant(scale)
    if slant:
        upright = cv2.warpAffine(
            pixels,
            _shear(pixels, slant),
            pixels.shape[1::-1],
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
        y_um = scale.y_um * math.sin(math.radians(scale.axes_deg))
        detail = f"{scale.detail}; axes set from {scale.axes_deg:.2f}° to 90°"
        return square_pixels(cast("Pixels", upright), replace(scale, y_um=y_um, axes_deg=90.0, detail=detail))
    side = min(scale.x_um, scale.y_um)
    stretched = cv2.resize(
        pixels, None, fx=scale.x_um / side, fy=scale.y_um / side, interpolation=cv2.INTER_CUBIC
    )
    detail = f"{scale.detail}; resampled from {scale.x_um:.5g} × {scale.y_um:.5g} µm to square pixels"
    return cast("Pixels", stretched), replace(scale, x_um=side, y_um=side, detail=detail)


def _slant(scale: Scale) -> float:
    """Return the shift in columns from one row to the next that makes slanting pixels upright, 0 where it is no
    more than 0.05 % of a row's height."""
    shift = scale.y_um * math.cos(math.radians(scale.axes_deg)) / scale.x_um
    return shift if abs(shift) >= 5e-4 else 0.0


def _shear(pixels: Pixels, slant: float) -> NDArray[np.float64]:
    """Return the affine map of the picture onto its upright self, about the middle row."""
    return np.array([[1.0, slant, -slant * (pixels.shape[0] - 1) / 2], [0.0, 1.0, 0.0]])


def _beyond(pixels: Pixels, scale: Scale) -> NDArray[np.bool_] | None:
    """Return where an upright picture shows nothing of the slanting one, None where it was not slanting."""
    slant = _slant(scale)
    if not slant:
        return None
    rows, columns = pixels.shape[:2]
    source = np.arange(columns) - slant * (np.arange(rows)[:, None] - (rows - 1) / 2)
    return np.asarray((source < -0.5) | (source > columns - 0.5))
