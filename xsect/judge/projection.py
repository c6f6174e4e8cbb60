"""Projection check: do a projection's dimensions and the electrode's face lie in the published windows?"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Final, Literal

from xsect.capture.lot_sheet import SheetRow
from xsect.quantities import shown_unit

Standing = Literal["inside", "below", "above", "not_covered"]

COMMON: Final = "common practice"
SHEET_TABLE: Final = "RWMA and Welding Handbook table, from memory"
SPHERICAL_TABLE: Final = "ISO 8167:1989, from memory"

TIMES: Final = (2.0, 3.0)
"""Projection diameter over sheet thickness, and electrode face over projection diameter: common practice."""

AGREEMENT: Final = 0.10
"""Share by which a value may depart from a table that gives no tolerance: a choice of this check."""

HEIGHT_TOLERANCE_UM: Final = (75.0, 127.0)
"""Tolerance of the height in µm: 0.003 in (efunda.com) and, in sheet above 0.050 in, 0.005 in (AWS C1.1, table 46,
second-hand)."""

THICK_SHEET_UM: Final = 1270.0
"""Sheet above 0.050 in."""

_INCH_UM: Final = 25_400.0
_TABLES_ARE_FOR: Final = ("steel", "nickel")


@dataclass(frozen=True)
class ProjectionCheck:
    """One dimension against one window, in µm; ``low`` and ``high`` are NaN where the source covers no such part."""

    dimension: str
    rule: str
    source: str
    value: float
    low: float
    high: float

    @property
    def standing(self) -> Standing:
        """Where the value lies; a value on its limit is inside."""
        if math.isnan(self.low):
            return "not_covered"
        # a window computed in floating point must not shut out a value that is written on its limit
        slack = 1e-9 * self.value
        return (
            "below"
            if self.value < self.low - slack
            else "above"
            if self.value > self.high + slack
            else "inside"
        )

    @property
    def sentence(self) -> str:
        """One plain sentence: "diameter 1 mm: inside 0.800 to 1.200 mm, 2 to 3 times … (common practice)"."""
        head = f"{self.dimension} {_length(self.value)}"
        if self.standing == "not_covered":
            return f"{head}: not covered by {self.rule} ({self.source})"
        return f"{head}: {self.standing} {self.window}, {self.rule} ({self.source})"

    @property
    def window(self) -> str:
        """The window in words, "" where there is none."""
        if math.isnan(self.low):
            return ""
        factor, unit = shown_unit(self.high, "um")
        places = 3 if unit == "mm" else 1
        return f"{self.low * factor:.{places}f} to {self.high * factor:.{places}f} {unit}"


def check_dimensions(
    *, sheet_um: float, diameter_um: float | None = None, height_um: float | None = None,
    electrode_face_um: float | None = None,
) -> tuple[ProjectionCheck, ...]:  # fmt: skip
    """Check the dimensions that are given, all in µm; ``sheet_um`` is the thickness of the part with the projection.

    ValueError, one line, for a length that is not > 0 and finite.
    """
    given = {
        "sheet_um": sheet_um, "diameter_um": diameter_um, "height_um": height_um, "electrode_face_um": electrode_face_um
    }  # fmt: skip
    for name, value in given.items():
        if value is not None and not (math.isfinite(value) and value > 0):
            raise ValueError(f"{name} = {value:g}: must be > 0 µm")
    out = []
    table_diameter, table_height = _at_thickness(sheet_um)
    if diameter_um:
        out.append(_times("diameter", diameter_um, "the sheet's thickness", sheet_um))
        spread = AGREEMENT * table_diameter
        out.append(
            _about("diameter", diameter_um, table_diameter, spread, "the table's value for this sheet ± 10 %")
        )
    if height_um:
        tolerance = HEIGHT_TOLERANCE_UM[sheet_um > THICK_SHEET_UM]
        rule = f"the table's value for this sheet ± {_length(tolerance)}"
        out.append(_about("height", height_um, table_height, tolerance, rule))
    if height_um and diameter_um:
        out.append(_spherical(diameter_um, height_um))
    if electrode_face_um and diameter_um:
        out.append(_times("electrode face", electrode_face_um, "the projection's diameter", diameter_um))
    return tuple(out)


def check_projection(row: SheetRow) -> tuple[ProjectionCheck, ...]:
    """Check what a row of the lot sheet gives, the projection being the upper part's; () where it gives too little."""
    if row.upper_thickness_um is None:
        return ()
    return check_dimensions(
        sheet_um=row.upper_thickness_um, diameter_um=row.projection_diameter_um,
        height_um=row.projection_height_um, electrode_face_um=row.electrode_face_um,
    )  # fmt: skip


def outside(checks: tuple[ProjectionCheck, ...]) -> tuple[str, ...]:
    """Return the dimensions that lie inside none of the windows that cover them.

    The sources do not agree with each other, least of all on thin sheet: one that bears a dimension out is enough.
    """
    names = dict.fromkeys(check.dimension for check in checks)
    borne_out = {check.dimension for check in checks if check.standing == "inside"}
    return tuple(name for name in names if name not in borne_out)


def cautions(material: str) -> tuple[str, ...]:
    """Return what must be said beside the checks: what the tables are for, and who decides."""
    steel = any(word in material.casefold() for word in _TABLES_ARE_FOR)
    said = f"for {material} they are a starting point only" if material else "the material was not given"
    return (
        *(() if steel else (f"The tables are for steel: {said}.",)),
        "A published window is no proof of a good weld: the drawing, the governing code and trial welds decide.",
    )


def _length(um: float) -> str:
    factor, unit = shown_unit(um, "um")
    return f"{um * factor:.4g} {unit}"


def _times(dimension: str, value: float, of: str, reference: float) -> ProjectionCheck:
    rule = f"{TIMES[0]:g} to {TIMES[1]:g} times {of}, it is {value / reference:.3g} times"
    return ProjectionCheck(dimension, rule, COMMON, value, TIMES[0] * reference, TIMES[1] * reference)


def _about(dimension: str, value: float, centre: float, spread: float, rule: str) -> ProjectionCheck:
    if math.isnan(centre):
        rule = "the table, which ends at sheet of 0.254 and 6.35 mm"
    return ProjectionCheck(dimension, rule, SHEET_TABLE, value, centre - spread, centre + spread)


def _spherical(diameter: float, height: float) -> ProjectionCheck:
    """Compare the height with that of a spherical projection of the same diameter, between the standard's sizes."""
    table = _table("projection_spherical.csv")
    centre = _between(diameter / 1000, [(row["diameter_mm"], row["height_mm"]) for row in table]) * 1000
    rule = "the height of a spherical projection of this diameter ± 10 %"
    if math.isnan(centre):
        rule = "the table of spherical projections, which ends at diameters of 1.6 and 10 mm"
    return ProjectionCheck(
        "height", rule, SPHERICAL_TABLE, height, centre * (1 - AGREEMENT), centre * (1 + AGREEMENT)
    )


def _at_thickness(sheet_um: float) -> tuple[float, float]:
    """Return the table's (diameter, height) in µm for a sheet, NaN beyond its ends."""
    sheet, table = sheet_um / _INCH_UM, _table("projection_sheet.csv")
    diameter, height = (
        _between(sheet, [(row["sheet_in"], row[name]) for row in table]) * _INCH_UM
        for name in ("diameter_in", "height_in")
    )
    return diameter, height


def _between(x: float, points: list[tuple[float, float]]) -> float:
    """Return the straight-line value between two rows of a table, NaN beyond its ends."""
    for (x0, y0), (x1, y1) in pairwise(points):
        if x0 - 1e-9 <= x <= x1 + 1e-9:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return math.nan


@cache
def _table(name: str) -> tuple[dict[str, float], ...]:
    """Read a table of the package; lines that begin with # tell where it comes from."""
    lines = (files("xsect.judge") / name).read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return tuple({key: float(value) for key, value in row.items()} for row in rows)
