"""Verify, end to end: a run left alone holds; whatever was changed since is named with its value then and now."""

import csv
import datetime as dt
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import cv2
import pytest
from click.testing import CliRunner, Result

from xsect.capture.calibration import CalibrationRecord, write_record
from xsect.cli import main

Write = Callable[..., Path]

RECORD = {
    "name": "obj5", "objective": "5x", "camera": "bench", "binning": 1, "image_width_px": 500, "image_height_px": 334,
    "um_per_px_x": 4.0, "um_per_px_y": 4.0, "u_relative": 0.001, "date": dt.date(2026, 1, 5),
    "valid_until": dt.date(2027, 1, 4), "operator": "kb", "repeats": 2, "skew_deg": 0.0,
    "micrometer": {"certificate": "SM-17", "pitch_um": 10.0, "u_pitch_um": 0.005},
    "image": {"file": "obj5.png", "sha256": "0" * 64},
}  # fmt: skip


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory, write_lot: Write, write_criteria: Write) -> Path:
    """A folder with a lot of two sections, its criteria and calibration record, and the run in report/."""
    home = tmp_path_factory.mktemp("finished")
    write_record(CalibrationRecord.model_validate(RECORD), home / "calibration")
    changes = {"um_per_px": "", "upper_thickness_um": "", "lower_thickness_um": "", "calibration": "obj5"}
    sheet = write_lot(home, changes=changes)
    made = run(
        "measure", sheet, "--criteria", write_criteria(home), "--out", home / "report", "--date", "2026-03-31",
        "--jobs", "1",
    )  # fmt: skip
    assert made.exit_code in (0, 1), made.output
    return home


@pytest.fixture
def home(finished: Path, tmp_path: Path) -> Path:
    """A copy of it to be tampered with."""
    return Path(shutil.copytree(finished, tmp_path / "copy"))


def verify(home: Path, *options: str | Path) -> Result:
    return run("verify", home / "report", "--jobs", "1", *options)


def test_an_untouched_run_holds(home: Path) -> None:
    made = verify(home)
    assert (made.exit_code, made.stderr) == (0, "")
    files = sum(path.is_file() for path in (home / "report").rglob("*"))
    assert made.stdout == f"2 sections measured again, {files} files compared: nothing differs\n"
    assert verify(home, "--quiet").stdout == ""


def test_an_edited_picture(home: Path) -> None:
    path = home / "s1.png"
    pixels = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    cv2.imwrite(str(path), cv2.GaussianBlur(pixels, (0, 0), 1.5))
    made = verify(home)
    lines = made.stdout.splitlines()
    assert made.exit_code == 1
    assert lines[0].startswith("s1.png: picture of section S1: SHA-256 ")
    before = cell(home, "S1", "bond_width", "value")
    width = [line for line in lines if line.startswith("measurements.csv: S1 bond_width, value: ")]
    assert len(width) == 1
    assert width[0].startswith(f"measurements.csv: S1 bond_width, value: {before} then, ")
    assert not any(" S2 " in line for line in lines)
    assert any(line.startswith("report.pdf: bytes: SHA-256 ") for line in lines)


def cell(home: Path, section: str, quantity: str, column: str) -> str:
    with (home / "report" / "measurements.csv").open(newline="") as file:
        rows = csv.DictReader(file)
        return next(
            row[column] for row in rows
            if (row["section"], row["segment"], row["quantity"]) == (section, "", quantity)
        )  # fmt: skip


def test_an_edited_table(home: Path) -> None:
    path, before = home / "report" / "measurements.csv", cell(home, "S2", "bond_width", "value")
    text = path.read_text()
    place = text.index(",S2,,bond_width,") + len(",S2,,bond_width,")
    path.write_text(text[:place] + "9999" + text[place + len(before) :])
    made = verify(home)
    assert made.exit_code == 1
    assert made.stdout.splitlines()[:-1] == [
        f"measurements.csv: S2 bond_width, value: 9999 then, {before} now"
    ]


def test_a_row_left_out_of_a_table(home: Path) -> None:
    path = home / "report" / "verdicts.csv"
    path.write_text("".join(path.read_text().splitlines(keepends=True)[:-1]))
    assert verify(home).stdout.splitlines()[:-1] == ["verdicts.csv: S2 width: no row then, a row now"]


def test_an_edited_calibration_record(home: Path) -> None:
    path = home / "calibration" / "obj5.toml"
    path.write_text(path.read_text().replace("= 4.0", "= 4.1"))
    made = verify(home)
    lines = made.stdout.splitlines()
    assert made.exit_code == 1
    records = [line for line in lines if line.startswith("obj5.toml: calibration record of section ")]
    assert len(records) == 2
    assert "run.json: section S1, scale x_um: 4.0 then, 4.1 now" in lines
    assert any(line.startswith("measurements.csv: S1 bond_width, value: ") for line in lines)


def test_a_missing_picture(home: Path) -> None:
    (home / "s2.png").unlink()
    made = verify(home)
    lines = made.stdout.splitlines()
    assert made.exit_code == 1
    assert lines[0].startswith("s2.png: picture of section S2: SHA-256 ")
    assert lines[0].endswith(" then, missing now")
    assert not any(line.startswith("measurements.csv: S") for line in lines)


def test_another_version(home: Path) -> None:
    path = home / "report" / "run.json"
    kept = json.loads(path.read_text())
    kept["tool"]["version"], kept["libraries"]["numpy"] = "0.0.9", "1.0"
    path.write_text(json.dumps(kept))
    made = verify(home)
    assert made.exit_code == 1
    now = json.loads((home / "report" / "run.json").read_text())
    assert now == kept
    told = [line.split(" then, ")[0] for line in made.stdout.splitlines()[:-1]]
    assert told == ["run.json: tool version: 0.0.9", "run.json: libraries numpy: 1.0"]


def test_edited_criteria(home: Path) -> None:
    path = home / "criteria.toml"
    path.write_text(path.read_text().replace("um = 10", "um = 1000000"))
    made = verify(home)
    lines = made.stdout.splitlines()
    assert lines[0].startswith("criteria.toml: criteria: SHA-256 ")
    assert any(line.startswith("verdicts.csv: S1 width, verdict: ") for line in lines)


def test_an_edited_sheet_must_be_named(home: Path) -> None:
    sheet = home / "lot.csv"
    sheet.write_text(sheet.read_text().replace("S2", "S7"))
    made = verify(home)
    assert made.exit_code == 2
    assert "its lot sheet lot.csv (SHA-256 " in made.stderr
    assert made.stderr.count("\n") == 1
    named = verify(home, "--sheet", sheet)
    assert named.exit_code == 1
    assert named.stdout.startswith("lot.csv: lot sheet: SHA-256 ")
    assert "run.json: section S2, section: S2 then, S7 now" in named.stdout.splitlines()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (None, "no such file: the folder holds no run"),
        ("{}", "not the record of a run"),
        ('{"format": 9}', "must be 1"),
    ],
)
def test_a_folder_without_a_run(tmp_path: Path, text: str | None, says: str) -> None:
    if text is not None:
        (tmp_path / "run.json").write_text(text)
    made = run("verify", tmp_path)
    assert made.exit_code == 2
    assert says in made.stderr
    assert str(tmp_path / "run.json") in made.stderr
