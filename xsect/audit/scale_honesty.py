"""Scale honesty: every source of a section's scale against the others, with the drawing's thickness as a witness."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from xsect.audit.resampled import ResampleTrace, find_resampling
from xsect.capture.calibration import load_record
from xsect.capture.image_files import RawImage
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.scale import Scale
from xsect.capture.scale_bar import read_scale_bar
from xsect.capture.scale_sources import U_SHEET, likely_cause
from xsect.quantities import COVERAGE_FACTOR
from xsect.reasons import Refusal
from xsect.record import SectionRecord

U_THICKNESS: Final = 0.04
"""Relative standard uncertainty of a part's thickness as a measure: sheet tolerance and oblique cut (common
practice; value from memory)."""

U_MAGNIFICATION: Final = 0.02
"""The same of a nominal magnification of objective and adapter (common practice; value from memory)."""

PARTS_AGREE: Final = 0.06
"""By how much the two parts' thickness ratios may differ for their mean to speak of the scale."""


@dataclass(frozen=True)
class ScaleSource:
    """One source of a scale: its name, µm per px, relative standard uncertainty, and what it rests on."""

    name: str
    um_per_px: float
    u_relative: float
    detail: str


@dataclass(frozen=True)
class Disagreement:
    """Two sources of one section that differ by more than their uncertainties allow; ``ratio``: second over first."""

    first: ScaleSource
    second: ScaleSource
    ratio: float
    cause: str


@dataclass(frozen=True)
class ScaleCheck:
    """The scale of one section.

    ``sources``: all that could be read, best proof first; ``unread``: why others could not. ``disagreements`` are
    between the first source and each other one. ``thickness_ratio`` is measured over drawn thickness (mean of the
    parts), NaN where it cannot be told. ``expired`` and ``mismatch`` are what speaks against using the record here,
    "" if nothing.
    """

    section: str
    row: int
    sources: tuple[ScaleSource, ...]
    unread: tuple[str, ...]
    disagreements: tuple[Disagreement, ...]
    thickness_ratio: float
    expired: str
    mismatch: str
    resampled: ResampleTrace | None


def check_scale(
    record: SectionRecord, raw: RawImage | Refusal, *, calibration_folder: Path | None, today: dt.date
) -> ScaleCheck:
    """Gather and compare every source of one section's scale; ``raw`` is its picture, or why it cannot be read."""
    from xsect.capture.calibration import check_use

    row, unread = record.row, []
    expired = mismatch = ""
    if isinstance(raw, Refusal):
        return ScaleCheck(row.section, row.number, (), (str(raw),), (), math.nan, "", "", None)
    sources: list[ScaleSource] = []
    if row.calibration:
        try:
            loaded = load_record(row.calibration, calibration_folder)
            kept = loaded.record
            side = math.sqrt(kept.um_per_px_x * kept.um_per_px_y)
            sources.append(
                ScaleSource("calibration record", side, kept.u_relative, f"{kept.name} of {kept.date}")
            )
            on = dt.date.fromisoformat(row.cut_on) if row.cut_on else today
            told = {
                one.code: one.sentence
                for one in check_use(
                    loaded, shape=(raw.pixels.shape[0], raw.pixels.shape[1]), on=on, binning=row.binning
                )
            }
            expired, mismatch = told.get("calibration_expired", ""), told.get("calibration_mismatch", "")
        except Refusal as refusal:
            unread.append(str(refusal))
    if row.um_per_px is not None:
        sources.append(ScaleSource("lot sheet", row.um_per_px, U_SHEET, "um_per_px"))
    sources += [
        ScaleSource("image metadata", one.um_per_px, one.u_relative, one.detail)
        for one in raw.metadata.scales[:1]
    ]
    for read in (_bar, _magnification):
        found = read(row, raw)
        if isinstance(found, str):
            unread.append(found)
        elif found is not None:
            sources.append(found)
    ratio = thickness_ratio(record)
    if math.isfinite(ratio) and record.scale is not None:
        side = record.scale.um_per_px / ratio
        sources.append(
            ScaleSource("part thickness", side, U_THICKNESS, f"parts read {ratio:.2f} of the drawing")
        )
    return ScaleCheck(
        row.section, row.number, tuple(sources), tuple(unread), _disagreements(sources), ratio, expired, mismatch,
        find_resampling(raw.pixels),
    )  # fmt: skip


def thickness_ratio(record: SectionRecord) -> float:
    """Return measured over drawn thickness, the parts' mean; NaN where none is known or the parts tell two stories."""
    ratios = []
    for part, drawn in (("upper", record.row.upper_thickness_um), ("lower", record.row.lower_thickness_um)):
        found = record.find(f"{part}_thickness")
        if drawn and found and math.isfinite(found.value):
            ratios.append(found.value / drawn)
    if not ratios or max(ratios) / min(ratios) - 1 > PARTS_AGREE:
        return math.nan
    return math.fsum(ratios) / len(ratios)


def _bar(row: SheetRow, raw: RawImage) -> ScaleSource | str | None:
    if row.bar_um is None:
        return None
    try:
        reading = read_scale_bar(raw.pixels, bar_um=row.bar_um)
    except Refusal as refusal:
        return str(refusal)
    return ScaleSource("scale bar", reading.um_per_px, reading.u_relative, reading.scale.detail)


def _magnification(row: SheetRow, raw: RawImage) -> ScaleSource | str | None:
    """Read the columns magnification and camera_pixel_um: a pixel shows that many µm less of the section."""
    texts = [row.extra.get(name, "") for name in ("magnification", "camera_pixel_um")]
    if not all(texts):
        return None
    try:
        times, pixel = (float(text.lower().rstrip("x×: ").removesuffix("µm").strip()) for text in texts)
    except ValueError:
        return f"magnification = {texts[0]}, camera_pixel_um = {texts[1]}: must be plain numbers"
    if not (times > 0 and pixel > 0):
        return f"magnification = {texts[0]}, camera_pixel_um = {texts[1]}: must be > 0"
    return ScaleSource("stated magnification", pixel / times, U_MAGNIFICATION, f"{times:g}× on {pixel:g} µm")


def _disagreements(sources: list[ScaleSource]) -> tuple[Disagreement, ...]:
    if not sources:
        return ()
    first, *others = sources
    out = []
    for other in others:
        ratio = other.um_per_px / first.um_per_px
        if abs(ratio - 1) > COVERAGE_FACTOR * math.hypot(first.u_relative, other.u_relative):
            out.append(Disagreement(first, other, ratio, likely_cause(_scale(first), _scale(other))))
    return tuple(out)


def _scale(source: ScaleSource) -> Scale:
    bar = source.name == "scale bar"
    return Scale(source.um_per_px, source.um_per_px, source.u_relative, "scale bar" if bar else "lot sheet")
