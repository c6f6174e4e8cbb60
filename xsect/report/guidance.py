"""Guidance: what the report says beside measurements and verdicts: advice, projection check, welds cut in series."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

from xsect.judge.advice import Advice, advise
from xsect.judge.projection import cautions, check_projection
from xsect.record import LotRecord, SectionRecord
from xsect.report.page import AdviceLine, ProjectionBlock, ProjectionLine, WeldLine
from xsect.report.wording import MISSING, given_length, in_mm, shown
from xsect.welds import WeldDiameter, weld_diameters

TENTATIVE: Final = "Only if the section stands up to the look that it needs."
STANDINGS: Final = {"inside": "inside", "below": "below", "above": "above", "not_covered": "not covered"}


def advice_lines(record: SectionRecord) -> tuple[AdviceLine, ...]:
    """Return the advice on one section, lengths in mm from 100 µm up."""
    return tuple(
        _advice(one) for one in advise(record.measurements, record.verdicts, record.row, record.status)
    )


def _advice(one: Advice) -> AdviceLine:
    grounds = in_mm("; ".join(ground.sentence for ground in one.grounds))
    return AdviceLine(
        one.entry.title, TENTATIVE if one.tentative else "", one.entry.sentence,
        f"{grounds[0].upper()}{grounds[1:]}.", one.entry.what_to_change,
    )  # fmt: skip


def projection_lines(record: SectionRecord) -> tuple[ProjectionLine, ...]:
    """Return the projection's dimensions against the published windows; () where the sheet gives too little."""
    return tuple(
        ProjectionLine(
            check.dimension.capitalize(), given_length(check.value), STANDINGS[check.standing],
            check.window or MISSING, check.rule, check.source,
        )
        for check in check_projection(record.row)
    )  # fmt: skip


def projection_notes(record: SectionRecord) -> tuple[str, ...]:
    """Return what must be said beside the projection check; () where there is none."""
    if not check_projection(record.row):
        return ()
    return ("The upper part is taken to carry the projection.", *cautions(record.row.upper_material))


def projection_blocks(lot: LotRecord) -> tuple[ProjectionBlock, ...]:
    """Return the projection checks of a lot, each said once for all sections that share it."""
    shared: dict[tuple[tuple[ProjectionLine, ...], tuple[str, ...]], list[str]] = {}
    for record in lot.sections:
        if lines := projection_lines(record):
            shared.setdefault((lines, projection_notes(record)), []).append(record.row.section)
    every = len(shared) == 1 and sum(map(len, shared.values())) == len(lot.sections)
    return tuple(
        ProjectionBlock("all sections" if every else ", ".join(names), lines, notes)
        for (lines, notes), names in shared.items()
    )


def weld_lines(lot: LotRecord) -> tuple[WeldLine, ...]:
    """Return the welds that the sheet gives serial sections of."""
    return tuple(_weld(weld) for weld in weld_diameters(lot.sections))


def _weld(weld: WeldDiameter) -> WeldLine:
    centre = MISSING
    if math.isfinite(weld.centre):
        centre = f"{weld.centre / 1000:.3f} ± {1.96 * weld.u_centre / 1000:.3f} mm"
    residuals = [abs(cut.residual) for cut in weld.cuts]
    misfit = f"{max(residuals):.0f} µm" if weld.diameter and residuals else MISSING
    return WeldLine(
        weld.weld, _names(cut.section for cut in weld.cuts), shown(weld.diameter).sentence, centre, misfit,
        "; ".join([weld.diameter.note, *(f"left out: {one}" for one in weld.left_out)]),
    )  # fmt: skip


def _names(sections: Iterable[str]) -> str:
    return ", ".join(sections) or MISSING
