"""The main job: lot sheet in; pictures opened, located, measured, judged and drawn; a record of every section out."""

from __future__ import annotations

import datetime as dt
import multiprocessing
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import cv2

from xsect.capture.calibration import find_folder
from xsect.capture.image_files import MAX_PIXELS
from xsect.capture.lot_sheet import LotSheet, SheetRow, read_lot_sheet
from xsect.capture.micrograph import Micrograph, open_micrograph
from xsect.judge.criteria import Criteria
from xsect.judge.decision import judge_section
from xsect.locate.contents import find_contents
from xsect.locate.nugget import with_fused
from xsect.locate.section import locate
from xsect.locate.view import SectionView
from xsect.measure.section import measure, nothing_measured
from xsect.measure.view import make_view
from xsect.quantities import Measurement, Status
from xsect.reasons import Finding, Refusal, status_of
from xsect.record import LotRecord, SectionRecord
from xsect.report.figures import write_section_figures


@dataclass(frozen=True)
class Options:
    """What a run is asked to do. ``today`` is the date of use of calibration records where a row has no cut_on.

    ``out`` is where figures go; None draws none. ``bar_um`` is the length of the scale bar in the pictures of rows
    that give none.
    """

    criteria: Criteria | None
    out: Path | None
    today: dt.date
    calibration_folder: Path | None = None
    max_pixels: int = MAX_PIXELS
    bar_um: float | None = None


@dataclass(frozen=True)
class SectionResult:
    """What was measured in one picture."""

    measurements: tuple[Measurement, ...]
    findings: tuple[Finding, ...]
    view: SectionView | None

    @property
    def status(self) -> Status:
        """The gravest effect among the findings."""
        return status_of(self.findings)


def measure_lot(
    path: Path,
    options: Options,
    *,
    jobs: int = 1,
    on_section: Callable[[SectionRecord], None] | None = None,
    already: Callable[[SheetRow], SectionRecord | None] | None = None,
) -> LotRecord:
    """Measure every section of a lot sheet; a section that fails says why and the others go on.

    ``already`` returns the record of a row that need not be measured again, else None. ``on_section`` is
    called with each record, in sheet order. The records do not depend on ``jobs``.
    Raises SheetError where the sheet cannot be used at all.
    """
    sheet = read_lot_sheet(path)
    options = replace(options, calibration_folder=find_folder(path.parent, options.calibration_folder))
    faulty = {problem.row.number: problem.findings for problem in sheet.problems}
    rows = sorted((*sheet.rows, *(problem.row for problem in sheet.problems)), key=lambda row: row.number)
    rows = [replace(row, bar_um=row.bar_um or options.bar_um) for row in rows]
    found = {row.number: record for row in rows if already and (record := already(row))}
    missing = [row for row in rows if row.number not in found]
    made = _each(missing, partial(measure_section, options=options, faults=faulty), jobs)
    records = []
    for row in rows:
        record = found.get(row.number) or next(made)
        records.append(record)
        if on_section:
            on_section(record)
    return LotRecord(sheet, options.criteria, tuple(records), _settings(sheet, options))


def measure_section(
    row: SheetRow, *, options: Options, faults: dict[int, tuple[Finding, ...]] | None = None
) -> SectionRecord:
    """Run the whole job for one row of a lot sheet."""
    findings = (faults or {}).get(row.number, ())
    micrograph = None
    try:
        if findings:
            raise Refusal(findings[0].code, **findings[0].facts)
        micrograph = open_micrograph(
            row,
            calibration_folder=options.calibration_folder,
            today=options.today,
            max_pixels=options.max_pixels,
        )
        result = measure_micrograph(micrograph, row)
    except Refusal as refusal:
        result = SectionResult(nothing_measured(refusal.finding), findings or (refusal.finding,), None)
    except Exception as error:  # one section's failure must not cost the others
        finding = Finding("unexpected", {"detail": f"{type(error).__name__}: {error}"})
        result = SectionResult(nothing_measured(finding), (finding,), None)
    record = SectionRecord(
        row=row,
        image_sha256=micrograph.sha256 if micrograph else "",
        image_shape=micrograph.pixels.shape[:2] if micrograph else (0, 0),
        scale=micrograph.scale if micrograph else None,
        findings=(*(micrograph.findings if micrograph else ()), *result.findings),
        measurements=result.measurements,
        verdicts=(),
        view=result.view,
    )
    if options.criteria:
        verdicts = judge_section(record.measurements, row, options.criteria, record.status)
        record = replace(record, verdicts=verdicts)
    if options.out and micrograph:
        record = replace(record, figures=write_section_figures(micrograph, record, options.out))
    return record


def measure_micrograph(micrograph: Micrograph, row: SheetRow) -> SectionResult:
    """Locate and measure one section; a refusal becomes a result without values."""
    try:
        located = locate(micrograph, plated=row.plated)
        contents = find_contents(located, micrograph, view=row.view, fused=row.weld_type == "fusion")
        located = with_fused(located, contents.nuggets)
        measurements, findings = measure(located, contents, micrograph, row)
    except Refusal as refusal:
        return SectionResult(nothing_measured(refusal.finding), (refusal.finding,), None)
    view = make_view(located, contents, measurements, micrograph.scale, lean_deg=row.cut_tilt_deg or 0.0)
    return SectionResult(measurements, findings, view)


def _each(
    rows: list[SheetRow], work: Callable[[SheetRow], SectionRecord], jobs: int
) -> Iterator[SectionRecord]:
    if jobs == 1 or len(rows) < 2:
        yield from map(work, rows)
        return
    # started afresh, not forked: a fork inherits locks that the image library's threads may hold
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=fresh, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        yield from pool.map(work, rows)


def _settings(sheet: LotSheet, options: Options) -> dict[str, str | float | int | bool]:
    """What a repeat of the run needs to know besides the files."""
    settings: dict[str, str | float | int | bool] = {
        "today": options.today.isoformat(),
        "max_pixels": options.max_pixels,
        "rows": len(sheet.rows),
    }
    if options.bar_um is not None:
        settings["bar_um"] = options.bar_um
    return settings
