"""Welds cut in series: the sections of one weld gathered from a lot, and its diameter from all of them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from xsect.measure.diameter import NO_BOND, U_OFFSET_UM, cut_width, independent, taken
from xsect.measure.serial import CircleFit, fit_circle
from xsect.quantities import Component, Measurement, measured, not_measured
from xsect.record import SectionRecord

METHOD: Final = "circle fitted to the widths of serial sections"


@dataclass(frozen=True)
class SerialCut:
    """One of the serial sections of a weld; lengths in µm.

    ``width`` is what the cut plane shows, ``residual`` how far its ends lie outside (+) or inside (−) the
    fitted circle, NaN where none was fitted.
    """

    section: str
    face_offset: float
    width: float
    u: float
    residual: float


@dataclass(frozen=True)
class WeldDiameter:
    """One weld cut in series: its diameter from all cuts together (weld_diameter), and where its centre lies.

    ``centre`` and ``u_centre`` in µm from the common face, NaN where the diameter was not measured. ``left_out``
    are sections that gave no width, each with the reason; ``records`` are all its sections, in the order of the sheet.
    """

    lot: str
    weld: str
    diameter: Measurement
    cuts: tuple[SerialCut, ...]
    left_out: tuple[str, ...]
    centre: float
    u_centre: float
    records: tuple[SectionRecord, ...]


def weld_diameters(records: Iterable[SectionRecord]) -> tuple[WeldDiameter, ...]:
    """Return the diameter of each weld whose rows give ``face_offset_um``, in the order of the sheet.

    Sections belong to one weld that share ``supplier``, ``lot`` and ``weld``. Those that give no width are left out,
    and told. A diameter that rests on a section that needs a look needs one as well. It is not measured, with the
    reason, where the widths fit no circle or too few are left.
    """
    series: dict[tuple[str, str, str], list[SectionRecord]] = {}
    for record in records:
        row = record.row
        if row.weld and row.face_offset_um is not None:
            series.setdefault((row.supplier, row.lot, row.weld), []).append(record)
    return tuple(_weld(lot, weld, cuts) for (_, lot, weld), cuts in series.items())


def _weld(lot: str, weld: str, records: list[SectionRecord]) -> WeldDiameter:
    widths = [(record, cut_width(record.measurements, record.row)) for record in records]
    used = [(record, width) for record, width in widths if width]
    left_out = tuple(f"{record.row.section}: {width.note}" for record, width in widths if not width)
    places = [record.row.face_offset_um or 0.0 for record, _ in used]
    nan = math.nan
    try:
        if len({width.quantity for _, width in used}) > 1:
            raise ValueError("the sections are of different weld types")
        parts = [independent(width) for _, width in used]
        fit = fit_circle(
            places, [width.value for _, width in used], [max(u, 1e-3) for u, _ in parts],
            [_u_place(record) for record, _ in used],
        )  # fmt: skip
        if not min(places) <= fit.centre <= max(places):
            # such fits lean on the circle's form: with all cuts far out, their intervals held the truth in 88 % only
            raise ValueError(
                "all cuts lie on one side of the weld's centre, at least one beyond it is needed"
            )
        for record in (record for record, width in widths if width.note == NO_BOND and not width):
            _check_empty(record, fit)
        share = max(scale for _, scale in parts)
        diameter = _diameter(fit.diameter, fit.u_fit, fit.u_round, share, used)
        residuals, centre, u_centre = fit.residuals, fit.centre, fit.u_centre
    except ValueError as error:
        diameter = not_measured("weld_diameter", str(error))
        residuals, centre, u_centre = (nan,) * len(used), nan, nan
    cuts = tuple(
        SerialCut(record.row.section, place, width.value, width.u, residual)
        for (record, width), place, residual in zip(used, places, residuals, strict=True)
    )
    return WeldDiameter(lot, weld, diameter, cuts, left_out, centre, u_centre, tuple(records))


def _u_place(record: SectionRecord) -> float:
    return U_OFFSET_UM if record.row.u_offset_um is None else record.row.u_offset_um


def _check_empty(record: SectionRecord, fit: CircleFit) -> None:
    """Raise ValueError where a cut without bond lies well inside the circle, which then is no picture of the weld."""
    inside = fit.diameter / 2 - abs((record.row.face_offset_um or 0.0) - fit.centre)
    if inside > 3 * math.hypot(_u_place(record), fit.u_centre, fit.u_fit / 2):
        raise ValueError(f"section {record.row.section} shows no bond where the fitted circle has one")


def _diameter(
    value: float, u_fit: float, u_round: float, scale: float, used: list[tuple[SectionRecord, Measurement]]
) -> Measurement:
    """Put the fit's result into a measurement; ``scale``: the share common to all widths."""
    parts = (
        Component("fit", u_fit), Component("roundness", u_round), Component("scale", scale * value),
    )  # fmt: skip
    doubtful = [record.row.section for record, _ in used if record.status != "measured"]
    untold = next((text for record, _ in used if (text := taken(record.row))), "")
    note = f"from {len(used)} serial sections" + untold
    found = measured("weld_diameter", value, parts, method=METHOD, note=note)
    if not doubtful:
        return found
    return replace(found, status="needs_review", note=f"{note}; {', '.join(doubtful)}: needs a look")
