"""The command line end to end: what it prints, writes and returns, on small drawn sections."""

import csv
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import cv2
import pytest
from click.testing import CliRunner, Result

import xsect
from xsect.capture.image_files import MAX_PIXELS
from xsect.cli import main
from xsect.commands import demo, measure
from xsect.synth.demo import draw_demo_micrometer
from xsect.synth.demo_scenes import GOOD_LOT, TROUBLE_LOT, UM_PER_PX

ROOT = Path(__file__).parents[1]
Write = Callable[..., Path]
OUTPUTS = ("measurements.csv", "verdicts.csv", "tables.xlsx", "report.html", "report.pdf", "run.json")


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def table(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_measure_accepts_and_writes_everything(
    tmp_path: Path, write_lot: Write, write_criteria: Write
) -> None:
    sheet, out = write_lot(tmp_path), tmp_path / "report"
    made = run("measure", sheet, "--criteria", write_criteria(tmp_path), "--out", out, "--jobs", "1")
    assert (made.exit_code, made.stderr) == (0, "")
    assert made.stdout.splitlines()[-2:] == [
        "2 sections: 2 accept",
        f"Report: {out / 'report.html'} and report.pdf; tables and run.json beside them",
    ]
    assert {path.name for path in out.iterdir()} == {*OUTPUTS, "figures"}
    assert len(list((out / "figures").iterdir())) == 4
    assert {row["verdict"] for row in table(out / "verdicts.csv")} == {"accept"}


def test_measure_returns_1_where_a_section_is_not_accepted(
    tmp_path: Path, write_lot: Write, write_criteria: Write
) -> None:
    criteria = write_criteria(tmp_path, least=1e6)
    made = run("measure", write_lot(tmp_path), "--criteria", criteria, "--out", tmp_path / "r", "--jobs", "1")
    assert made.exit_code == 1
    assert "2 sections: 2 reject" in made.stdout


def test_without_criteria_measured_is_enough(tmp_path: Path, write_lot: Write) -> None:
    sheet = write_lot(tmp_path)
    made = run("measure", sheet, "--out", tmp_path / "r", "--jobs", "1", "--quiet")
    assert (made.exit_code, made.output) == (0, "")
    assert table(tmp_path / "r" / "verdicts.csv") == []
    lone = write_lot(tmp_path, {"section": "S3", "image": "gone.png"})
    assert run("measure", lone, "--out", tmp_path / "r", "--jobs", "1").exit_code == 1


def test_options_reach_the_run(tmp_path: Path, write_lot: Write) -> None:
    sheet = write_lot(tmp_path, changes={"calibration": "none_such"})
    (tmp_path / "records").mkdir()
    made = run(
        "measure", sheet, "--out", tmp_path / "r", "--date", "2026-03-31", "--max-pixels", "200000",
        "--calibration", tmp_path / "records", "--jobs", "1",
    )  # fmt: skip
    settings = json.loads((tmp_path / "r" / "run.json").read_text(encoding="utf-8"))["settings"]
    assert (settings["today"], settings["max_pixels"]) == ("2026-03-31", 200_000)
    assert "no such record in records/" in made.stderr


def test_same_inputs_same_bytes_however_many_jobs(
    tmp_path: Path, write_lot: Write, write_criteria: Write
) -> None:
    sheet, criteria = write_lot(tmp_path), write_criteria(tmp_path)
    for jobs in ("1", "2"):
        made = run(
            "measure", sheet, "--criteria", criteria, "--out", tmp_path / jobs, "--jobs", jobs,
            "--date", "2026-03-31",
        )  # fmt: skip
        assert made.exit_code == 0
    one, two = (
        {path.relative_to(tmp_path / jobs): path.read_bytes() for path in (tmp_path / jobs).rglob("*.*")}
        for jobs in ("1", "2")
    )
    assert one.keys() == two.keys()
    assert [path for path in one if one[path] != two[path]] == []


def test_a_real_process(tmp_path: Path, write_lot: Write) -> None:
    sheet = write_lot(tmp_path)
    made = subprocess.run(
        [sys.executable, "-m", "xsect", "measure", sheet.name],
        cwd=tmp_path, capture_output=True, text=True, stdin=subprocess.DEVNULL,
        env={"PYTHONPATH": str(ROOT), "PATH": ""},
    )  # fmt: skip
    assert (made.returncode, made.stderr) == (0, "")
    assert (tmp_path / "reports" / tmp_path.name / "report.pdf").is_file()


@pytest.mark.parametrize(
    ("sheet", "folder"),
    [("lots/L-17/lot.csv", "L-17"), ("lots/L-17/Lot.xlsx", "L-17"), ("lots/2026-03.csv", "2026-03")],
)
def test_the_report_is_named_after_the_lot(sheet: str, folder: str) -> None:
    assert measure.default_out(Path(sheet)) == Path("reports") / folder


def test_a_failure_of_the_program_is_not_taken_for_a_verdict(
    tmp_path: Path, write_lot: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("broken")

    monkeypatch.setattr("xsect.report.write.write_outputs", fail)
    made = run("measure", write_lot(tmp_path), "--out", tmp_path / "r", "--jobs", "1")
    assert made.exit_code == 2
    assert made.stderr.splitlines()[-1] == "RuntimeError: broken"


def test_explain(tmp_path: Path, write_criteria: Write) -> None:
    assert run("explain", "Bond", "width").stdout.startswith("bond_width: Bond width\n")
    assert run("explain", "no_scale").exit_code == 0
    made = run("explain", "width", "--criteria", write_criteria(tmp_path))
    assert made.stdout.startswith("clause width of made up for the tests (criteria.toml)\n")
    missed = run("explain", "bond_widht")
    assert missed.exit_code == 2
    assert missed.stderr.startswith("bond_widht: no such quantity, reason or advice, did you mean bond_width")


MICROMETER = (
    "--objective", "5x", "--camera", "cam 1", "--operator", "kb", "--certificate", "SM-1", "--pitch-um", "50",
    "--u-pitch-um", "0.02", "--date", "2026-03-02", "--valid-until", "2027-03-02",
)  # fmt: skip


@pytest.fixture(scope="module")
def micrometer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's picture of a stage micrometer, 50 µm a line at 1.9975 µm/px."""
    path = tmp_path_factory.mktemp("micrometer") / "rows.png"
    cv2.imwrite(str(path), draw_demo_micrometer(along_rows=True))
    return path


def test_calibrate_files_a_record_and_lists_it(tmp_path: Path, micrometer: Path) -> None:
    folder = tmp_path / "calibration"
    command = ("calibrate", micrometer, "--name", "obj5", *MICROMETER, "--folder", folder)
    made = run(*command)
    assert (made.exit_code, made.stderr) == (0, "")
    assert {path.name for path in folder.iterdir()} == {"obj5.toml", "obj5.png", "obj5.pdf"}
    words = run("calibrations", "--folder", folder, "--date", "2026-04-01").stdout.splitlines()[1].split()
    assert (words[0], words[-4:]) == ("obj5", ["2026-03-02", "to", "2027-03-02", "valid"])
    assert float(words[-6]) == pytest.approx(UM_PER_PX, rel=1e-3)  # the reading's own uncertainty is 0.04 %
    again = run(*command)
    assert again.exit_code == 2
    assert again.stderr == f"{folder / 'obj5.toml'}: is there already; a calibration is never overwritten\n"


def test_calibrations_show_the_change_between_records(tmp_path: Path, micrometer: Path) -> None:
    for name, more in (("a", ()), ("b", ("--supersedes", "a", "--date", "2026-06-01"))):
        run("calibrate", micrometer, "--name", name, *MICROMETER, *more, "--folder", tmp_path)
    charts = tmp_path / "charts"
    listed = run("calibrations", "--folder", tmp_path, "--date", "2026-07-01", "--charts", charts).stdout
    assert "superseded by b on 2026-06-01" in listed
    last, chart = listed.splitlines()[-2:]
    assert (last.split()[:2], last.split()[-2:]) == (["b", "2026-06-01"], ["+0.000%", "+0.0"])
    assert chart == f"Chart of 5x, cam 1, 1400 × 1000 px: {charts / 'drift-1.svg'}"
    assert ElementTree.parse(charts / "drift-1.svg").getroot().tag == "{http://www.w3.org/2000/svg}svg"


@pytest.mark.parametrize(
    ("picture", "options", "line"),
    [
        ("gone.png", (), "gone.png: no such file"),
        ("rows.png", ("--celsius", "25"), "--celsius and --u-celsius go together"),
        (
            "rows.png",
            ("--valid-until", "2026-03-01"),
            "valid_until = 2026-03-01 must not be before date = 2026-03-02",
        ),
        ("rows.png", ("--pitch-um", "-50"), "'--pitch-um': -50.0 is not in the range x>0."),
    ],
)
def test_calibrate_refuses(
    picture: str, options: tuple[str, ...], line: str, tmp_path: Path, micrometer: Path
) -> None:
    made = run(
        "calibrate",
        micrometer.with_name(picture),
        "--name",
        "x",
        *MICROMETER,
        *options,
        "--folder",
        tmp_path / "c",
    )
    assert made.exit_code == 2
    assert line in made.stderr.splitlines()[-1]
    assert not (tmp_path / "c").exists()


@pytest.mark.parametrize(
    "arguments",
    [("--help",), ("explain", "bond_width"), ("calibrations", "--folder", str(ROOT / "calibration"))],
    ids=["before any command", "lines", "a table"],
)
def test_a_reader_that_stops_reading_ends_it_without_a_word(arguments: tuple[str, ...]) -> None:
    read, write = os.pipe()
    os.close(read)
    made = subprocess.run([sys.executable, "-m", "xsect", *arguments], stdout=write, stderr=subprocess.PIPE)
    os.close(write)
    assert (made.returncode, made.stderr) == (141, b"")


def test_calibrations_of_an_empty_folder(tmp_path: Path) -> None:
    made = run("calibrations", "--folder", tmp_path)
    assert (made.exit_code, made.stderr) == (2, f"{tmp_path}: holds no calibration record\n")


def test_demo_runs_without_the_repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The lots are cut down to one section each: all of them are measured where the sample lots are tested."""
    monkeypatch.setattr("xsect.synth.demo.GOOD_LOT", GOOD_LOT[:1])
    monkeypatch.setattr("xsect.synth.demo.TROUBLE_LOT", TROUBLE_LOT[3:4])
    monkeypatch.chdir(tmp_path)
    made = run("demo", "--jobs", "1")
    assert (made.exit_code, made.stderr) == (0, "")
    assert "1 section: 1 accept" in made.stdout
    assert "1 section: 1 reject" in made.stdout
    told = re.findall(r"^  (\S+/\S+)", made.stdout, flags=re.MULTILINE)
    assert len(told) == 4
    assert all(list((tmp_path / "xsect_demo").glob(one)) for one in told)
    runs = [json.loads(path.read_text(encoding="utf-8")) for path in tmp_path.rglob("run.json")]
    assert [one["sections"][0]["scale"]["source"] for one in runs] == ["calibration record"] * 2
    again = run("demo")
    assert (again.exit_code, again.stderr) == (
        2,
        "xsect_demo: holds a demo already; name another folder with --out\n",
    )


def test_the_demo_has_the_sample_lots_criteria() -> None:
    sample = ROOT / "sample_images" / "criteria" / demo.CRITERIA
    assert (ROOT / "xsect" / "synth" / "demo_criteria.toml").read_bytes() == sample.read_bytes()


def test_version_and_limit() -> None:
    assert run("--version").output == f"xsect {xsect.__version__}\n"
    assert measure.MAX_PIXELS == MAX_PIXELS
