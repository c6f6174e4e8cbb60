"""Sources of rows: record stores, folders that ``xsect measure`` wrote, and tables with the same columns."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final, cast, get_args

from xsect.capture.lot_sheet import LotSheet, SheetError, SheetRow, read_lot_sheet
from xsect.capture.tables import BadCell, Cell, pad, read_table
from xsect.lots.corrections import BY_HAND
from xsect.lots.rows import (
    VERDICT_WORDS,
    WELD,
    Row,
    Rows,
    RowsError,
    check_quantity,
    collect,
    welds_for_sections,
    without_chords,
)
from xsect.lots.store_rows import is_store, store_rows
from xsect.lots.welds import QUANTITY as WELD_QUANTITY
from xsect.quantities import QUANTITIES, Status

REQUIRED: Final = ("section", "quantity", "value")
TEXTS: Final = ("lot", "verdict", "supplier", "line", "made_on")
_SCALE_POWER: Final = {"um": 1, "um2": 2}
_FORMULA_STARTS: Final = ("=", "+", "-", "@")


def read_rows(
    sources: Sequence[str | Path], *, quantity: str, segment: int | None = None, sheets: Sequence[Path] = ()
) -> Rows:
    """Read one quantity from stores, run folders and tables, in the order given, and put it in order of time.

    A store (a file or URL) gives all sections as they stand, corrections applied.
    A run folder gives values and verdicts, of welds cut in series their diameters; its run.json gives the scale's
    share of the uncertainty; the lot sheet it was made from, found in the folder or among ``sheets`` by its SHA-256,
    gives supplier, line and made_on. A table needs the columns section, quantity and value; lot, segment, u, u_common,
    status, verdict, supplier, line and made_on are read where they stand. ``segment`` None: values of whole sections.

    Raises RowsError, one line, for a source that cannot be read, and where nothing has the quantity.
    """
    check_quantity(quantity)
    known = {sheet.sha256: sheet for sheet in map(_sheet, sheets)}
    rows: list[Row] = []
    notes: list[str] = []
    segments: set[int | None] = set()
    used = set()
    for source in sources:
        if is_store(source):
            kept, there, said = store_rows(source, quantity, segment)
            rows += kept
            notes += said
            segments |= there
            continue
        path = Path(source)
        table = path / "measurements.csv" if path.is_dir() else path
        run = _Run.read(path) if path.is_dir() else None
        sheet = run.sheet(known) if run else None
        on_sheet = {(row.lot, row.section): row for row in sheet.rows} if sheet else {}
        if sheet:
            used.add(sheet.sha256)
        if run and not sheet:
            notes.append(
                f"the lot sheet of {path.name} is not at hand: no supplier, line and made_on from it"
            )
        here = []
        for cells in _records(table, quantity):
            segments.add(_segment(table, cells))
            if _segment(table, cells) == segment:
                here.append(_row(table, cells, quantity, run, on_sheet))
        if run and quantity == WELD_QUANTITY and segment is None:
            here = list(welds_for_sections(here, _welds(path, run, on_sheet)))
        in_series = {
            (row.supplier, row.lot, row.section)
            for row in on_sheet.values()
            if row.weld and row.face_offset_um is not None
        }
        here, said = without_chords(quantity, here, in_series)
        rows += here
        notes += said
    for sha256, one in known.items():
        if sha256 not in used:
            raise RowsError(f"{one.path}: no run folder was made from this lot sheet as it stands now")
    if not rows and segments:
        named = ", ".join(
            "whole sections" if s is None else f"segment {s}" for s in sorted(segments, key=str)
        )
        raise RowsError(f"{quantity}: not given for {_segment_name(segment)}, but for {named}")
    if not rows:
        raise RowsError(f"{', '.join(map(str, sources))}: no row has the quantity {quantity}")
    return collect(quantity, rows, segment=segment, notes=notes)


def run_sheet(folder: Path, sheets: Sequence[Path]) -> tuple[SheetRow, ...]:
    """Return the rows of the lot sheet that a run folder was made from, () where it is not at hand."""
    known = {sheet.sha256: sheet for sheet in map(_sheet, sheets)}
    sheet = _Run.read(folder).sheet(known)
    return sheet.rows if sheet else ()


def _segment_name(segment: int | None) -> str:
    return "whole sections" if segment is None else f"segment {segment}"


def _sheet(path: Path) -> LotSheet:
    try:
        return read_lot_sheet(path)
    except SheetError as error:
        raise RowsError(str(error)) from error


class _Run:
    """What a run folder tells besides its measurements."""

    def __init__(self, folder: Path, content: dict[str, Any]) -> None:
        self.folder = folder
        self.sheet_file = Path(str(content["lot_sheet"]["file"])).name
        self.sha256 = str(content["lot_sheet"]["sha256"])
        self.scale_u = {
            (one["lot"], one["section"]): float(one["scale"]["u_relative"])
            for one in content["sections"]
            if one["scale"]
        }
        self.verdicts = self._read_verdicts()

    @staticmethod
    def read(folder: Path) -> _Run:
        try:
            return _Run(folder, json.loads((folder / "run.json").read_text(encoding="utf-8")))
        except OSError as error:
            raise RowsError(f"{folder}: not a folder of xsect measure: run.json: {error.strerror}") from error
        except (ValueError, KeyError, TypeError) as error:
            raise RowsError(f"{folder / 'run.json'}: not a run file of xsect measure ({error!r})") from error

    def _read_verdicts(self) -> dict[tuple[str, str, str, int | None], str]:
        path = self.folder / "verdicts.csv"
        gravest: dict[tuple[str, str, str, int | None], str] = {}
        if not path.exists() or path.read_bytes().count(b"\n") < 2:
            return gravest
        for cells in _records(path, None, required=("section", "quantity", "verdict")):
            key = (
                _text(path, cells, "lot"), _text(path, cells, "section"), _text(path, cells, "quantity"),
                _segment(path, cells),
            )  # fmt: skip
            word = _text(path, cells, "verdict")
            gravest[key] = min(word, gravest.get(key, ""), key=VERDICT_WORDS.index)
        return gravest

    def sheet(self, known: Mapping[str, LotSheet]) -> LotSheet | None:
        """Return the lot sheet that the run was made from, among the known ones or in the folder."""
        beside = self.folder / self.sheet_file
        if self.sha256 not in known and beside.exists():
            found = _sheet(beside)
            return found if found.sha256 == self.sha256 else None
        return known.get(self.sha256)


def _records(
    path: Path, quantity: str | None, *, required: Sequence[str] = REQUIRED, key: str = "section"
) -> list[dict[str, tuple[int, Cell]]]:
    """Return the table's rows of a quantity as column → (row number, cell)."""
    try:
        table = read_table(path, key=key)
    except SheetError as error:
        raise RowsError(str(error)) from error
    header = tuple(name.casefold() for name in table.header)
    for name in required:
        if name not in header:
            raise RowsError(
                f"{path.name}: column {name} is missing; the header reads: {', '.join(header)[:120]}"
            )
    records = [
        {name: (number, cell) for name, cell in pad(cells, header).items()} for number, cells in table.rows
    ]
    return [one for one in records if quantity is None or _text(path, one, "quantity") == quantity]


def _row(
    path: Path,
    cells: dict[str, tuple[int, Cell]],
    quantity: str,
    run: _Run | None,
    on_sheet: Mapping[tuple[str, str], SheetRow],
) -> Row:
    texts = {name: _text(path, cells, name) for name in TEXTS}
    if texts["made_on"] and not _is_date(texts["made_on"]):
        raise _fault(path, cells, "made_on", "must be a date, YYYY-MM-DD")
    section = _text(path, cells, "section")
    status = _text(path, cells, "status") or "measured"
    if status not in get_args(Status):
        raise _fault(path, cells, "status", f"must be {', '.join(get_args(Status))}")
    value = _number(path, cells, "value")
    unit = QUANTITIES[quantity].unit
    if _text(path, cells, "unit") not in ("", unit):
        raise _fault(path, cells, "unit", f"must be {unit} for {quantity}")
    if math.isnan(value) and status != "not_measured":
        raise _fault(path, cells, "value", "must be a number unless the status is not_measured")
    u_common = _number(path, cells, "u_common")
    by_hand = _text(path, cells, "note") if _text(path, cells, "method") == BY_HAND else ""
    if run:
        key = texts["lot"], section
        texts["verdict"] = run.verdicts.get((*key, quantity, _segment(path, cells)), "")
        u_common = run.scale_u.get(key, 0.0) * abs(value) * _SCALE_POWER.get(unit, 0)
        known = on_sheet.get(key)
        if known:
            texts |= {
                "supplier": known.supplier,
                "line": known.extra.get("line", ""),
                "made_on": known.made_on,
            }
    if texts["verdict"] not in VERDICT_WORDS:
        raise _fault(path, cells, "verdict", f"must be {', '.join(filter(None, VERDICT_WORDS))}")
    return Row(
        section, value, u=_number(path, cells, "u"), u_common=0.0 if math.isnan(u_common) else u_common,
        status=cast(Status, status), source=str(path), by_hand=by_hand, **texts,
    )  # fmt: skip


def _welds(
    folder: Path, run: _Run, on_sheet: Mapping[tuple[str, str], SheetRow]
) -> list[tuple[Row, list[str]]]:
    """Return the welds cut in series of a run folder, each with the names of its sections."""
    path = folder / "welds.csv"
    if not path.exists():
        return []
    found = []
    for cells in _records(
        path, WELD_QUANTITY, required=("weld", "sections", "quantity", "value"), key="weld"
    ):
        lot, weld = _text(path, cells, "lot"), _text(path, cells, "weld")
        of_weld = [row for row in on_sheet.values() if (row.lot, row.weld) == (lot, weld)]
        cuts = [row.section for row in of_weld] or _text(path, cells, "sections").split("; ")
        scale = max((run.scale_u.get((lot, section), 0.0) for section in cuts), default=0.0)
        row = _row(path, {"section": cells["weld"], **cells}, WELD_QUANTITY, None, {})
        known = of_weld[0] if of_weld else None
        found.append((row._replace(
            section=f"{WELD}{weld}", u_common=scale * abs(row.value),
            supplier=known.supplier if known else "", made_on=known.made_on if known else "",
            line=known.extra.get("line", "") if known else "",
        ), cuts))  # fmt: skip
    return found


def _is_date(text: str) -> bool:
    try:
        return dt.date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _fault(path: Path, cells: dict[str, tuple[int, Cell]], name: str, rule: str) -> RowsError:
    number, cell = cells[name]
    shown = "" if cell is None else cell.text if isinstance(cell, BadCell) else cell
    return RowsError(f"{path.name}: row {number}, {name} = {shown}: {rule}")


def _text(path: Path, cells: dict[str, tuple[int, Cell]], name: str) -> str:
    _, cell = cells.get(name, (0, None))
    if cell is None:
        return ""
    if isinstance(cell, BadCell):
        raise _fault(path, cells, name, cell.rule)
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    text = str(cell)[:10] if name == "made_on" else str(cell)
    # an apostrophe in front keeps spreadsheets from running the text as a formula
    return text[1:] if text.startswith("'") and text[1:].startswith(_FORMULA_STARTS) else text


def _number(path: Path, cells: dict[str, tuple[int, Cell]], name: str) -> float:
    text = (
        _text(path, cells, name) if not isinstance(cells.get(name, (0, None))[1], float) else cells[name][1]
    )
    if text == "":
        return math.nan
    try:
        value = float(cast(str, text))
    except ValueError:
        raise _fault(path, cells, name, "must be a plain number") from None
    if not math.isfinite(value):
        raise _fault(path, cells, name, "must be finite")
    return value


def _segment(path: Path, cells: dict[str, tuple[int, Cell]]) -> int | None:
    text = _text(path, cells, "segment")
    if text and not text.isdigit():
        raise _fault(path, cells, "segment", "must be a whole number, or empty for whole sections")
    return int(text) if text else None
