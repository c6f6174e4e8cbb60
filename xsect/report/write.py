"""Write the outputs of one run: tables, run file, reports; all of them or none."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Final

from xsect.record import LotRecord
from xsect.report.figures import FIGURE_NAME, FOLDER
from xsect.report.html import html_bytes
from xsect.report.model import build_report
from xsect.report.pdf import pdf_bytes
from xsect.report.pictures import page_pictures
from xsect.report.run_file import run_bytes
from xsect.report.setting import not_written, write_whole
from xsect.report.tables import (
    MEASUREMENT_COLUMNS,
    VERDICT_COLUMNS,
    WELD_COLUMNS,
    csv_bytes,
    measurement_rows,
    verdict_rows,
    weld_rows,
    workbook_bytes,
)

WELDS: Final = "welds.csv"


def write_outputs(lot: LotRecord, out: Path) -> tuple[Path, ...]:
    """Write all outputs of a run into ``out`` (made where it is missing); return their paths.

    The sections' figures must already stand below ``out`` (see ``write_section_figures``); those of an earlier
    run that this one does not have are removed, and no other file. Every file is
    first written whole under another name: where one cannot be written, none is replaced. Raises OSError with
    one line that names the folder.
    """
    try:
        files = _contents(lot, out)
        written = write_whole(files, out)
        _clear(lot, out, files)
    except OSError as error:
        raise not_written(out, error) from error
    return written


def check_writable(out: Path) -> None:
    """Make the folder and try to write into it, before long measuring; raise OSError, one line, if not."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=out):
            pass
    except OSError as error:
        raise not_written(out, error) from error


def _clear(lot: LotRecord, out: Path, files: dict[str, bytes]) -> None:
    """Remove what an earlier run into the same folder wrote and this one did not: it would be taken for this one's."""
    if WELDS not in files:
        (out / WELDS).unlink(missing_ok=True)
    kept = {name for record in lot.sections for name in record.figures}
    for path in (out / FOLDER).glob("row*"):
        if FIGURE_NAME.fullmatch(path.name) and f"{FOLDER}/{path.name}" not in kept:
            path.unlink()


def _contents(lot: LotRecord, out: Path) -> dict[str, bytes]:
    report = build_report(lot, out)
    pictures = [page_pictures(page, out) for page in report.sections]
    welds = weld_rows(lot)
    return {
        **({WELDS: csv_bytes(WELD_COLUMNS, welds)} if welds else {}),
        "measurements.csv": csv_bytes(MEASUREMENT_COLUMNS, measurement_rows(lot)),
        "verdicts.csv": csv_bytes(VERDICT_COLUMNS, verdict_rows(lot)),
        "tables.xlsx": workbook_bytes(lot),
        "report.html": html_bytes(report, pictures),
        "report.pdf": pdf_bytes(report, pictures),
        "run.json": run_bytes(lot),
    }
