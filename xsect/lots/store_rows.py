"""Rows from a record store: one quantity of all sections and welds as it stands, corrections applied."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

from sqlalchemy import select

from xsect.lots.corrections import BY_HAND, as_it_stands
from xsect.lots.database import Store, StoreError, open_store
from xsect.lots.rows import CHORDS, VERDICT_WORDS, Row, RowsError, welds_for_sections, without_chords
from xsect.lots.schema import corrections, measurements, sections, verdicts
from xsect.lots.store import Name, current
from xsect.lots.welds import QUANTITY, KeptWeld, welds_holding
from xsect.quantities import Measurement

_NAME = ("supplier", "lot", "section")


def is_store(source: str | Path) -> bool:
    """Return whether a source is a record store: a URL, or a file that SQLite wrote."""
    if "://" in str(source):
        return True
    path = Path(source)
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(16) == b"SQLite format 3\0"


def store_rows(
    where: str | Path, quantity: str, segment: int | None
) -> tuple[list[Row], set[int | None], list[str]]:
    """Return the rows of a quantity, in the order the sections were kept, the segments that there are, and notes.

    Raises RowsError, one line, where the store cannot be read.
    """
    try:
        with open_store(where) as store:
            rows = list(_rows(store, quantity, segment))
            notes: list[str] = []
            if quantity == QUANTITY and segment is None:
                rows = list(welds_for_sections(rows, _welds(store)))
            elif quantity in CHORDS:
                rows, notes = without_chords(quantity, rows, _in_series(store))
            found = {segment} if rows else _segments(store, quantity)
    except StoreError as error:
        raise RowsError(str(error)) from error
    return rows, found, notes


def _welds(store: Store) -> list[tuple[Row, list[str]]]:
    with store.reading() as connection:
        return [
            (_weld(weld, store.name), [name.section for name in weld.cuts])
            for weld in welds_holding(connection)
        ]


def _in_series(store: Store) -> set[tuple[str, str, str]]:
    with store.reading() as connection:
        cuts = [name for weld in welds_holding(connection) for name in weld.cuts]
    return {(name.supplier, name.lot, name.section) for name in cuts}


def _weld(weld: KeptWeld, source: str) -> Row:
    row, name = weld.row, weld.name
    value, u = (math.nan if row[part] is None else row[part] for part in ("value", "u"))
    return Row(
        name.section, value, name.lot, u, row["u_scale"] or 0.0, weld.status, "", name.supplier, row["line"],
        row["made_on"], source,
    )  # fmt: skip


def _segments(store: Store, quantity: str) -> set[int | None]:
    query = select(measurements.c.segment).where(measurements.c.quantity == quantity).distinct()
    with store.reading() as connection:
        return {row[0] for row in connection.execute(query)}


def _rows(store: Store, quantity: str, segment: int | None) -> Iterator[Row]:
    of, at = measurements.c, sections.c
    here = of.segment.is_(None) if segment is None else of.segment == segment
    query = (
        current(
            at.id, at.supplier, at.lot, at.section, at.made_on, at.line, at.status,
            of.status, of.value, of.u, of.u_scale,
        )
        .join(measurements, of.section_id == at.id)
        .where(of.quantity == quantity, here)
        .order_by(at.id)
    )  # fmt: skip
    with store.reading() as connection:
        persons = {
            tuple(one) for one in connection.execute(select(*(corrections.c[n] for n in _NAME)).distinct())
        }
        judged = _judged(connection, quantity, segment)
        rows = connection.execute(query)
        for key, supplier, lot, section, made_on, line, of_section, own, value, u, u_scale in rows:
            if (supplier, lot, section) in persons:
                yield _corrected(store, Name(supplier, lot, section), quantity, segment, line)
                continue
            yield Row(
                section, math.nan if value is None else value, lot, math.nan if u is None else u, u_scale or 0.0,
                own if own != "measured" else of_section, judged.get(key, ""), supplier, line, made_on, store.name,
            )  # fmt: skip


def _judged(connection: Any, quantity: str, segment: int | None) -> dict[int, str]:
    """Return the gravest verdict on the quantity of each section version."""
    of = verdicts.c
    here = of.segment.is_(None) if segment is None else of.segment == segment
    found: dict[int, str] = {}
    for section, verdict in connection.execute(
        select(of.section_id, of.verdict).where(of.quantity == quantity, here)
    ):
        found[section] = min(verdict, found.get(section, ""), key=VERDICT_WORDS.index)
    return found


def _corrected(store: Store, name: Name, quantity: str, segment: int | None, line: str) -> Row:
    """Return the row of a section that a person corrected."""
    record = as_it_stands(store, name)
    found = cast(Measurement, record.find(quantity, segment))
    words = [v.verdict for v in record.verdicts if (v.quantity, v.segment) == (quantity, segment)]
    status = found.status if found.status != "measured" else record.status
    shared = math.hypot(*(part.u for part in found.budget if part.name == "scale"))
    return Row(
        name.section, found.value, name.lot, found.u, shared,
        status, min(words, default="", key=VERDICT_WORDS.index), name.supplier, line,
        record.row.made_on, store.name, found.note if found.method == BY_HAND else "",
    )  # fmt: skip
