"""Self-study: every section imaged again in small ways (shift, turn, brightness, noise) and measured each time.

It tells how far a measurement depends on how the picture happened to be taken; it knows nothing of polishing, etching
or the place of the cut, which only new sections can show.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.calibration import find_folder
from xsect.capture.lot_sheet import SheetRow, read_lot_sheet
from xsect.capture.micrograph import Micrograph, open_micrograph
from xsect.lots.looks import SectionLooks, SelfStudy, pooled
from xsect.lots.rows import RowsError, check_quantity
from xsect.pipeline import SectionResult, measure_micrograph
from xsect.quantities import Measurement
from xsect.reasons import Refusal

SHIFT_PX: Final = 3.0
TURN_DEG: Final = 1.5
GAIN: Final = 0.05
NOISE: Final = 0.008
"""Largest shift and turn, largest change of brightness, and added noise (sd), the last two as shares of full scale."""


@dataclass(frozen=True)
class Look:
    """One way of imaging again: shift (px), turn (degrees), gain, and the seed of the noise."""

    shift: tuple[float, float]
    turn: float
    gain: float
    seed: int


def draw_looks(count: int, *, rng: np.random.Generator) -> tuple[Look, ...]:
    """Draw ``count`` looks, each changing everything a little."""
    looks = []
    for _ in range(count):
        x, y, turn, gain = rng.uniform(-1, 1, 4)
        shift = (SHIFT_PX * float(x), SHIFT_PX * float(y))
        looks.append(Look(shift, TURN_DEG * float(turn), 1 + GAIN * float(gain), int(rng.integers(2**31))))
    return tuple(looks)


def imaged_again(micrograph: Micrograph, look: Look) -> Micrograph:
    """Return the picture as another exposure would have given it; what comes into view repeats the border."""
    rows, columns = micrograph.pixels.shape[:2]
    turn: Any = cv2.getRotationMatrix2D(((columns - 1) / 2, (rows - 1) / 2), look.turn, 1.0)
    turn[:, 2] += look.shift
    size, border = (columns, rows), cv2.BORDER_REPLICATE
    moved = cv2.warpAffine(micrograph.pixels, turn, size, flags=cv2.INTER_CUBIC, borderMode=border)
    noise = np.random.default_rng(look.seed).normal(0.0, NOISE * micrograph.full_scale, moved.shape)
    exposed = np.clip(np.rint(look.gain * moved.astype(np.float64) + noise), 0, micrograph.full_scale)
    pixels: Any = exposed.astype(micrograph.pixels.dtype)
    covered: NDArray[np.bool_] | None = None
    if micrograph.burned_in is not None:
        # anything that touches a burned-in mark after the move counts as covered
        mask = cv2.warpAffine(micrograph.burned_in.astype(np.uint8) * 255, turn, size, flags=cv2.INTER_LINEAR)
        covered = np.asarray(mask > 0, dtype=np.bool_)
    return replace(micrograph, pixels=pixels, burned_in=covered)


def self_study(
    sheet: Path, *, quantity: str, looks: int, today: dt.date, calibration_folder: Path | None = None,
    on_section: Callable[[str], None] | None = None, seed: int = 20261125,
) -> SelfStudy:  # fmt: skip
    """Measure every section of a lot sheet as it is and in ``looks`` ≥ 2 further looks, the same for all sections.

    Raises RowsError where fewer than two sections can be measured often enough, SheetError where the sheet cannot be
    used.
    """
    check_quantity(quantity)
    if looks < 2:
        raise RowsError(f"looks = {looks}: must be at least 2")
    rows = read_lot_sheet(sheet).rows
    folder = find_folder(sheet.parent, calibration_folder)
    drawn = draw_looks(looks, rng=np.random.default_rng(seed))
    sections: list[SectionLooks] = []
    skipped: list[str] = []
    for row in rows:
        if on_section:
            on_section(row.section)
        found = _section(row, quantity, drawn, today, folder)
        if found is None:
            skipped.append(row.section)
        else:
            sections.append(found)
    try:
        return pooled(quantity, looks, sections, skipped)
    except ValueError as error:
        raise RowsError(f"{sheet.name}: {error}") from error


def _section(
    row: SheetRow, quantity: str, looks: tuple[Look, ...], today: dt.date, folder: Path | None
) -> SectionLooks | None:
    try:
        micrograph = open_micrograph(row, calibration_folder=folder, today=today)
    except Refusal:
        return None
    first = _found(measure_micrograph(micrograph, row), quantity)
    if not first:
        return None
    again = [_found(measure_micrograph(imaged_again(micrograph, look), row), quantity) for look in looks]
    values = tuple(one.value for one in again if one)
    scatter = math.hypot(*(part.u for part in first.budget if part.name != "scale"))
    by_hand = row.stated.get(quantity, math.nan)
    return SectionLooks(row.lot, row.section, first.value, scatter, values, len(looks) - len(values), by_hand)


def _found(result: SectionResult, quantity: str) -> Measurement | None:
    return next((m for m in result.measurements if m.quantity == quantity and m.segment is None and m), None)
