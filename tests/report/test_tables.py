"""Tables and run file: what they hold, to the digit, and that nothing in them runs as a formula."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest

from xsect.quantities import measured, not_measured, word
from xsect.record import LotRecord
from xsect.report.run_file import relative, run
from xsect.report.tables import (
    MEASUREMENT_COLUMNS,
    VERDICT_COLUMNS,
    csv_bytes,
    frames,
    measurement_rows,
    verdict_rows,
    workbook_bytes,
)


def lines(data: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(data.decode(), newline="")))


def test_measurements_are_written_long(lot: LotRecord, out: Path) -> None:
    text = (out / "measurements.csv").read_text(encoding="utf-8")
    assert "\r" not in text
    head, first, *_ = text.split("\n")
    assert head == "lot,section,segment,quantity,value,unit,u,low,high,status,note,method"
    # 110 px of 5 µm along a line that rises by 0.03: 550 × √(1 + 0.03²) = 550.247 µm; u from the four parts.
    assert (
        first
        == 'L-0417,S01,,bond_width,550.247,um,7.15061,536.233,564.262,measured,,"hinge fit, both notches"'
    )
    rows = lines(text.encode())
    assert len(rows) == 1 + sum(len(record.measurements) for record in lot.sections)
    assert ["L-0417", "S01", "", "bond_kind", "solid_state", "", "", "", "", "measured", "", ""] in rows
    assert [
        "L-0417",
        "S01",
        "",
        "imc_mean",
        "",
        "um",
        "",
        "",
        "",
        "not_measured",
        "the lot sheet gives no plating",
        "",
    ] in rows


def test_no_number_of_a_section_that_needs_a_look_is_called_measured(lot: LotRecord) -> None:
    record = next(record for record in lot.sections if record.status == "needs_review")
    statuses = {row[9] for row in measurement_rows(lot) if row[1] == record.row.section}
    assert statuses == {"needs_review", "not_measured"}


def test_verdicts_have_one_row_each(lot: LotRecord, out: Path) -> None:
    rows = lines((out / "verdicts.csv").read_bytes())
    assert (
        ",".join(rows[0])
        == "lot,section,clause,quantity,segment,limit,value,low,high,verdict,severity,reason"
    )
    assert len(rows) == 1 + sum(len(record.verdicts) for record in lot.sections)
    assert rows[1][:8] == ["L-0417", "S01", "width", "bond_width", "", rows[1][5], "550.247", "536.233"]
    assert rows[4][2:9] == ["kind", "bond_kind", "", rows[4][5], "solid_state", "", ""]


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_text_never_runs_as_a_formula(lot: LotRecord, name: str) -> None:
    record = lot.sections[0]
    lot = replace(lot, sections=(replace(record, row=replace(record.row, section=name)),))
    assert lines(csv_bytes(MEASUREMENT_COLUMNS, measurement_rows(lot)))[1][1] == "'" + name.replace(
        "\r", "\n"
    )
    cell = openpyxl.load_workbook(io.BytesIO(workbook_bytes(lot)))["measurements"]["B2"]
    assert cell.data_type == "s"
    assert cell.value.strip() == name.strip()


def test_negative_numbers_stay_numbers(lot: LotRecord) -> None:
    rows = lines(csv_bytes(MEASUREMENT_COLUMNS, measurement_rows(lot)))
    assert next(row[4] for row in rows if row[3] == "bond_offset") == "-22"


def test_workbook_holds_the_numbers_of_the_csv(lot: LotRecord, out: Path) -> None:
    book = openpyxl.load_workbook(out / "tables.xlsx")
    for title, columns, rows in (
        ("measurements", MEASUREMENT_COLUMNS, measurement_rows(lot)),
        ("verdicts", VERDICT_COLUMNS, verdict_rows(lot)),
    ):
        found = list(book[title].values)
        assert found[0] == columns
        assert found[1:] == [tuple(None if cell == "" else cell for cell in row) for row in rows]


@pytest.mark.parametrize(
    ("value", "text"),
    [(1234567.0, "1.23457e+06"), (0.000012345678, "1.23457e-05"), (100.0, "100"), (0.1 + 0.2, "0.3")],
)
def test_numbers_have_six_digits_and_a_point(lot: LotRecord, value: float, text: str) -> None:
    record = replace(lot.sections[0], measurements=(measured("standoff", value, ()),))
    rows = lines(csv_bytes(MEASUREMENT_COLUMNS, measurement_rows(replace(lot, sections=(record,)))))
    assert rows[1][4] == text


def test_run_file_can_repeat_the_run(lot: LotRecord, out: Path) -> None:
    content = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert content == run(lot)
    assert content["settings"] == {"limit_mp": 400, "smoothing": 1.5}
    assert content["lot_sheet"] == {"file": "lot.csv", "sha256": "ef" * 32}
    assert content["criteria"]["file"] == "../criteria/example.toml"
    assert content["libraries"]["numpy"]
    first, last = content["sections"][0], content["sections"][-1]
    assert first["image"] == "img/2.png"
    assert first["image_sha256"] == lot.sections[0].image_sha256
    assert first["scale"]["x_um"] == 5.0
    assert first["scale"]["detail"] == "obj10_cam1 of 2026-03-02"
    assert last["findings"] == [{"code": "image_missing", "image": "img/8.png"}]
    assert (last["scale"], last["image_sha256"], last["figures"]) == (None, None, [])


def test_run_file_names_no_machine(lot: LotRecord, out: Path) -> None:
    text = (out / "run.json").read_text(encoding="utf-8")
    assert str(out) not in text
    assert str(Path.cwd()) not in text


def test_paths_are_relative_to_the_sheet(tmp_path: Path) -> None:
    assert relative(tmp_path / "criteria" / "a.toml", tmp_path / "lots") == "../criteria/a.toml"


def test_word_and_missing_value(lot: LotRecord) -> None:
    found = (word("bond_kind", "mixed"), not_measured("standoff", "no gap"))
    rows = measurement_rows(replace(lot, sections=(replace(lot.sections[0], measurements=found),)))
    assert [row[4:6] for row in rows] == [("mixed", ""), (None, "um")]


def test_frames_hold_what_the_files_hold(lot: LotRecord) -> None:
    tables = frames(lot)
    widths = tables["measurements"].query("quantity == 'bond_width' and segment.isna()", engine="python")
    assert widths["section"].tolist() == [one.row.section for one in lot.sections if one.find("bond_width")]
    assert widths["value"].iloc[0] == pytest.approx(550.247, abs=1e-3)
    assert tables["verdicts"].shape == (len(verdict_rows(lot)), len(VERDICT_COLUMNS))
