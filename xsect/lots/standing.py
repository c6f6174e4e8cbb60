"""The store as it stands: every measurement that holds now, corrections applied, with who set what."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import Final

from sqlalchemy import Connection, select

from xsect.judge.decision import summarise
from xsect.lots.corrections import BY_HAND, Correction, as_it_stands, corrections_holding
from xsect.lots.database import Store
from xsect.lots.encode import Row, measurement_rows
from xsect.lots.schema import corrections, measurements, sections
from xsect.lots.store import Name, current
from xsect.lots.table_files import Columns, Values
from xsect.lots.welds import QUANTITY, welds_holding
from xsect.quantities import QUANTITIES

STANDING_COLUMNS: Final[Columns] = (
    ("supplier", "text"), ("lot", "text"), ("section", "text"), ("version", "int"), ("at", "text"),
    ("made_on", "text"), ("cut_on", "text"), ("verdict", "text"), ("decided_by", "text"),
    ("quantity", "text"), ("segment", "int"), ("value", "float"), ("word", "text"), ("unit", "text"),
    ("u", "float"), ("dof", "float"), ("low", "float"), ("high", "float"), ("status", "text"), ("note", "text"),
    ("method", "text"), ("measured_value", "float"), ("measured_word", "text"), ("corrected_by", "text"),
    ("corrected_on", "text"), ("why", "text"),
)  # fmt: skip
"""``value`` to ``high`` are as corrected, ``measured_value`` and ``measured_word`` as measured where a person set
another; ``verdict`` is the person's decision where there is one, ``decided_by`` then names the person."""

_NAME: Final = ("supplier", "lot", "section")
_BATCH: Final = 5_000
_OF_SECTION: Final = ("supplier", "lot", "section", "version", "at", "made_on", "cut_on")
_OF_MEASUREMENT: Final = (
    "quantity",
    "segment",
    "value",
    "word",
    "u",
    "dof",
    "low",
    "high",
    "status",
    "note",
    "method",
)


def standing_rows(store: Store, connection: Connection) -> Iterator[Values]:
    """Yield the rows of the table, by supplier, lot and section, each section's in the order of its record.

    The rows of a section that needs a look have that status: no number of it can be read as vouched for. The diameters
    of welds cut in series come last, "weld" and its name in place of a section.
    """
    named = connection.execute(select(*(corrections.c[part] for part in _NAME)).distinct())
    persons = {tuple(row) for row in named}
    query = (
        current(
            *(sections.c[name] for name in _OF_SECTION),
            sections.c.verdict,
            sections.c.status.label("section_status"),
            *(measurements.c[name] for name in _OF_MEASUREMENT),
        )
        .join(measurements, measurements.c.section_id == sections.c.id)
        .order_by(*(sections.c[part] for part in _NAME), measurements.c.place)
    )
    rows = connection.execution_options(yield_per=_BATCH).execute(query).mappings()
    for name, group in groupby(rows, key=lambda row: tuple(row[part] for part in _NAME)):
        if name in persons:
            yield from _corrected(store, Name(*name), [dict(row) for row in group])
        else:
            yield from (_line(row, row, row["verdict"]) for row in map(dict, group))
    for weld in welds_holding(connection):
        name_of_weld = {**vars(weld.name), "quantity": QUANTITY, "segment": None, "word": "", "cut_on": ""}
        row = {**weld.row, **name_of_weld, "section_status": weld.status}
        yield _line(row, row, "")


def _corrected(store: Store, name: Name, group: list[Row]) -> Iterator[Values]:
    record = as_it_stands(store, name)
    held = corrections_holding(store, name)
    decision = next((one for one in held if one.kind == "decision"), None)
    verdict = record.decision or (summarise(record.verdicts) if record.verdicts else group[0]["verdict"])
    values = {(one.quantity, one.segment): one for one in held if one.kind == "value"}
    for row, now in zip(group, measurement_rows(record), strict=True):
        changed = now["method"] == BY_HAND
        person = values.get((row["quantity"], row["segment"])) or values.get((row["quantity"], None))
        yield _line(row, now, verdict, decision, person if changed else None)


def _line(
    row: Row,
    now: Row,
    verdict: str,
    decision: Correction | None = None,
    person: Correction | None = None,
) -> Values:
    quantity = QUANTITIES.get(row["quantity"])
    vouched = now["status"] != "measured" or row["section_status"] == "measured"
    return (
        *(row[name] for name in _OF_SECTION),
        verdict,
        decision.who if decision else "",
        row["quantity"],
        row["segment"],
        now["value"],
        now["word"],
        quantity.unit if quantity else "",
        *(now[name] for name in ("u", "dof", "low", "high")),
        now["status"] if vouched else row["section_status"],
        now["note"],
        now["method"],
        row["value"] if person else None,
        row["word"] if person else "",
        person.who if person else "",
        person.at[:10] if person else "",
        person.why if person else "",
    )
