"""Lot sheet: CSV or XLSX, one row a section."""

from __future__ import annotations

import difflib
import math
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final

from xsect.capture.tables import BadCell, Cell, SheetError, Table, pad, read_table
from xsect.quantities import QUANTITIES
from xsect.reasons import Finding

__all__ = ["COLUMNS", "LotSheet", "RowProblem", "SheetError", "SheetRow", "read_lot_sheet"]


@dataclass(frozen=True)
class SheetRow:
    """One row of a lot sheet, checked. Lengths are µm; None and "" where the sheet gives nothing."""

    number: int
    """Row number as a spreadsheet shows it: the header is row 1."""
    section: str
    image: Path
    """Absolute, or relative to the working directory: already joined to the sheet's folder."""
    image_as_written: str
    calibration: str = ""
    um_per_px: float | None = None
    bar_um: float | None = None
    lot: str = ""
    supplier: str = ""
    made_on: str = ""
    cut_on: str = ""
    operator: str = ""
    weld: str = ""
    weld_type: str = "solid_state"
    upper_material: str = ""
    lower_material: str = ""
    upper_thickness_um: float | None = None
    lower_thickness_um: float | None = None
    projection_height_um: float | None = None
    projection_diameter_um: float | None = None
    plating: str = "none"
    plating_um: float | None = None
    view: str = "brightfield"
    etchant: str = ""
    plane_offset_um: float | None = None
    """How far the cut missed the weld's centre."""
    face_offset_um: float | None = None
    """Distance of the cut from a face that all serial sections of one ``weld`` share; its centre is not known."""
    u_offset_um: float | None = None
    """Standard uncertainty of either distance."""
    electrode_face_um: float | None = None
    """Diameter of the electrode's face on the projection's side."""
    binning: float | None = None
    """Of the camera when the picture was taken: must be that of the calibration record."""
    stated: dict[str, float] = field(default_factory=dict)
    """Quantity name to the supplier's value, from the columns stated_<quantity>."""
    extra: dict[str, str] = field(default_factory=dict)
    """Columns that xsect does not know, as written."""
    cut_tilt_deg: float | None = None
    """Lean of the cut against the normal of the layers, degrees: they read high by 1/cos."""
    u_cut_tilt_deg: float | None = None
    """Standard uncertainty of the lean, degrees."""

    @property
    def plated(self) -> bool:
        """Whether the row says that the parts are plated."""
        return self.plating not in ("", "none")


@dataclass(frozen=True)
class RowProblem:
    """A row that cannot be measured as it stands.

    ``row`` holds what could be read (faulty columns are left at their defaults), so that reports can show the
    section as not measured; ``faults`` are whole sentences that name file, row, column, value and rule.
    """

    row: SheetRow
    faults: tuple[str, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """One finding a fault."""
        return tuple(Finding("row_invalid", {"detail": fault}) for fault in self.faults)


@dataclass(frozen=True)
class LotSheet:
    """A lot sheet: its good rows and its faulty ones, each in sheet order.

    ``columns`` are the header's names in order; ``notes`` tell of columns whose name is close to a known one.
    """

    path: Path
    sha256: str
    rows: tuple[SheetRow, ...]
    problems: tuple[RowProblem, ...] = ()
    columns: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


REQUIRED: Final = ("section", "image")
TEXTS: Final = (
    "calibration", "lot", "supplier", "operator", "weld", "upper_material", "lower_material", "etchant",
)  # fmt: skip
DATES: Final = ("made_on", "cut_on")
CHOICES: Final = {"weld_type": ("solid_state", "fusion"), "view": ("brightfield", "backscatter")}
POSITIVE: Final = (
    "um_per_px", "bar_um", "upper_thickness_um", "lower_thickness_um", "projection_height_um",
    "projection_diameter_um", "electrode_face_um", "u_offset_um",
)  # fmt: skip
COLUMNS: Final = (
    *REQUIRED, *TEXTS, *DATES, *CHOICES, *POSITIVE, "plating", "plating_um", "plane_offset_um",
    "face_offset_um", "binning", "cut_tilt_deg", "u_cut_tilt_deg",
)  # fmt: skip
"""Every column that xsect knows, besides stated_<quantity>."""

_NO_PLATING: Final = ("no", "-", "–", "0", "n/a", "na", "nil", "false", "without")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)


class _Fault(ValueError):
    """One cell breaks a rule."""


def read_lot_sheet(path: str | Path) -> LotSheet:
    """Read and check a lot sheet, CSV or XLSX by its content.

    A faulty row becomes a RowProblem and the others go on; rows of one lot that share a section name are all
    faulty. Raises SheetError, one line, where the sheet as a whole cannot be used: not a readable table, a
    required column missing, a stated_<quantity> column whose quantity is not in the registry or is a word.
    """
    path = Path(path)
    table = read_table(path, key="section")
    table = replace(table, header=tuple(_known(name) for name in table.header))
    _check_header(path, table.header)
    read = [_read_row(path, table, number, cells) for number, cells in table.rows]
    names = Counter((row.lot, row.section) for row, _ in read)
    rows: list[SheetRow] = []
    problems: list[RowProblem] = []
    for row, faults in read:
        if names[row.lot, row.section] > 1:
            faults = [
                *faults,
                _sentence(path, row.number, "section", row.section, "must be unique in its lot"),
            ]
        if faults:
            problems.append(RowProblem(row, tuple(faults)))
        else:
            rows.append(row)
    return LotSheet(path, table.sha256, tuple(rows), tuple(problems), table.header, _notes(table.header))


def _known(name: str) -> str:
    """Return a known column's name in lower case, any other as written."""
    lower = name.casefold()
    return lower if lower in COLUMNS or lower.startswith("stated_") else name


def _check_header(path: Path, header: tuple[str, ...]) -> None:
    for name in REQUIRED:
        if name not in header:
            guess = difflib.get_close_matches(name, header, n=1, cutoff=0.5)
            hint = f"; is it {guess[0]}?" if guess else f"; the header reads: {', '.join(header)[:120]}"
            raise SheetError(f"{path.name}: column {name} is missing{hint}")
    for name in header:
        if not name.startswith("stated_"):
            continue
        quantity = QUANTITIES.get(name.removeprefix("stated_"))
        if quantity is None:
            guess = difflib.get_close_matches(name.removeprefix("stated_"), QUANTITIES, n=1)
            hint = f"; did you mean stated_{guess[0]}?" if guess else ""
            raise SheetError(f"{path.name}: column {name}: not a quantity of xsect{hint}")
        if quantity.unit == "word":
            raise SheetError(f"{path.name}: column {name}: {quantity.name} is a word, not a number")


def _notes(header: tuple[str, ...]) -> tuple[str, ...]:
    """Tell of columns kept as unknown whose name is almost a known one."""
    notes = []
    for name in header:
        if name in COLUMNS or name.startswith("stated_"):
            continue
        guess = difflib.get_close_matches(name.casefold(), COLUMNS, n=1, cutoff=0.8)
        if guess and guess[0] not in header:
            notes.append(f"column {name} is not known and is only shown; did you mean {guess[0]}?")
    return tuple(notes)


def _sentence(path: Path, number: int, column: str, value: object, rule: str) -> str:
    return f"{path.name}: row {number}, {column} = {value}: {rule}"


def _read_row(path: Path, table: Table, number: int, cells: tuple[Cell, ...]) -> tuple[SheetRow, list[str]]:
    """Read one row; return what is good of it and the sentences of its faults."""
    faults: list[str] = []
    values: dict[str, Any] = {}
    stated: dict[str, float] = {}
    extra: dict[str, str] = {}
    if any(cell is not None for cell in cells[len(table.header) :]):
        faults.append(
            f"{path.name}: row {number}: has {len(cells)} cells where the header has {len(table.header)}: "
            "a delimiter inside a value must be quoted"
        )
    for column, cell in pad(cells, table.header).items():
        if cell is None:
            continue
        try:
            if column.startswith("stated_"):
                quantity = column.removeprefix("stated_")
                stated[quantity] = _stated(cell, quantity, decimal_comma=table.decimal_comma)
            elif column in COLUMNS:
                values[column] = _value(cell, column, decimal_comma=table.decimal_comma)
            else:
                extra[column] = cell.text if isinstance(cell, BadCell) else _text(cell)
        except _Fault as fault:
            shown = cell.text if isinstance(cell, BadCell) else _text(cell)
            faults.append(_sentence(path, number, column, shown, str(fault)))
    faults += [
        f"{path.name}: row {number}, {column}: must be given" for column in REQUIRED if not values.get(column)
    ]
    faults += [_sentence(path, number, *clash) for clash in _clashes(values)]
    image = str(values.pop("image", ""))
    row = SheetRow(
        number,
        values.pop("section", f"(row {number})"),
        path.parent / image.replace("\\", "/"),
        image,
        **values,
        stated=stated,
        extra=extra,
    )
    return row, faults


def _clashes(values: dict[str, Any]) -> list[tuple[str, object, str]]:
    """Return (column, value, rule) of columns that contradict each other."""
    clashes: list[tuple[str, object, str]] = []
    if values.get("plating_um") and values.get("plating", "none") == "none":
        clashes.append(("plating_um", f"{values['plating_um']:g}", "must come with the name of the plating"))
    if values.get("made_on", "") > values.get("cut_on", "9999"):
        clashes.append(("cut_on", values["cut_on"], f"must not be before made_on = {values['made_on']}"))
    if "u_cut_tilt_deg" in values and "cut_tilt_deg" not in values:
        clashes.append(("u_cut_tilt_deg", f"{values['u_cut_tilt_deg']:g}", "must come with cut_tilt_deg"))
    if "face_offset_um" in values and not values.get("weld"):
        clashes.append(
            ("face_offset_um", f"{values['face_offset_um']:g}", "must come with the name of the weld")
        )
    return clashes


def _value(cell: Cell, column: str, *, decimal_comma: bool) -> str | float:
    """Check one cell of a known column."""
    if column in POSITIVE:
        value = _number(cell, decimal_comma=decimal_comma)
        if value <= 0:
            raise _Fault("must be > 0 µm")
        return value
    if column == "plating_um":
        value = _number(cell, decimal_comma=decimal_comma)
        if value < 0:
            raise _Fault("must be ≥ 0 µm")
        return value
    if column == "binning":
        value = _number(cell, decimal_comma=decimal_comma)
        if value not in range(1, 17):
            raise _Fault("must be a whole number from 1 to 16")
        return value
    if column in ("cut_tilt_deg", "u_cut_tilt_deg"):
        value = _number(cell, decimal_comma=decimal_comma)
        if not 0 <= value <= 60:
            raise _Fault("must be 0 to 60 degrees")
        return value
    if column in ("plane_offset_um", "face_offset_um"):
        return _number(cell, decimal_comma=decimal_comma)
    if column in DATES:
        return _date(cell)
    text = _text(cell)
    if column in CHOICES:
        word = text.casefold()
        if word not in CHOICES[column]:
            raise _Fault(f"must be {' or '.join(CHOICES[column])}")
        return word
    if column == "plating":
        if text.casefold() in _NO_PLATING:
            raise _Fault("must be none where there is no plating")
        return text.casefold()
    return text


def _stated(cell: Cell, quantity: str, *, decimal_comma: bool) -> float:
    """Check a supplier's value: in the quantity's own unit, fractions from 0 to 1."""
    value = _number(cell, decimal_comma=decimal_comma)
    if QUANTITIES[quantity].unit == "fraction" and value > 1:
        raise _Fault("must be a fraction from 0 to 1")
    if value < 0 and quantity not in ("bond_offset", "collapse"):
        raise _Fault("must be ≥ 0")
    return value


def _number(cell: Cell, *, decimal_comma: bool) -> float:
    """Return a finite number; text only where it can be read in one way."""
    if isinstance(cell, BadCell):
        raise _Fault(cell.rule)
    if isinstance(cell, str):
        text = cell
        if _DECIMAL_COMMA.fullmatch(text):
            if not decimal_comma or _GROUPED.fullmatch(text):
                raise _Fault("the comma can be read in two ways: write the number with a decimal point")
            text = text.replace(",", ".")
        if not _NUMBER.fullmatch(text):
            raise _Fault("must be a plain number, without unit or grouping")
        cell = float(text)
    if isinstance(cell, bool) or not isinstance(cell, int | float):
        raise _Fault("must be a number")
    if not math.isfinite(cell):
        raise _Fault("must be finite")
    return float(cell)


def _date(cell: Cell) -> str:
    """Return an ISO date; other spellings leave open which number is the month."""
    if isinstance(cell, BadCell):
        raise _Fault(cell.rule)
    if isinstance(cell, datetime):
        return cell.date().isoformat()
    if isinstance(cell, date):
        return cell.isoformat()
    try:
        return datetime.fromisoformat(str(cell)).date().isoformat() if "-" in str(cell) else _not_a_date()
    except ValueError:
        return _not_a_date()


def _not_a_date() -> str:
    raise _Fault("must be a date written as 2026-03-31")


def _text(cell: Cell) -> str:
    """Return a cell as text on one line; a whole number that a spreadsheet keeps as 12.0 reads 12."""
    if isinstance(cell, BadCell):
        raise _Fault(cell.rule)
    if isinstance(cell, datetime) and cell.time() == datetime.min.time():
        return cell.date().isoformat()
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    return " ".join(str(cell).split())
