"""Tables: measurements.csv, verdicts.csv, welds.csv (of welds cut in series) and the same as sheets of a workbook.

Numbers in CSV have six significant digits and a decimal point; a cell is empty where there is none. Lines
end with LF, text is UTF-8. Text that a spreadsheet would run as a formula (it begins with = + - @, a tab or a
line end) carries an apostrophe in front; in the workbook it is stored as text, unchanged.
"""

from __future__ import annotations

import csv
import io
import math
import re
import zipfile
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from xsect.quantities import Measurement
from xsect.record import LotRecord
from xsect.welds import weld_diameters

if TYPE_CHECKING:
    import pandas as pd

Cell = str | float | int | None
Rows = list[tuple[Cell, ...]]

MEASUREMENT_COLUMNS: Final = (
    "lot", "section", "segment", "quantity", "value", "unit", "u", "low", "high", "status", "note", "method",
)  # fmt: skip
VERDICT_COLUMNS: Final = (
    "lot", "section", "clause", "quantity", "segment", "limit", "value", "low", "high", "verdict", "severity",
    "reason",
)  # fmt: skip
WELD_COLUMNS: Final = (
    "lot", "weld", "sections", "quantity", "value", "unit", "u", "low", "high", "status", "centre", "u_centre",
    "largest_residual", "note", "method",
)  # fmt: skip

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
_EPOCH = datetime(1980, 1, 1, tzinfo=UTC)
"""The earliest date that a ZIP archive can hold: workbooks carry no date of their own."""


def measurement_rows(lot: LotRecord) -> Rows:
    """Return the rows of the table of measurements, in sheet order; ``value`` of a word quantity is the word.

    The rows of a section that is put aside have the section's status: no number of a section that needs a
    look can be read as vouched for.
    """
    return [
        (
            record.row.lot,
            record.row.section,
            found.segment,
            found.quantity,
            found.word if found.unit == "word" else _number(found.value),
            "" if found.unit == "word" else found.unit,
            *(_number(part) for part in (found.u, found.low, found.high)),
            _status(found, record.status),
            found.note,
            found.method,
        )
        for record in lot.sections
        for found in record.measurements
    ]


def _status(found: Measurement, section: str) -> str:
    return section if found.status == "measured" and section != "measured" else found.status


def verdict_rows(lot: LotRecord) -> Rows:
    """Return the rows of the table of verdicts, in sheet order; ``value`` of a word quantity is the word."""
    return [
        (
            record.row.lot,
            record.row.section,
            verdict.clause,
            verdict.quantity,
            verdict.segment,
            verdict.limit,
            verdict.word or _number(verdict.value),
            _number(verdict.low),
            _number(verdict.high),
            verdict.verdict,
            verdict.severity,
            verdict.reason,
        )
        for record in lot.sections
        for verdict in record.verdicts
    ]


def weld_rows(lot: LotRecord) -> Rows:
    """Return the rows of the table of welds cut in series, in sheet order; none where there are none."""
    return [
        (
            weld.lot,
            weld.weld,
            "; ".join(cut.section for cut in weld.cuts),
            weld.diameter.quantity,
            *(_number(weld.diameter.value), weld.diameter.unit),
            *(_number(part) for part in (weld.diameter.u, weld.diameter.low, weld.diameter.high)),
            weld.diameter.status,
            *(_number(part) for part in (weld.centre, weld.u_centre)),
            _number(max((abs(cut.residual) for cut in weld.cuts), default=math.nan)),
            "; ".join([weld.diameter.note, *(f"left out: {one}" for one in weld.left_out)]),
            weld.diameter.method,
        )
        for weld in weld_diameters(lot.sections)
    ]


def _number(value: float) -> float | None:
    """Round to six significant digits: CSV and workbook hold the same number; None where it is not one."""
    return float(f"{value:.6g}") if math.isfinite(value) else None


def frames(lot: LotRecord) -> dict[str, pd.DataFrame]:
    """Return "measurements" and "verdicts" as pandas tables, for further work in Python: one row as in the files."""
    import pandas as pd

    return {
        "measurements": pd.DataFrame(measurement_rows(lot), columns=list(MEASUREMENT_COLUMNS)),
        "verdicts": pd.DataFrame(verdict_rows(lot), columns=list(VERDICT_COLUMNS)),
    }


def csv_bytes(columns: Sequence[str], rows: Rows) -> bytes:
    """Return a table as CSV."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_plain(cell) for cell in row] for row in rows)
    return buffer.getvalue().encode()


def _plain(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, float):
        return f"{cell:.6g}"
    # The CSV writer leaves a lone carriage return unquoted, and readers take it for the end of a line.
    text = str(cell).replace("\r\n", "\n").replace("\r", "\n")
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def workbook_bytes(lot: LotRecord) -> bytes:
    """Return the tables as an XLSX workbook whose bytes depend on the tables alone."""
    from openpyxl import Workbook  # type: ignore[import-untyped]
    from openpyxl.styles import Alignment, Font  # type: ignore[import-untyped]
    from openpyxl.utils import get_column_letter  # type: ignore[import-untyped]

    book = Workbook()
    book.remove(book.worksheets[0])
    book.properties.creator = "xsect"
    tables: list[tuple[str, Sequence[str], Rows]] = [
        ("measurements", MEASUREMENT_COLUMNS, measurement_rows(lot)),
        ("verdicts", VERDICT_COLUMNS, verdict_rows(lot)),
    ]
    if welds := weld_rows(lot):
        tables.append(("welds", WELD_COLUMNS, welds))
    for title, columns, rows in tables:
        sheet = book.create_sheet(title)
        sheet.append(list(columns))
        for cell in sheet[1]:
            cell.font = Font(bold=True)
        for number, row in enumerate(rows, 2):
            for place, content in enumerate(row, 1):
                if content in (None, ""):
                    continue
                cell = sheet.cell(number, place)
                if isinstance(content, str):
                    cell.value = _printable(content)
                    cell.data_type = "s"
                    cell.alignment = Alignment(vertical="top")
                    cell.quotePrefix = content.startswith(_FORMULA_STARTS)
                else:
                    cell.value = content
        for place, name in enumerate(columns, 1):
            longest = max([len(name), *(len(str(row[place - 1] or "")) for row in rows)])
            sheet.column_dimensions[get_column_letter(place)].width = min(longest + 2, 60)
        sheet.freeze_panes = "A2"
        sheet.auto_filter.ref = f"A1:{get_column_letter(len(columns))}{len(rows) + 1}"
    buffer = io.BytesIO()
    book.save(buffer)
    return _undated(buffer.getvalue())


def _printable(text: str) -> str:
    """Replace control characters, which a workbook cannot hold."""
    return re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", "\N{REPLACEMENT CHARACTER}", text)


def _undated(workbook: bytes) -> bytes:
    """Return a workbook with all dates, in the archive and in its properties, set to one fixed date."""
    stamp = _EPOCH.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as copy:
        for name, data in _members(workbook):
            if name == "docProps/core.xml":
                data = re.sub(rb"(W3CDTF\">)[^<]*", rb"\g<1>" + stamp, data)
            copy.writestr(zipfile.ZipInfo(name, _EPOCH.timetuple()[:6]), data, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()


def _members(archive: bytes) -> Iterator[tuple[str, bytes]]:
    with zipfile.ZipFile(io.BytesIO(archive)) as book:
        for info in book.infolist():
            yield info.filename, book.read(info)
