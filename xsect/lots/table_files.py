"""Tables in files: CSV and Parquet (a folder, one file a table) and XLSX (one workbook), written and read without loss.

Floats keep every digit. In CSV, text that a spreadsheet would run as a formula carries an apostrophe in front, as does
text that begins with one; reading takes it off again. In XLSX, characters that XML cannot hold are written by their
numbers (_x0007_), the way spreadsheets do it themselves.
"""

from __future__ import annotations

import csv
import io
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, Final, Literal

from xsect.lots.database import StoreError

Kind = Literal["text", "int", "float"]
Values = tuple[Any, ...]
Columns = Sequence[tuple[str, Kind]]
Write = Callable[[str, Columns, Iterable[Values]], None]
"""Writes one table: its name, its columns with their kinds, its rows."""

FORMATS: Final = ("csv", "parquet", "xlsx")
XLSX_ROWS: Final = 1_048_576
XLSX_CHARACTERS: Final = 32_767
_BATCH: Final = 20_000
_NUMBERS: Final[dict[Kind, type]] = {"int": int, "float": float}
_GUARDED: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "'")


def csv_writer(folder: Path) -> Write:
    """Return what writes tables as CSV files into a folder."""

    def write(name: str, columns: Columns, rows: Iterable[Values]) -> None:
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            # Text in quotes: else a lone carriage return would be read as the end of a line.
            writer = csv.writer(file, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\n")
            writer.writerow([column for column, _ in columns])
            writer.writerows([_guarded(value) for value in row] for row in rows)

    return write


def _guarded(value: Any) -> Any:
    return f"'{value}" if isinstance(value, str) and value.startswith(_GUARDED) else value


def read_csv(folder: Path, name: str, columns: Columns) -> Iterator[Values]:
    """Yield the rows of a table written by ``csv_writer``; raise StoreError naming file, row, column and value."""
    path = folder / f"{name}.csv"
    csv.field_size_limit(sys.maxsize)
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.reader(file)
        _check_header(path.name, next(reader, []), columns)
        for number, cells in enumerate(reader, 2):
            if len(cells) != len(columns):
                raise StoreError(
                    f"{path.name}: row {number}: must have {len(columns)} cells, has {len(cells)}"
                )
            yield tuple(
                _read_cell(f"{path.name}: row {number}", column, kind, cell)
                for (column, kind), cell in zip(columns, cells, strict=True)
            )


def _read_cell(place: str, column: str, kind: Kind, cell: str) -> Any:
    if kind == "text":
        return cell[1:] if cell.startswith("'") else cell
    return None if cell == "" else _as_number(place, column, kind, cell)


def _as_number(place: str, column: str, kind: Kind, value: Any) -> Any:
    try:
        return _NUMBERS[kind](value)
    except (TypeError, ValueError):
        raise StoreError(f"{place}, {column} = {value}: must be a number") from None


def _check_header(place: str, found: Sequence[Any], columns: Columns) -> None:
    wanted = [column for column, _ in columns]
    if list(found) != wanted:
        wrong = next(
            (f"{a} where {b} must be" for a, b in zip(found, wanted, strict=False) if a != b), "too short"
        )
        raise StoreError(f"{place}: row 1: the columns are not those of an export: {wrong}")


def parquet_writer(folder: Path) -> Write:
    """Return what writes tables as Parquet files into a folder; raise StoreError without the library for it."""
    pa, pq = _arrow()

    def write(name: str, columns: Columns, rows: Iterable[Values]) -> None:
        types = {"text": pa.string(), "int": pa.int64(), "float": pa.float64()}
        schema = pa.schema([(column, types[kind]) for column, kind in columns])
        with pq.ParquetWriter(folder / f"{name}.parquet", schema) as writer:
            for batch in _batches(rows):
                arrays = [
                    pa.array(list(part), field.type)
                    for part, field in zip(zip(*batch, strict=True), schema, strict=True)
                ]
                writer.write_table(pa.Table.from_arrays(arrays, schema=schema))

    return write


def read_parquet(folder: Path, name: str, columns: Columns) -> Iterator[Values]:
    """Yield the rows of a table written by ``parquet_writer``."""
    pa, pq = _arrow()
    path = folder / f"{name}.parquet"
    try:
        with pq.ParquetFile(path) as file:
            _check_header(path.name, file.schema_arrow.names, columns)
            for batch in file.iter_batches(_BATCH):
                yield from zip(*(column.to_pylist() for column in batch.columns), strict=True)
    except pa.ArrowInvalid as error:
        raise StoreError(f"{path.name}: is not a Parquet file: {str(error).splitlines()[0]}") from error


def _arrow() -> tuple[Any, Any]:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise StoreError("Parquet needs the library for it: pip install 'xsect[parquet]'") from error
    return pa, pq


def _batches(rows: Iterable[Values]) -> Iterator[list[Values]]:
    rest = iter(rows)
    while batch := list(islice(rest, _BATCH)):
        yield batch


class Workbook:
    """A workbook being written, one sheet a table; ``save`` writes the file, ``drop`` gives it up."""

    def __init__(self) -> None:
        """Begin an empty one."""
        from openpyxl import Workbook as Book  # type: ignore[import-untyped]

        self._book = Book(write_only=True)

    def write(self, name: str, columns: Columns, rows: Iterable[Values]) -> None:
        """Write one table; raise StoreError where a sheet cannot hold it."""
        from openpyxl.cell import WriteOnlyCell  # type: ignore[import-untyped]

        sheet = self._book.create_sheet(name)
        sheet.freeze_panes = "A2"
        sheet.append([column for column, _ in columns])
        for number, row in enumerate(rows, 2):
            if number > XLSX_ROWS:
                raise StoreError(f"{name}: has more rows than the {XLSX_ROWS} of a sheet: use csv or parquet")
            cells = []
            for (column, kind), value in zip(columns, row, strict=True):
                cell = WriteOnlyCell(sheet)
                if kind == "text" and value:
                    cell.value, cell.data_type = self._text(f"{name}: row {number}, {column}", value), "s"
                    cell.quotePrefix = value.startswith(_GUARDED)
                elif kind != "text" and value is not None:
                    # as text of a number: the library itself writes only 16 digits
                    cell.value, cell.data_type = repr(value), "n"
                cells.append(cell)
            sheet.append(cells)

    @staticmethod
    def _text(place: str, value: str) -> str:
        text = _to_xml(value)
        if len(text) > XLSX_CHARACTERS:
            rule = f"{len(text)} characters, a cell of a workbook holds {XLSX_CHARACTERS}: use csv or parquet"
            raise StoreError(f"{place}: {rule}")
        return text

    def save(self, path: Path) -> None:
        """Write the file."""
        self._book.save(path)

    def drop(self) -> None:
        """Give the workbook up; only saving it, here into nothing, removes the library's scratch files."""
        self._book.save(io.BytesIO())


def read_xlsx(path: Path, name: str, columns: Columns) -> Iterator[Values]:
    """Yield the rows of a table written by ``Workbook``; raise StoreError naming sheet, row, column and value."""
    from openpyxl import load_workbook

    book = load_workbook(path, read_only=True)
    try:
        if name not in book.sheetnames:
            raise StoreError(f"{path.name}: has no sheet {name}")
        rows = book[name].iter_rows(values_only=True, max_col=len(columns))
        _check_header(f"{path.name}, {name}", next(rows, ()), columns)
        for number, row in enumerate(rows, 2):
            place = f"{path.name}, {name}: row {number}"
            yield tuple(
                _from_sheet(place, column, kind, value)
                for (column, kind), value in zip(columns, row, strict=True)
            )
    finally:
        book.close()


def _from_sheet(place: str, column: str, kind: Kind, value: Any) -> Any:
    if kind == "text":
        return "" if value is None else _from_xml(str(value))
    return None if value is None else _as_number(place, column, kind, value)


def _to_xml(text: str) -> str:
    return re.sub(
        r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)",
        lambda found: f"_x{ord(found[0]):04X}_",
        text,
    )


def _from_xml(text: str) -> str:
    return re.sub(r"_x([0-9A-Fa-f]{4})_", lambda found: chr(int(found[1], 16)), text)
