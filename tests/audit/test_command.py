"""``xsect audit`` from sheet to report, and earlier pictures from folders and the record store."""

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path

from click.testing import CliRunner
from sqlalchemy import select

from xsect.audit.known import pictures_in
from xsect.audit.remembered import pictures_in_store
from xsect.capture.lot_sheet import LotSheet, SheetRow, read_lot_sheet
from xsect.cli import main
from xsect.lots.database import open_store
from xsect.lots.schema import events
from xsect.lots.store import begin_run, keep
from xsect.record import LotRecord, SectionRecord


def audit(*arguments: object) -> tuple[int, str]:
    done = CliRunner().invoke(main, ["audit", *map(str, arguments)])
    return done.exit_code, done.output


def test_a_package_with_a_file_used_twice(
    write_lot: Callable[..., Path], write_criteria: Callable[..., Path], tmp_path: Path
) -> None:
    sheet = write_lot(tmp_path, {"section": "S3", "image": "s1.png"}, changes={"stated_bond_width": 900})
    earlier = tmp_path / "earlier"
    earlier.mkdir()
    shutil.copy(tmp_path / "s2.png", earlier / "old.png")
    claim = tmp_path / "claim.toml"
    claim.write_text("reliability = 0.9\n", encoding="utf-8")
    out = tmp_path / "out"
    status, told = audit(
        sheet, "--criteria", write_criteria(tmp_path), "--claim", claim, "--against", earlier, "--out", out,
        "--jobs", 1, "--date", "2026-11-25",
    )  # fmt: skip
    assert status == 1
    assert told.count("One picture for two specimens") == 2
    assert {"audit.html", "audit.pdf", "findings.csv", "run.json", "picture-0.jpg", "picture-1.jpg"} == {
        path.name for path in out.iterdir()
    }
    kept = json.loads((out / "run.json").read_text(encoding="utf-8"))["audit"]
    assert [{one["first"], one["second"]} for one in kept["reuse"]] == [{"S1", "S3"}, {"S2", "old.png"}]
    with (out / "findings.csv").open(encoding="utf-8", newline="") as file:
        assert [row["grade"] for row in csv.DictReader(file)][:2] == ["major", "major"]


def test_a_run_that_cannot_start_says_why(tmp_path: Path) -> None:
    assert audit(tmp_path / "none.csv", "--out", tmp_path / "out")[0] == 2
    sheet = tmp_path / "lot.csv"
    sheet.write_text("section,image\na,a.png\n", encoding="utf-8")
    status, told = audit(sheet, "--claim", tmp_path / "none.toml", "--out", tmp_path / "out")
    assert (status, "none.toml: cannot be read" in told) == (2, True)


def test_what_cannot_be_measured_is_told_row_by_row(write_lot: Callable[..., Path], tmp_path: Path) -> None:
    gone = {"section": "S3", "image": "gone.png"}
    sheet = write_lot(tmp_path, gone, {"section": "S4", "image": "s2.png", "stated_bond_width": "abc"})
    _, told = audit(sheet, "--out", tmp_path / "out", "--jobs", 1)
    assert "lot.csv: row 4, gone.png: no such file" in told
    assert "lot.csv: row 5, stated_bond_width = abc: must be a plain number" in told
    assert "minor: Sections that could not be measured (S3, S4)" in told


def test_the_packages_own_pictures_are_no_earlier_ones(
    write_lot: Callable[..., Path], tmp_path: Path
) -> None:
    lot = _lot(write_lot(tmp_path, changes={"lot": "L1", "supplier": "made up"}))
    shutil.copy(tmp_path / "s1.png", tmp_path / "copy.png")
    assert [one.name for one in pictures_in([tmp_path], lot)] == ["copy.png"]
    with open_store(tmp_path / "records.db", create=True) as store:
        run = begin_run(
            store,
            who="made up",
            sheet="lot.csv",
            sheet_sha256="0" * 64,
            tool="",
            python="",
            libraries={},
            settings={},
        )
        for record in lot.sections:
            keep(store, run, record, record.row.section)
        assert pictures_in_store(store, lot) == []
        other = _lot(write_lot(tmp_path, changes={"lot": "L2", "supplier": "made up"}))
        assert [one.sha256[:2] for one in pictures_in_store(store, other)] == ["00", "11"]


def test_measured_sections_are_met_by_later_audits(write_lot: Callable[..., Path], tmp_path: Path) -> None:
    store = tmp_path / "records.db"
    sheet = write_lot(tmp_path, changes={"lot": "L1"})
    for resume in ([], ["--resume"]):
        done = CliRunner().invoke(
            main,
            [
                "measure",
                str(sheet),
                "--out",
                str(tmp_path / "out"),
                "--store",
                str(store),
                "--quiet",
                *resume,
            ],
        )
        assert done.exit_code in (0, 1)
    with open_store(store) as opened:
        known = pictures_in_store(opened, lot_of("L2", []))
        with opened.reading() as connection:
            told = connection.execute(select(events.c.what)).scalars().all()
    assert sorted(one.name for one in known) == ["S1 of lot L1 (record store)", "S2 of lot L1 (record store)"]
    assert all(one.fingerprint for one in known)
    assert told.count("pictures kept") == 1


def _lot(sheet: Path) -> LotRecord:
    read = read_lot_sheet(sheet)
    sections = tuple(
        SectionRecord(row, str(number) * 64, (0, 0), None, (), (), (), None)
        for number, row in enumerate(read.rows)
    )
    return LotRecord(read, None, sections, {})


def lot_of(lot: str, names: list[str]) -> LotRecord:
    """Return a lot of sections without anything but their names."""
    rows = [SheetRow(number + 2, name, Path(name), name, lot=lot) for number, name in enumerate(names)]
    sections = tuple(SectionRecord(row, "", (0, 0), None, (), (), (), None) for row in rows)
    return LotRecord(LotSheet(Path("lot.csv"), "", tuple(rows)), None, sections, {})
