"""Guidance: advice, projection check and welds cut in series stand in the report; nothing of an earlier run does."""

from __future__ import annotations

import csv
import io
import math
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest
from rich.console import Console

from xsect.judge.advice_entries import DEFERENCE
from xsect.judge.criteria import Clause, Limit
from xsect.judge.decision import judge_section
from xsect.quantities import Component, measured
from xsect.record import LotRecord, SectionRecord
from xsect.report.guidance import (
    TENTATIVE,
    advice_lines,
    projection_blocks,
    projection_lines,
    projection_notes,
    weld_lines,
)
from xsect.report.model import build_report
from xsect.report.section_page import in_brief, section_page
from xsect.report.summary import summary
from xsect.report.tables import WELD_COLUMNS, csv_bytes, weld_rows, workbook_bytes
from xsect.report.write import write_outputs

DIAMETER, CENTRE = 600.0, 1000.0


def in_series(lot: LotRecord) -> LotRecord:
    """The lot with all sections of known width given to one weld, each as far from its centre as its width says."""
    sections, side = [], 1
    for record in lot.sections:
        width = record.find("bond_width")
        several = any(one.segment == 2 for one in record.measurements)
        if not width or several:
            sections.append(record)
            continue
        aside, side = math.sqrt(DIAMETER**2 - width.value**2) / 2, -side
        row = replace(record.row, weld="W7", face_offset_um=CENTRE + side * aside, u_offset_um=8.0)
        sections.append(replace(record, row=row))
    return replace(lot, sections=tuple(sections))


@pytest.fixture(scope="module")
def serial(lot: LotRecord) -> LotRecord:
    return in_series(lot)


@pytest.fixture
def plain(lot: LotRecord) -> SectionRecord:
    return lot.sections[0]


def test_welds_cut_in_series_stand_in_the_overview(serial: LotRecord, out: Path) -> None:
    (line,) = build_report(serial, out).welds
    assert line.weld == "W7"
    assert line.diameter.startswith("0.600 ±") or line.diameter.startswith("0.6000 ±")
    assert line.centre.startswith("1.000 ±")
    assert line.misfit == "0 µm"
    assert "from 5 serial sections" in line.note
    assert "needs a look" in line.note


def test_welds_have_their_own_table(serial: LotRecord, lot: LotRecord) -> None:
    head, row = csv.reader(io.StringIO(csv_bytes(WELD_COLUMNS, weld_rows(serial)).decode()))
    found = dict(zip(head, row, strict=True))
    assert float(found["value"]) == pytest.approx(DIAMETER, rel=1e-5)  # six digits are written
    assert float(found["centre"]) == pytest.approx(CENTRE, rel=1e-5)
    assert (found["weld"], found["quantity"], found["status"]) == ("W7", "weld_diameter", "needs_review")
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(serial)))
    assert book.sheetnames == ["measurements", "verdicts", "welds"]
    assert (weld_lines(lot), weld_rows(lot)) == ((), [])


def test_a_second_run_leaves_nothing_of_the_first(
    serial: LotRecord, lot: LotRecord, out: Path, tmp_path: Path
) -> None:
    shutil.copytree(out / "figures", tmp_path / "figures")
    for name in ("notes.png", "rowing.png", "row-boat-marked.png"):
        (tmp_path / "figures" / name).write_bytes(b"somebody's own")
    (tmp_path / "mine.txt").write_text("kept")
    write_outputs(serial, tmp_path)
    assert (tmp_path / "welds.csv").is_file()
    assert "Welds cut in series" in (tmp_path / "report.html").read_text(encoding="utf-8")
    fewer = replace(lot, sections=(lot.sections[0], lot.sections[-1]))
    write_outputs(fewer, tmp_path)
    left = {path.name for path in (tmp_path / "figures").iterdir()}
    own = {"notes.png", "rowing.png", "row-boat-marked.png"}
    assert left == own | {Path(name).name for name in lot.sections[0].figures}
    assert not (tmp_path / "welds.csv").exists()
    assert (tmp_path / "mine.txt").read_text() == "kept"
    assert "Welds cut in series" not in (tmp_path / "report.html").read_text(encoding="utf-8")


def with_collapse(record: SectionRecord, share: float) -> SectionRecord:
    return replace(
        record, measurements=(*record.measurements, measured("collapse", share, (Component("gap", 0.01),)))
    )


def test_advice_stands_beside_its_numbers(plain: SectionRecord, lot: LotRecord) -> None:
    (line,) = advice_lines(with_collapse(plain, 0.1))
    assert (line.title, line.caution) == ("Little collapse", "")
    assert line.grounds == "Collapse 10.0 ± 2.0 %, below 25 % (common practice)."
    (line,) = advice_lines(next(record for record in lot.sections if record.row.section.startswith("WWW")))
    assert line.title == "Bond narrow"  # 300 µm where the clause asks for 520
    assert "below 0.520 mm (clause width)" in line.grounds or "below 0.52 mm (clause width)" in line.grounds
    doubtful = with_collapse(next(record for record in lot.sections if record.status == "needs_review"), 0.1)
    assert [line.caution for line in advice_lines(doubtful)] == [TENTATIVE]


def test_the_projection_check_stands_where_the_sheet_gives_the_dimensions(plain: SectionRecord) -> None:
    lines = projection_lines(plain)  # sheet 0.8 mm, projection 1.3 mm wide and 0.25 mm high
    assert [(line.dimension, line.standing) for line in lines] == [
        ("Diameter", "below"), ("Diameter", "below"), ("Height", "below"), ("Height", "not covered"),
    ]  # fmt: skip
    assert (lines[0].value, lines[0].window) == ("1.3 mm", "1.600 to 2.400 mm")
    assert "for CuSn6 they are a starting point only" in " ".join(projection_notes(plain))
    bare = replace(plain, row=replace(plain.row, upper_thickness_um=None))
    assert (projection_lines(bare), projection_notes(bare)) == ((), ())


def test_a_projection_check_is_said_once_for_all_that_share_it(lot: LotRecord) -> None:
    (block,) = projection_blocks(lot)
    assert block.sections == "all sections"
    first = lot.sections[0]
    higher = replace(first, row=replace(first.row, section="T9", projection_height_um=400.0))
    bare = replace(first, row=replace(first.row, section="T8", upper_thickness_um=None))
    blocks = projection_blocks(replace(lot, sections=(first, higher, bare)))
    assert [block.sections for block in blocks] == [first.row.section, "T9"]


def test_guidance_is_set_in_both_reports(lot: LotRecord, out: Path) -> None:
    texts = [(out / "report.html").read_text(encoding="utf-8")]
    if shutil.which("pdftotext"):
        done = subprocess.run(
            ["pdftotext", out / "report.pdf", "-"], capture_output=True, check=True, text=True
        )
        texts.append(done.stdout)
    for text in texts:
        assert text.count("Projection check: all sections") == 1
        assert (
            text.count("What the numbers commonly mean")
            == sum(bool(advice_lines(one)) for one in lot.sections)
            > 0
        )
        assert " ".join(DEFERENCE.split()[:8]) in " ".join(text.split())


def test_a_multiple_is_shown_with_four_digits(plain: SectionRecord, lot: LotRecord, out: Path) -> None:
    clause = Clause("width", "bond_width", at_least=Limit("times", 0.470830, "projection_diameter"))
    criteria = replace(lot.criteria, clauses=(clause,))
    judged = replace(plain, verdicts=judge_section(plain.measurements, plain.row, criteria, plain.status))
    (line,) = section_page(judged, criteria, out).verdicts
    assert line.limit == "at least 0.6121 mm"  # 612.079 µm
    assert line.rule == "0.471 × projection diameter"


def test_minor_clauses_that_were_not_measured_are_named(plain: SectionRecord, lot: LotRecord) -> None:
    clauses = (
        Clause("width", "bond_width", at_least=Limit("um", 10.0)),
        Clause("cracks", "crack_length", at_most=Limit("um", 100.0), severity="minor"),
        Clause("gap", "standoff", at_most=Limit("um", 70.5), severity="minor"),
    )
    criteria = replace(lot.criteria, clauses=clauses)
    verdicts = judge_section(plain.measurements, plain.row, criteria, plain.status)
    brief = in_brief(replace(plain, verdicts=verdicts))
    assert brief == "minor clause undecided: gap; minor clause not measured: cracks"


ESCAPE = "S\x1b[31m\x9b2J\u202e\x00"


def test_names_cannot_steer_a_terminal_or_a_page(lot: LotRecord, out: Path) -> None:
    hostile = tuple(
        replace(
            record,
            row=replace(record.row, section=ESCAPE, lot=ESCAPE, supplier=ESCAPE, extra={ESCAPE: ESCAPE}),
        )
        for record in lot.sections[:1]
    )
    lot = replace(lot, sections=hostile)
    console = Console(width=150, record=True, file=io.StringIO(), force_terminal=False)
    console.print(summary(lot))
    text = console.export_text() + str(build_report(lot, out).as_json())
    assert "S?[31m?2J??" in text
    for sign in "\x1b\x9b\u202e\x00":
        assert sign not in text
        assert repr(sign)[1:-1] not in text  # as repr writes it
