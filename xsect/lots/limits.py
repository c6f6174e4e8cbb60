"""Limits of a quantity from a criteria file, as one pair for all sections of a study of capability."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from xsect.capture.lot_sheet import SheetRow
from xsect.judge.criteria import Clause, Criteria, InputMissing, Limit
from xsect.lots.database import Store, StoreError, open_store
from xsect.lots.encode import sheet_row
from xsect.lots.rows import WELD, Row, RowsError
from xsect.lots.schema import sections
from xsect.lots.sources import run_sheet
from xsect.lots.store import current
from xsect.lots.store_rows import is_store
from xsect.lots.welds import welds_holding

Side = Literal["at_least", "at_most"]
SIDES: Final[tuple[Side, Side]] = ("at_least", "at_most")
Key = tuple[str, str, str]
"""Supplier, lot, and section (or "weld" and its name)."""


@dataclass(frozen=True)
class Limits:
    """One pair of limits in the quantity's unit, ±infinity where there is none, and the clauses they come from."""

    lower: float
    upper: float
    clauses: tuple[str, ...]


def limits_from(
    criteria: Criteria,
    quantity: str,
    segment: int | None,
    rows: Sequence[Row],
    sheets: Mapping[Key, SheetRow],
    *,
    sides: Sequence[Side] = SIDES,
) -> Limits:
    """Return the limits that criteria set for a quantity of whole sections, or of each bond segment.

    Only ``sides`` are looked for. A limit that is a multiple of a length is reckoned for each row by its row of the lot
    sheet (``sheets``). Raises
    RowsError, one line, where no clause or several set a side (a major one goes before minor ones), where a length is
    not known, and where the limits differ from row to row.
    """
    file = criteria.path.name
    clauses = [one for one in criteria.clauses if one.quantity == quantity]
    fitting = [one for one in clauses if one.per_segment == (segment is not None)]
    if not fitting:
        other = "each bond segment (--segment)" if segment is None else "whole sections"
        aside = f"; clause {clauses[0].id} asks it of {other}" if clauses else ""
        raise RowsError(f"{file}: no clause sets a limit for {quantity}{aside}")
    found = {side: _deciding(fitting, side, file, quantity) for side in sides}
    ends = {"at_least": -math.inf, "at_most": math.inf}
    for side, clause in found.items():
        if clause:
            ends[side] = _one_for_all(getattr(clause, side), clause, file, rows, sheets)
    named = dict.fromkeys(clause.id for clause in found.values() if clause)
    return Limits(ends["at_least"], ends["at_most"], tuple(named))


def _deciding(clauses: Sequence[Clause], side: str, file: str, quantity: str) -> Clause | None:
    giving = [one for one in clauses if getattr(one, side) is not None]
    giving = [one for one in giving if one.severity == "major"] or giving
    if len(giving) > 1:
        option = "--lower" if side == "at_least" else "--upper"
        raise RowsError(
            f"{file}: clauses {giving[0].id} and {giving[1].id} both set {side} for {quantity}: give {option}"
        )
    return giving[0] if giving else None


def _one_for_all(
    limit: Limit, clause: Clause, file: str, rows: Sequence[Row], sheets: Mapping[Key, SheetRow]
) -> float:
    if not limit.of:
        return limit.number
    first: tuple[float, Row] | None = None
    for row in rows:
        sheet = sheets.get((row.supplier, row.lot, row.section))
        where = f"{file}: clause {clause.id}: lot {row.lot}, section {row.section}"
        if sheet is None:
            raise RowsError(
                f"{where}: its row of a lot sheet is not at hand, which the limit {limit.text(None)} needs: "
                "take it from a store, or a run folder with its --sheet, or give --lower or --upper"
            )
        try:
            value = limit.value(sheet)
        except InputMissing as error:
            raise RowsError(f"{where}: {error}") from error
        if first is None:
            first = value, row
        elif not math.isclose(value, first[0], rel_tol=1e-9):
            raise RowsError(
                f"{where}: its limit is {value:g} µm, that of lot {first[1].lot}, section {first[1].section} "
                f"{first[0]:g} µm ({limit.text(None)}): one study needs one limit; give --lower or --upper"
            )
    return first[0] if first else math.nan


def sheet_rows(sources: Sequence[str | Path], sheets: Sequence[Path] = ()) -> dict[Key, SheetRow]:
    """Return the rows of the lot sheets behind stores and run folders, as far as they are at hand.

    Raises RowsError, one line, where a store cannot be read.
    """
    found: dict[Key, SheetRow] = {}
    for source in sources:
        if is_store(source):
            try:
                with open_store(source) as store:
                    found |= _in_store(store)
            except StoreError as error:
                raise RowsError(str(error)) from error
        elif Path(source).is_dir():
            found |= dict(_named(run_sheet(Path(source), sheets)))
    return found


def _named(rows: Sequence[SheetRow]) -> Iterator[tuple[Key, SheetRow]]:
    for row in reversed(rows):  # of a weld's sections the first counts
        yield (row.supplier, row.lot, row.section), row
        if row.weld:
            yield (row.supplier, row.lot, f"{WELD}{row.weld}"), row


def _in_store(store: Store) -> dict[Key, SheetRow]:
    at = sections.c
    with store.reading() as connection:
        rows = connection.execute(current(at.supplier, at.lot, at.section, at.row))
        found = {(row.supplier, row.lot, row.section): sheet_row(json.loads(row.row)) for row in rows}
        for weld in welds_holding(connection):
            first = weld.cuts[0]
            found[weld.name.supplier, weld.name.lot, weld.name.section] = found[
                first.supplier, first.lot, first.section
            ]
    return found
