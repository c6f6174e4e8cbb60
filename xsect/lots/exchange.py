"""Export and import: a whole store as CSV, Parquet or XLSX, and back into an empty store or one that holds others.

Beside the store's own tables an export holds ``as_it_stands``: every section that holds, corrections applied, for
people and other programs; import does not read it. ``contents`` tells what was exported and the hash of each table,
so that an export that was changed afterwards is refused.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, Final, Literal

from sqlalchemy import Float, Integer, Table, select

import xsect
from xsect.lots import table_files
from xsect.lots.database import Store, StoreError
from xsect.lots.events import append, now
from xsect.lots.merge import Merge
from xsect.lots.schema import REVISION, TABLES
from xsect.lots.standing import STANDING_COLUMNS, standing_rows
from xsect.lots.table_files import Columns, Kind, Values, Write

Format = Literal["csv", "parquet", "xlsx"]

CONTENTS: Final = "contents"
_CONTENTS_COLUMNS: Final[Columns] = (
    ("table", "text"), ("rows", "int"), ("sha256", "text"), ("schema", "text"), ("tool", "text"), ("at", "text"),
)  # fmt: skip
_BATCH: Final = 5_000
_Read = Callable[[str, Columns], Iterator[Values]]


def export_store(store: Store, to: Path, form: Format) -> dict[str, int]:
    """Write the whole store to ``to``: a folder for csv and parquet, a file for xlsx; return the rows of each table.

    What is there already is never overwritten. Raises StoreError where it cannot be written, or the format cannot
    hold it.
    """
    if to.exists():
        raise StoreError(f"{to}: is there already; an export overwrites nothing")
    try:
        to.absolute().parent.mkdir(parents=True, exist_ok=True)
        # written whole under another name first: an export is there in full or not at all
        with tempfile.TemporaryDirectory(prefix=".xsect-", dir=to.absolute().parent) as half:
            made = Path(half) / to.name
            if form == "xlsx":
                counts = _write_workbook(store, made)
            else:
                made.mkdir()
                writers = {"csv": table_files.csv_writer, "parquet": table_files.parquet_writer}
                counts = _write_all(store, writers[form](made))
            os.replace(made, to)
    except OSError as error:
        raise StoreError(f"{to}: the export cannot be written: {error.strerror or error}") from error
    return counts


def _write_workbook(store: Store, path: Path) -> dict[str, int]:
    book = table_files.Workbook()
    try:
        counts = _write_all(store, book.write)
    except BaseException:
        book.drop()
        raise
    book.save(path)
    return counts


def _write_all(store: Store, write: Write) -> dict[str, int]:
    sums: dict[str, _Sum] = {}
    with store.reading() as connection:
        for table in TABLES:
            sums[table.name] = _Sum()
            rows = connection.execution_options(yield_per=_BATCH).execute(_in_order(table))
            write(table.name, columns_of(table), sums[table.name].over(tuple(row) for row in rows))
        standing = _Sum()
        write("as_it_stands", STANDING_COLUMNS, standing.over(standing_rows(store, connection)))
    at = now()
    lines = [(name, one.rows, one.digest, REVISION, xsect.__version__, at) for name, one in sums.items()]
    write(CONTENTS, _CONTENTS_COLUMNS, lines)
    return {name: one.rows for name, one in sums.items()} | {"as_it_stands": standing.rows}


def import_store(store: Store, source: Path, *, who: str, why: str = "") -> dict[str, tuple[int, int]]:
    """Add an export to a store, all of it or nothing; return (rows added, rows there already) of each table.

    An empty store is filled row for row. Raises StoreError where the store holds another version of the same name or
    another correction of the same value, and where the export is not whole, not of this schema, or was changed.
    """
    read = _reader(source)
    try:
        told = {line[0]: line for line in read(CONTENTS, _CONTENTS_COLUMNS)}
        _check_contents(source, told)
        with store.writing() as connection:
            merge = Merge(store, connection)
            counts = {table.name: _add(merge, table, read, source, told[table.name]) for table in TABLES}
            if any(added for added, _ in counts.values()):
                append(connection, "imported", at=now(), who=who, why=why, source=source.name)
    except OSError as error:
        raise StoreError(f"{source}: cannot be read: {error.strerror or error}") from error
    return counts


def _reader(source: Path) -> _Read:
    """Return what reads the tables of an export, by what it is."""
    if (source / f"{CONTENTS}.csv").is_file():
        return lambda name, columns: table_files.read_csv(source, name, columns)
    if (source / f"{CONTENTS}.parquet").is_file():
        return lambda name, columns: table_files.read_parquet(source, name, columns)
    if source.is_file() and source.read_bytes()[:4] == b"PK\3\4":
        return lambda name, columns: table_files.read_xlsx(source, name, columns)
    what = "no such file or folder" if not source.exists() else "is not an export of a record store"
    raise StoreError(f"{source}: {what}")


def _check_contents(source: Path, told: dict[str, Values]) -> None:
    missing = [table.name for table in TABLES if table.name not in told]
    if missing:
        raise StoreError(f"{source}: {CONTENTS}: the table {missing[0]} is missing")
    schema = told[TABLES[0].name][3]
    if schema != REVISION:
        raise StoreError(
            f"{source}: holds schema {schema}, this version of xsect reads {REVISION}: export again with this version"
        )


def _add(merge: Merge, table: Table, read: _Read, source: Path, told: Values) -> tuple[int, int]:
    columns = columns_of(table)
    names = [column for column, _ in columns]
    found = _Sum()
    rows = found.over(read(table.name, columns))
    counts = merge.add(table, (dict(zip(names, row, strict=True)) for row in rows))
    if (found.rows, found.digest) != (told[1], told[2]):
        raise StoreError(
            f"{source}: table {table.name} was changed after the export ({found.rows} rows, {told[1]} exported)"
        )
    return counts


class _Sum:
    """Counts and hashes the rows that pass through."""

    def __init__(self) -> None:
        self.rows = 0
        self._hash = hashlib.sha256()

    def over(self, rows: Iterable[Values]) -> Iterator[Values]:
        for row in rows:
            self.rows += 1
            self._hash.update(json.dumps(row, allow_nan=False, separators=(",", ":")).encode())
            yield row

    @property
    def digest(self) -> str:
        return self._hash.hexdigest()


def columns_of(table: Table) -> list[tuple[str, Kind]]:
    """Return the columns of a table with their kinds."""
    return [(column.name, _kind(column.type)) for column in table.columns]


def _kind(type_: Any) -> Kind:
    return "int" if isinstance(type_, Integer) else "float" if isinstance(type_, Float) else "text"


def _in_order(table: Table) -> Any:
    return select(table).order_by(*table.primary_key.columns)
