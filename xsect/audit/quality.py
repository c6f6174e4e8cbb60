"""Quality as evidence: which pictures cannot bear the value that is stated for them, and which bear it badly."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.audit.fingerprints import blurred_widely
from xsect.quantities import show
from xsect.record import SectionRecord

Bears = Literal["yes", "badly", "no"]

CANNOT: Final = (
    "out_of_focus", "saturated", "low_contrast", "no_section_found", "faying_line_not_found", "no_notch_seen",
)  # fmt: skip
"""Findings after which nothing can be read at the faying line, by anybody, or its needed part is not in the picture."""

BADLY: Final = (
    "gap_not_seen", "line_uncertain", "notch_uncertain", "gap_below_resolution", "bond_not_separable", "not_in_view",
    "bond_uncertain", "filled_between", "soft",
)  # fmt: skip
"""Findings after which a value can be read, but not as surely as it is stated."""

OFF_CENTRE: Final = 0.02
"""Share by which a chord falls short of the diameter from which the cut is told to be off centre."""

OBLIQUE: Final = 1.05
"""Thickness of both parts against the drawing from which a slanted cut is told of."""

DAMAGED: Final = 0.08
"""Share of the metal that is pitted, scratched or stained dark from which preparation is told of."""


@dataclass(frozen=True)
class Evidence:
    """What one picture bears: ``reasons`` in words; ``damage`` is the dark share of the metal, NaN where not told."""

    section: str
    row: int
    bears: Bears
    reasons: tuple[str, ...]
    damage: float


def judge_evidence(
    record: SectionRecord, *, ratio: float, pixels: NDArray[np.uint8] | NDArray[np.uint16] | None = None
) -> Evidence:
    """Judge what a section's picture bears. ``ratio``: measured over drawn part thickness, NaN where not known.

    ``pixels`` (rows, columns[, 3]) are looked at for damage from preparation, unless None.
    """
    row = record.row
    cannot = [one.sentence for one in record.findings if one.code in CANNOT or one.code.startswith("image_")]
    badly = [one.sentence for one in record.findings if one.code in BADLY]
    badly += _off_centre(record)
    if math.isfinite(ratio) and OBLIQUE < ratio < 1.5:
        badly.append(f"both parts read {ratio:.2f} times the drawing's thickness: the cut may be slanted")
    damage = math.nan if pixels is None else dark_share(record, pixels)
    if damage > DAMAGED:
        badly.append(f"{damage:.0%} of the metal is pitted, scratched or stained")
    bears: Bears = "no" if cannot else "badly" if badly else "yes"
    return Evidence(row.section, row.number, bears, (*cannot, *badly), damage)


def _off_centre(record: SectionRecord) -> list[str]:
    """Tell of a cut beside the centre of a round bond, whose chord is shorter than its diameter."""
    offset, width = record.row.plane_offset_um, record.find("bond_width")
    if not offset or not width or not width.value > 0:
        return []
    diameter = math.hypot(width.value, 2 * offset)
    if 1 - width.value / diameter < OFF_CENTRE:
        return []
    return [
        f"the cut lies {show(abs(offset), 'um')} off centre: of a round bond {show(diameter, 'um')} wide it shows "
        f"{show(width.value, 'um')}"
    ]


def dark_share(record: SectionRecord, pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> float:
    """Return the share of the parts' metal that is much darker than the metal about it, NaN where it cannot be told.

    ``pixels``: the section's picture (rows, columns[, 3]). Every few pixels one is looked at. Outlines and faying
    line are left out. Etching darkens grain boundaries on purpose: NaN for etched sections.
    """
    if record.view is None or record.row.etchant or pixels.shape[:2] != record.image_shape:
        return math.nan
    step = max(1, max(pixels.shape) // 700)
    grey = (pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY))[::step, ::step]
    metal = np.zeros(grey.shape, np.uint8)
    for outline in record.view.outlines:
        cv2.fillPoly(metal, [np.rint(outline / step).astype(np.int32)], 1)
    border = max(max(grey.shape) // 60, 1)
    cv2.polylines(metal, [np.rint(record.view.line / step).astype(np.int32)], False, 0, 2 * border)
    inside = cv2.erode(metal, np.ones((border, border), np.uint8), borderValue=0) > 0
    if inside.sum() < 1000:
        return math.nan
    level = np.asarray(grey, np.float32)
    usual = float(np.median(level[inside]))
    about = blurred_widely(level, max(grey.shape) / 40)
    return float(((level < 0.8 * about) & (level < 0.85 * usual))[inside].mean())
