"""Study files: tables of repeated measurements, of repeated verdicts, or of values beside references."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from xsect.capture.tables import BadCell, Cell, SheetError, pad, read_table
from xsect.lots.rows import RowsError

Kind = Literal["measured", "verdicts", "reference"]
COLUMNS: Final = ("part", "appraiser", "trial", "value", "verdict", "reference")


@dataclass(frozen=True)
class StudyRow:
    """One row of a study; texts are "" and numbers NaN where the file has no such column."""

    part: str
    appraiser: str
    trial: str
    value: float
    verdict: str
    reference: str


@dataclass(frozen=True)
class StudyFile:
    """A study: what kind it is, and its rows."""

    kind: Kind
    rows: tuple[StudyRow, ...]


def read_study(path: Path) -> StudyFile:
    """Read a study (CSV or XLSX) and tell by its columns what it is.

    part, appraiser, trial, value: repeated measurements. part, appraiser, trial, verdict, and perhaps reference:
    repeated verdicts. part, reference, value: values beside references. Raises RowsError, one line.
    """
    try:
        table = read_table(path, key="part")
    except SheetError as error:
        raise RowsError(str(error)) from error
    header = tuple(name.casefold() for name in table.header)
    has = set(header)
    kind: Kind
    needed: tuple[str, ...]
    if "part" not in has:
        raise RowsError(f"{path.name}: column part is missing; the header reads: {', '.join(header)[:120]}")
    if "verdict" in has:
        kind, needed = "verdicts", ("appraiser",)
    elif {"value", "reference"} <= has:
        kind, needed = "reference", ()
    else:
        kind, needed = "measured", ("appraiser", "trial", "value")
    for name in needed:
        if name not in has:
            raise RowsError(
                f"{path.name}: column {name} is missing: a study has part, appraiser, trial and value"
            )
    rows = []
    for number, cells in table.rows:
        named = pad(cells, header)
        texts = {name: _text(path, number, name, named.get(name)) for name in COLUMNS}
        for name in ("part", *needed):
            if not texts[name]:
                raise RowsError(f"{path.name}: row {number}, {name}: must be given")
        if kind == "verdicts" and not texts["verdict"]:
            raise RowsError(f"{path.name}: row {number}, verdict: must be given")
        value = _number(path, number, "value", texts["value"]) if kind != "verdicts" else math.nan
        if kind == "reference":
            _number(path, number, "reference", texts["reference"])
        rows.append(
            StudyRow(
                texts["part"],
                texts["appraiser"],
                texts["trial"] or "1",
                value,
                texts["verdict"],
                texts["reference"],
            )
        )
    return StudyFile(kind, tuple(rows))


def _text(path: Path, number: int, name: str, cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, BadCell):
        raise RowsError(f"{path.name}: row {number}, {name} = {cell.text}: {cell.rule}")
    return str(int(cell)) if isinstance(cell, float) and cell.is_integer() else str(cell).strip()


def _number(path: Path, number: int, name: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise RowsError(f"{path.name}: row {number}, {name} = {text}: must be a plain number")
    return value
