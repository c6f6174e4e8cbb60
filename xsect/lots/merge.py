"""Merging an export into a store: what is there already is left alone, what contradicts it is refused."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterator
from itertools import islice
from typing import Any, Final

from sqlalchemy import Connection, Table, func, insert, select, text

from xsect.lots.database import Store, StoreError
from xsect.lots.encode import Row, to_json
from xsect.lots.schema import (
    TABLES,
    calibrations,
    corrections,
    criteria,
    events,
    measurements,
    runs,
    sections,
    verdicts,
)  # fmt: skip

_BATCH: Final = 5_000
_SECTION: Final = ("supplier", "lot", "section")
_WELD: Final = ("supplier", "lot", "weld")
_IDS_IN_DETAIL: Final = ("by", "supersedes")
"""Parts of an event's detail that are ids of section versions."""

_Place = Callable[[Row], Row | None]
"""Gives a row of the export with this store's ids, None where the store has it already."""


class Merge:
    """One import into one store, inside one transaction; ``add`` takes the tables in the order of ``TABLES``.

    Rows are numbered after those that the store holds, so that an empty store gets them numbered as they were.
    """

    def __init__(self, store: Store, connection: Connection) -> None:
        """Keep other writers out, and learn how far the store has counted."""
        self._store, self._connection = store, connection
        if connection.dialect.name == "postgresql":
            names = ", ".join(table.name for table in TABLES)
            connection.execute(text(f"LOCK TABLE {names} IN SHARE ROW EXCLUSIVE MODE"))
        self._last = {
            table.name: int(connection.execute(select(func.max(table.c.id))).scalar() or 0)
            for table in TABLES
            if "id" in table.c
        }
        self._ids: dict[str, dict[int, int]] = {"runs": {}, "sections": {}}
        self._there: set[int] = set()

    def add(self, table: Table, rows: Iterator[Row]) -> tuple[int, int]:
        """Add the rows of a table that the store has not; return (number added, number there already)."""
        place = self._placer(table)
        added = there = 0
        while batch := list(islice(rows, _BATCH)):
            new = [row for row in map(place, batch) if row is not None]
            if new:
                self._connection.execute(insert(table), new)
            added, there = added + len(new), there + len(batch) - len(new)
        if added and "id" in table.c and self._connection.dialect.name == "postgresql":
            # explicit ids leave its own counting behind
            last = f"(SELECT max(id) FROM {table.name})"
            self._connection.execute(
                text(f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), {last})")
            )
        return added, there

    def _placer(self, table: Table) -> _Place:
        if table in (runs, events):
            return self._by_content(table)
        if table in (criteria, calibrations):
            return self._files(table)
        if table is corrections:
            return self._corrections()
        if table in (measurements, verdicts):
            return self._of_sections
        return self._versions(table, *((_SECTION, "key") if table is sections else (_WELD, "digest")))

    def _numbered(self, table: Table, row: Row, old: int) -> Row:
        new = self._last[table.name] + old
        if table.name in self._ids:
            self._ids[table.name][old] = new
        return {**row, "id": new}

    def _by_content(self, table: Table) -> _Place:
        """Take rows that are alike but for their number, as often as the store has them, for the same."""
        names = [column.name for column in table.columns if column.name != "id"]
        held: dict[Hashable, list[int]] = defaultdict(list)
        for found in self._connection.execute(select(table).order_by(table.c.id.desc())).mappings():
            held[tuple(found[name] for name in names)].append(found["id"])

        def place(row: Row) -> Row | None:
            old = row["id"]
            row = self._event(row) if table is events else row
            same = held.get(tuple(row[name] for name in names))
            if not same:
                return self._numbered(table, row, old)
            if table is runs:
                self._ids["runs"][old] = same.pop()
            else:
                same.pop()
            return None

        return place

    def _event(self, row: Row) -> Row:
        def here(kind: str, old: int | None) -> int | None:
            return None if old is None else self._ids[kind].get(old, old)

        detail = json.loads(row["detail"])
        detail |= {name: here("sections", detail[name]) for name in _IDS_IN_DETAIL if name in detail}
        return {
            **row,
            "run_id": here("runs", row["run_id"]),
            "section_id": here("sections", row["section_id"]),
            "detail": to_json(detail),
        }

    def _files(self, table: Table) -> _Place:
        held = {row.sha256: row.content for row in self._connection.execute(select(table))}

        def place(row: Row) -> Row | None:
            if row["sha256"] not in held:
                return row
            if held[row["sha256"]] != row["content"]:
                raise self._refused(f"{table.name}: {row['name']}: the same hash with another content")
            return None

        return place

    def _versions(self, table: Table, naming: tuple[str, ...], result: str) -> _Place:
        """Take versions of one name and number for the same where result, inputs, time and run are."""
        of = table.c
        columns = (*naming, "version", "id", "digest", result, "at", "run_id")
        held = {
            tuple(row[:4]): tuple(row[4:])
            for row in self._connection.execute(select(*(of[name] for name in columns)))
        }

        def place(row: Row) -> Row | None:
            row = {**row, "run_id": self._ids["runs"][row["run_id"]]}
            found = held.get(tuple(row[name] for name in (*naming, "version")))
            if found is None:
                return self._numbered(table, row, row["id"])
            if found[1:] != tuple(row[name] for name in ("digest", result, "at", "run_id")):
                what = ", ".join(f"{name} {row[name]}" for name in naming if row[name])
                raise self._refused(
                    f"{what}: its version {row['version']} of {found[3]} is another than the export's of {row['at']}"
                )
            if table is sections:
                self._ids["sections"][row["id"]] = found[0]
                self._there.add(found[0])
            return None

        return place

    def _of_sections(self, row: Row) -> Row | None:
        section = self._ids["sections"][row["section_id"]]
        return None if section in self._there else {**row, "section_id": section}

    def _corrections(self) -> _Place:
        """Take corrections in their order: of two stores' corrections of one value, which came last cannot be told."""
        names = [column.name for column in corrections.columns if column.name != "id"]
        held: dict[Hashable, list[tuple[Any, ...]]] = defaultdict(list)
        for found in self._connection.execute(select(corrections).order_by(corrections.c.id)).mappings():
            held[_of_value(found)].append(tuple(found[name] for name in names))
        seen: Counter[Hashable] = Counter()

        def place(row: Row) -> Row | None:
            key = _of_value(row)
            before, number = held[key], seen[key]
            seen[key] += 1
            if number >= len(before):
                return self._numbered(corrections, row, row["id"])
            if before[number] != tuple(row[name] for name in names):
                what = ", ".join(f"{name} {row[name]}" for name in _SECTION if row[name])
                raise self._refused(
                    f"{what}: {row['quantity'] or 'decision'}: its correction of {before[number][0]} by "
                    f"{before[number][1]} is another than the export's of {row['at']} by {row['who']}"
                )
            return None

        return place

    def _refused(self, what: str) -> StoreError:
        return StoreError(f"{self._store.name}: {what}; nothing was imported")


def _of_value(row: Any) -> Hashable:
    return tuple(row[name] for name in (*_SECTION, "quantity", "segment"))
