"""What a store holds, in short: lots, sections of a lot, and whether all of it is as it was kept."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby

from sqlalchemy import Connection, Table, func, select, text

from xsect.lots.database import Store, StoreError
from xsect.lots.encode import Row, digest
from xsect.lots.rows import WELD
from xsect.lots.schema import measurements, sections, verdicts, welds
from xsect.lots.store import Name, current

_BATCH = 500


@dataclass(frozen=True)
class LotLine:
    """One lot: its sections by verdict of the clauses ("" where not judged), how many need a look, last day."""

    supplier: str
    lot: str
    verdicts: dict[str, int]
    looks: int
    last: str

    @property
    def sections(self) -> int:
        """How many sections hold."""
        return sum(self.verdicts.values())


@dataclass(frozen=True)
class SectionLine:
    """One section: the version that holds, when it was kept, its status and its clauses' verdict."""

    name: Name
    version: int
    at: str
    status: str
    verdict: str


def lots_in(store: Store) -> tuple[LotLine, ...]:
    """Return the lots of a store, by supplier and lot."""
    of = sections.c
    query = (
        current(
            of.supplier,
            of.lot,
            of.verdict,
            of.status,
            func.count().label("number"),
            func.max(of.at).label("at"),
        )
        .group_by(of.supplier, of.lot, of.verdict, of.status)
        .order_by(of.supplier, of.lot)
    )
    with store.reading() as connection:
        rows = connection.execute(query).all()
    lots = []
    for (supplier, lot), group in groupby(rows, key=lambda row: (row.supplier, row.lot)):
        counts: dict[str, int] = {}
        parts = list(group)
        for row in parts:
            counts[row.verdict] = counts.get(row.verdict, 0) + row.number
        looks = sum(row.number for row in parts if row.status == "needs_review")
        lots.append(LotLine(supplier, lot, counts, looks, max(row.at for row in parts)[:10]))
    return tuple(lots)


def sections_in(store: Store, lot: str, supplier: str | None = None) -> tuple[SectionLine, ...]:
    """Return the sections of a lot, of all suppliers that have one of that name where none is named."""
    of = sections.c
    query = current(of.supplier, of.lot, of.section, of.version, of.at, of.status, of.verdict)
    query = query.where(of.lot == lot).order_by(of.supplier, of.id)
    if supplier is not None:
        query = query.where(of.supplier == supplier)
    with store.reading() as connection:
        return tuple(SectionLine(Name(*row[:3]), *row[3:]) for row in connection.execute(query))


def named(store: Store, lot: str, section: str, supplier: str | None = None) -> Name:
    """Return the full name of a section; raise StoreError where there is none, or several suppliers have one."""
    found = [line.name for line in sections_in(store, lot, supplier) if line.name.section == section]
    if not found:
        raise StoreError(f"{store.name}: lot {lot}, section {section}: no such section in the store")
    if len(found) > 1:
        suppliers = ", ".join(name.supplier or "(none)" for name in found)
        raise StoreError(f"{store.name}: lot {lot}, section {section}: name the supplier, one of {suppliers}")
    return found[0]


def check(store: Store) -> tuple[str, ...]:
    """Return what is wrong with a store, a line each: damage to the file, results that are not what was kept.

    Each section's result is hashed again: a value changed behind the store's back shows here.
    """
    faults = []
    with store.reading() as connection:
        if connection.dialect.name == "sqlite":
            faults += [
                f"{store.name}: {line}"
                for (line,) in connection.execute(text("PRAGMA integrity_check"))
                if line != "ok"
            ]
        for section, measured, judged in _results(connection):
            if digest(section, measured, judged) != section["digest"]:
                name = Name(section["supplier"], section["lot"], section["section"])
                faults.append(f"{store.name}: {name}: version {section['version']} is not what was kept")
        for row in map(dict, connection.execute(select(welds)).mappings()):
            if digest(row) != row["digest"]:
                name = Name(row["supplier"], row["lot"], f"{WELD}{row['weld']}")
                faults.append(f"{store.name}: {name}: version {row['version']} is not what was kept")
    return tuple(faults)


def _results(connection: Connection) -> Iterator[tuple[Row, list[Row], list[Row]]]:
    """Yield every section version with its rows, a batch of sections at a time."""
    last = 0
    while batch := [
        dict(row)
        for row in connection.execute(
            select(sections).where(sections.c.id > last).order_by(sections.c.id).limit(_BATCH)
        ).mappings()
    ]:
        span = (batch[0]["id"], batch[-1]["id"])
        measured, judged = (_by_section(connection, table, span) for table in (measurements, verdicts))
        for section in batch:
            yield section, measured.get(section["id"], []), judged.get(section["id"], [])
        last = span[1]


def _by_section(connection: Connection, table: Table, span: tuple[int, int]) -> dict[int, list[Row]]:
    query = select(table).where(table.c.section_id.between(*span)).order_by(table.c.section_id, table.c.place)
    rows = connection.execute(query).mappings()
    return {
        section: [dict(row) for row in group]
        for section, group in groupby(rows, key=lambda row: row["section_id"])
    }
