"""Which scale holds: calibration record, lot sheet, image metadata or scale bar, each checked against the
rest."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from xsect.capture.calibration import check_use, load_record
from xsect.capture.image_files import RawImage
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.scale import Scale
from xsect.capture.scale_bar import read_scale_bar
from xsect.quantities import COVERAGE_FACTOR
from xsect.reasons import Finding, Refusal

U_SHEET: Final = 0.005
"""Relative standard uncertainty given to a scale typed into the lot sheet: usually a micrometer reading
rounded to three digits (common practice; value from memory)."""

_OBJECTIVES: Final = (2.0, 2.5, 4.0, 5.0, 10.0, 20.0)
_UNITS: Final = {2.54: "inch taken for cm", 25.4: "inch taken for mm", 1000.0: "µm taken for nm or mm"}


@dataclass(frozen=True)
class ResolvedScale:
    """The scale that holds, what it brought up, and how the other sources compare with it, in words."""

    scale: Scale
    findings: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()


def resolve_scale(
    row: SheetRow, raw: RawImage, *, calibration_folder: Path | None, today: dt.date
) -> ResolvedScale:
    """Return the scale of a picture as stored.

    The first of these holds: calibration record, the sheet's um_per_px, image metadata, scale bar (read where
    the sheet gives bar_um). Every other one must agree with it within 95 % of their combined uncertainty. The
    record is judged on the day of the cut, or ``today`` where the sheet gives none. A bar that cannot be read
    is told in the scale's detail where another source gives the scale. Raises Refusal no_scale,
    bar_not_found, scale_conflict, calibration_missing or calibration_invalid.
    """
    findings: list[Finding] = []
    sources: list[Scale] = []
    if row.calibration:
        scale, findings = _from_record(row, raw, calibration_folder, today)
        sources.append(scale)
    if row.um_per_px is not None:
        detail = f"um_per_px, row {row.number}"
        sources.append(Scale(row.um_per_px, row.um_per_px, U_SHEET, "lot sheet", detail))
    sources += raw.metadata.scales
    unread = ""
    if row.bar_um is not None:
        try:
            sources.append(_from_bar(raw, row.bar_um, sources))
        except Refusal as refusal:
            if not sources:
                raise
            unread = str(refusal)
    if not sources:
        raise Refusal("no_scale", detail="; ".join(raw.metadata.notes) or "no entry at all")
    chosen, *others = sources
    known = "; ".join(finding.sentence for finding in findings)
    agreement = [_compare(chosen, other, known) for other in others]
    if chosen.source != "calibration record":
        facts = {"um_per_px": f"{chosen.um_per_px:.5g}", "source": f"{chosen.source} ({chosen.detail})"}
        findings.append(Finding("scale_unproven", facts))
    chosen = replace(chosen, detail="; ".join(filter(None, (chosen.detail, *agreement, unread))))
    return ResolvedScale(chosen, tuple(findings), raw.metadata.notes)


def _from_record(
    row: SheetRow, raw: RawImage, folder: Path | None, today: dt.date
) -> tuple[Scale, list[Finding]]:
    """Return the scale of the row's calibration record and what speaks against using it here."""
    loaded = load_record(row.calibration, folder)
    record = loaded.record
    scale = Scale(
        record.um_per_px_x,
        record.um_per_px_y,
        record.u_relative,
        "calibration record",
        f"{record.name} of {record.date}",
        loaded.sha256,
        record.axes_deg,
    )
    on = dt.date.fromisoformat(row.cut_on) if row.cut_on else today
    shape = raw.pixels.shape[0], raw.pixels.shape[1]
    return scale, list(check_use(loaded, shape=shape, on=on, binning=row.binning))


def _from_bar(raw: RawImage, bar_um: float, others: list[Scale]) -> Scale:
    """Read the bar. It speaks for the axis it lies along: pixels have the shape that the first other source
    gives them, and are square where there is none."""
    reading = read_scale_bar(raw.pixels, bar_um=bar_um)
    y_to_x = others[0].y_um / others[0].x_um if others else 1.0
    if reading.horizontal:
        return replace(reading.scale, y_um=reading.um_per_px * y_to_x)
    return replace(reading.scale, x_um=reading.um_per_px / y_to_x)


def _compare(chosen: Scale, other: Scale, known: str) -> str:
    """Return how two scales agree, in words; refuse where they do not. ``known``: what is known against
    one."""
    u = math.hypot(chosen.u_relative, other.u_relative)
    x, y = other.x_um / chosen.x_um - 1, other.y_um / chosen.y_um - 1
    worst = max(x, y, key=abs)
    if abs(worst) <= COVERAGE_FACTOR * u:
        return f"{other.source} ({other.detail}) agrees within {abs(worst):.2%}"
    detail = (
        f"{_say(chosen)} and {_say(other)} differ by {worst:+.1%}, more than the {COVERAGE_FACTOR * u:.1%} "
        f"that their uncertainties allow; {likely_cause(chosen, other)}"
    )
    raise Refusal("scale_conflict", detail=f"{detail}; {known}" if known else detail)


def _say(scale: Scale) -> str:
    value = f"{scale.x_um:.5g}" if scale.square else f"{scale.x_um:.5g} × {scale.y_um:.5g}"
    return f"{scale.source} ({scale.detail}) {value} µm/px"


def likely_cause(one: Scale, other: Scale) -> str:
    """Return what commonly makes two scales differ in this ratio, as a clause for a sentence."""

    def near(a: float, b: float) -> bool:
        return abs(a / b - 1) < 0.012

    if not one.square and near(one.x_um, other.y_um) and near(one.y_um, other.x_um):
        return "x and y seem to be exchanged"
    ratio = one.um_per_px / other.um_per_px
    ratio = max(ratio, 1 / ratio)
    causes = []
    if "scale bar" in (one.source, other.source) and 1.01 < ratio < 1.05:
        causes.append("the bar may have been drawn or read from outer edge to outer edge of its ticks")
    causes += [text for factor, text in _UNITS.items() if near(ratio, factor)]
    causes += [
        f"the picture was resized by {factor}, or binned by the camera"
        for factor in (2, 3, 4, 8)
        if near(ratio, factor)
    ]
    if any(near(ratio, factor) for factor in _OBJECTIVES):
        causes.append("another objective was used")
    if not causes:
        causes = ["the picture was resized", "one of the scales belongs to another picture"]
    return f"likely cause: {', or '.join(causes)}"
