"""Tables in: the cells of a CSV or XLSX file, told apart by what is inside, never by the file's name."""

from __future__ import annotations

import csv
import hashlib
import io
import warnings
from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, time
from itertools import zip_longest
from pathlib import Path

DELIMITERS = ",;\t"


class SheetError(ValueError):
    """A table that cannot be read at all; its message is one line that names the file."""


@dataclass(frozen=True)
class BadCell:
    """A cell that holds no value: a spreadsheet's error, or a formula that was never computed."""

    text: str
    rule: str


Cell = str | int | float | bool | date | datetime | time | BadCell | None
"""What a cell may hold; text is stripped, None is an empty cell."""


@dataclass(frozen=True)
class Table:
    """Header and rows of a table.

    ``rows`` hold (row number as a spreadsheet shows it, cells); blank rows are left out. ``decimal_comma``
    tells that cells are parted by semicolons, so that a comma inside a number does not part cells.
    """

    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]
    sha256: str
    decimal_comma: bool = False


def read_table(path: Path, *, key: str) -> Table:
    """Read a CSV (UTF-8; parted by comma, semicolon or tab) or the first sheet of an XLSX workbook.

    ``key`` is a column that the header should hold: it decides which delimiter is meant. Raises SheetError
    for a file that is missing, empty or neither of the two, and for a header that is blank or repeats a name.
    """
    data = _read_bytes(path)
    sha256 = hashlib.sha256(data).hexdigest()
    if data.startswith(b"PK\x03\x04"):
        records, decimal_comma = _xlsx_records(path, data), False
    else:
        text = _csv_text(path, data)
        delimiter = _delimiter(text, key)
        records, decimal_comma = _csv_records(path, text, delimiter), delimiter == ";"
    if not records or all(cell is None for cell in records[0]):
        raise SheetError(f"{path.name}: row 1 must hold the column names, and is empty")
    header = _header(path, records[0])
    rows = tuple(
        (number, tuple(cells))
        for number, cells in enumerate(records[1:], start=2)
        if any(cell is not None for cell in cells)
    )
    if not rows:
        raise SheetError(f"{path.name}: there is no row below the column names")
    return Table(header, rows, sha256, decimal_comma)


def _read_bytes(path: Path) -> bytes:
    if path.is_dir():
        raise SheetError(f"{path}: is a folder, not a CSV or XLSX file")
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise SheetError(f"{path}: no such file") from None
    except OSError as error:
        raise SheetError(f"{path}: cannot be read ({error.strerror})") from None
    if not data.strip():
        raise SheetError(f"{path.name}: the file is empty")
    return data


def _csv_text(path: Path, data: bytes) -> str:
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise SheetError(f"{path.name}: an XLS workbook of the old kind: save it as XLSX or as CSV UTF-8")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise SheetError(
            f"{path.name}: line {line} holds byte 0x{data[error.start]:02x}, which is not UTF-8: "
            "save the sheet as CSV UTF-8"
        ) from None
    if "\0" in text:
        raise SheetError(f"{path.name}: not a CSV or XLSX file (it holds null bytes)")
    return text


def _delimiter(text: str, key: str) -> str:
    """Return the delimiter that parts out the column ``key``, else the one that gives the most columns."""

    def quality(delimiter: str) -> tuple[bool, int]:
        header = next(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), [])
        return key in {name.strip().casefold() for name in header}, len(header)

    return max(DELIMITERS, key=quality)


def _csv_records(path: Path, text: str, delimiter: str) -> list[list[Cell]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        return [[cell.strip() or None for cell in record] for record in reader]
    except csv.Error as error:
        raise SheetError(f"{path.name}: line {reader.line_num}: not valid CSV ({error})") from None


def _xlsx_records(path: Path, data: bytes) -> list[list[Cell]]:
    """Read the first sheet twice, as values and as formulas: a formula without a stored value must not pass
    as an empty cell."""
    import openpyxl  # type: ignore[import-untyped]

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sheets = []
            for data_only in (True, False):
                book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=data_only)
                sheet = book.worksheets[0]
                sheet.reset_dimensions()  # a stored size may be wrong, and would hide rows
                sheets.append([[(cell.value, cell.data_type) for cell in row] for row in sheet.iter_rows()])
    except Exception:  # a damaged archive raises zlib.error, EOFError, NotImplementedError and many others
        raise SheetError(f"{path.name}: not a readable XLSX workbook") from None
    values, formulas = sheets
    return [
        [_xlsx_cell(value, kind, formula) for (value, kind), (formula, _) in zip(*pair, strict=True)]
        for pair in zip(values, formulas, strict=True)
    ]


def _xlsx_cell(value: object, kind: str, formula: object) -> Cell:
    if value is None and formula is not None:
        return BadCell(str(formula), "the formula has no stored value: open and save the workbook once")
    if kind == "e":
        return BadCell(str(value), "a spreadsheet error, not a value")
    if isinstance(value, str):
        return value.strip() or None
    if value is None or isinstance(value, bool | int | float | date | datetime | time):
        return value
    return BadCell(str(value), "neither text, number nor date")


def _header(path: Path, cells: list[Cell]) -> tuple[str, ...]:
    """Return the column names as written; a column without a name is called by its number."""
    while cells[-1] is None:
        cells = cells[:-1]
    names = tuple(
        f"column {index}" if cell is None else " ".join(str(cell).split())
        for index, cell in enumerate(cells, start=1)
    )
    for name, count in Counter(name.casefold() for name in names).items():
        if count > 1:
            raise SheetError(f"{path.name}: column {name} stands {count} times in the header")
    return names


def pad(cells: tuple[Cell, ...], names: tuple[str, ...]) -> dict[str, Cell]:
    """Pair the cells of a row with the column names; missing cells at the end are empty."""
    return dict(zip_longest(names, cells[: len(names)]))
