"""The commands of the scale, as a lab uses them: read a micrometer, file a record, find one that was edited."""

import datetime as dt
import json
import re
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from xsect.capture.calibration import CalibrationRecord
from xsect.cli import main
from xsect.synth.micrometer import MicrometerScene, draw_micrometer

SCENE = MicrometerScene(0.8, 0.8, width_px=600, height_px=400, start_px=(25.0, 250.0), dust=2)
RECORD = ("--objective", "10x", "--camera", "cam 1", "--operator", "kb")


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments])


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("micrometer") / "shot.png"
    cv2.imwrite(str(path), draw_micrometer(SCENE, 1))
    return path


def test_a_picture_and_a_pitch_are_enough_to_read_a_scale(
    picture: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    made = run("calibrate", picture, "--pitch-um", 10)
    assert (made.exit_code, made.stderr) == (0, "")
    assert float(made.stdout.split()[1]) == pytest.approx(0.8, rel=2e-5)
    assert "Caution: no certificate was named" in made.stdout
    # 0.1 % either way as a rectangular distribution, 0.05 % for pixels taken to be square: 0.065 %.
    assert "relative standard uncertainty 0.07%" in made.stdout
    assert made.stdout.splitlines()[-1] == "Nothing was written: give --name for a record."
    assert list(tmp_path.iterdir()) == []


def test_a_record_needs_what_it_is_for(picture: Path, tmp_path: Path) -> None:
    made = run(
        "calibrate", picture, "--pitch-um", 10, "--name", "a", "--camera", "cam 1", "--folder", tmp_path
    )
    assert made.exit_code == 2
    assert "a record (--name) needs --objective, --operator too" in made.stderr
    made = run("calibrate", picture, "--pitch-um", 10, "--name", "a", *RECORD, "--date", "2028-02-29",
               "--folder", tmp_path)  # fmt: skip
    assert made.exit_code == 0
    assert "valid until 2029-02-28" in made.stdout
    text = (tmp_path / "a.toml").read_text(encoding="utf-8")
    assert 'certificate = "none named"' in text
    assert "nothing proves it" in text


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--pitch-um", -10), "-10.0 is not in the range x>0"),
        (("--pitch-um", "ten"), "'ten' is not a valid number"),
        (("--pitch-um", "nan"), "nan is not a number"),
        (("--pitch-um", 10, "--u-pitch-um", "inf"), "inf is not a number"),
        (("--pitch-um", 10, "--celsius", 293, "--u-celsius", 1), "293.0 is not in the range -20<=x<=60"),
        (("--pitch-um", 10, "--celsius", 20), "--celsius and --u-celsius go together"),
        ((), "Missing option '--pitch-um'"),
    ],
)
def test_options_that_make_no_sense(picture: Path, options: tuple[object, ...], words: str) -> None:
    made = run("calibrate", picture, *options)
    assert made.exit_code == 2
    assert words in made.stderr


def test_only_a_record_of_the_same_objective_is_replaced(picture: Path, tmp_path: Path) -> None:
    command = ("calibrate", picture, "--pitch-um", 10, "--folder", tmp_path)
    assert run(*command, "--name", "old", *RECORD, "--date", "2026-03-02").exit_code == 0
    new = (*command, "--name", "new", "--camera", "cam 1", "--operator", "kb")
    made = run(*new, "--objective", "10x", "--supersedes", "olt")
    assert (made.exit_code, made.stderr.count("did you mean old?")) == (2, 1)
    made = run(*new, "--objective", "20x", "--supersedes", "old")
    assert "supersedes = old: is of objective 10x, the new record of 20x" in made.stderr
    made = run(*new, "--objective", "10x", "--supersedes", "old", "--date", "2026-01-01")
    assert "younger than the new record of 2026-01-01" in made.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["old.pdf", "old.png", "old.toml"]


def test_nothing_on_file_is_overwritten(picture: Path, tmp_path: Path) -> None:
    """A sheet without its record is kept; the picture may lie there beforehand, if it is the same."""
    (tmp_path / "a.png").write_bytes(picture.read_bytes())
    (tmp_path / "a.pdf").write_bytes(b"signed")
    command = (
        "calibrate",
        tmp_path / "a.png",
        "--pitch-um",
        10,
        "--name",
        "a",
        *RECORD,
        "--folder",
        tmp_path,
    )
    refused = run(*command)
    assert (refused.exit_code, refused.stderr.count("a.pdf: is there already")) == (2, 1)
    assert (tmp_path / "a.pdf").read_bytes() == b"signed"
    (tmp_path / "a.pdf").unlink()
    assert run(*command).exit_code == 0


def test_an_edited_record_is_found_by_the_runs_that_used_it(picture: Path, tmp_path: Path) -> None:
    """A lot measured with a record; then somebody changes one digit of its scale."""
    folder, section = tmp_path / "calibration", tmp_path / "a.png"
    run("calibrate", picture, "--pitch-um", 10, "--name", "obj10", *RECORD, "--folder", folder)
    cv2.imwrite(str(section), draw_micrometer(SCENE, 1))  # no section, but of the record's size
    (tmp_path / "lot.csv").write_text("section,image,calibration\nA,a.png,obj10\nB,a.png,obj10\n")
    out = tmp_path / "reports" / "lot"
    run("measure", tmp_path / "lot.csv", "--out", out, "--jobs", 1, "--quiet")
    command = ("calibrations", "--folder", folder, "--runs", tmp_path / "reports")
    kept = run(*command)
    assert kept.exit_code == 0
    used = f"{out / 'run.json'}: 2 sections measured with record obj10"
    assert kept.stdout.splitlines()[-1] == f"{used}, which is unchanged"
    path = folder / "obj10.toml"
    path.write_text(
        re.sub(r"(um_per_px_x = 0\.)\d", r"\g<1>9", path.read_text(encoding="utf-8")), encoding="utf-8"
    )
    edited = run(*command)
    assert edited.exit_code == 1
    assert f"{used}, which was changed since: SHA-256 " in edited.stderr
    path.rename(folder / "obj10_old.toml")
    assert f"{used}, which is no longer on file" in run(*command).stderr


def test_the_list_tells_state_scale_and_drift(
    write: Callable[..., CalibrationRecord], tmp_path: Path
) -> None:
    for number, (day, scale) in enumerate(
        (("2025-02-03", 0.58), ("2026-01-12", 0.5803), ("2026-12-01", 0.5798))
    ):
        date = dt.date.fromisoformat(day)
        changes = {"name": f"r{number}", "date": date, "valid_until": date.replace(year=date.year + 1)}
        write(
            **changes,
            um_per_px_x=scale,
            um_per_px_y=1.01 * scale,
            supersedes=f"r{number - 1}" if number else None,
        )
    write(name="other", camera="cam9", valid_until=dt.date(2026, 11, 30))
    listed = run(
        "calibrations", "--folder", tmp_path / "calibration", "--date", "2026-11-20", "--charts", tmp_path
    )
    assert listed.exit_code == 0
    text = " ".join(listed.stdout.split())
    assert "0.58 × 0.5858 0.10% 2025-02-03 to 2026-02-03 superseded by r1 on 2026-01-12" in text
    assert "due soon: is valid until 2026-11-30" in text
    assert "not yet valid: is valid from 2026-12-01" in text
    assert (tmp_path / "drift-1.svg").read_text(encoding="utf-8").startswith("<svg")
    assert not (tmp_path / "drift-2.svg").exists()  # one calibration alone has not drifted


def test_a_file_that_is_no_run(picture: Path, tmp_path: Path) -> None:
    folder = tmp_path / "c"
    run("calibrate", picture, "--pitch-um", 10, "--name", "a", *RECORD, "--folder", folder)
    (tmp_path / "run.json").write_text(json.dumps({"rows": []}))
    made = run("calibrations", "--folder", folder, "--runs", tmp_path)
    assert made.exit_code == 2
    assert "run.json: not a record of a run" in made.stderr
    made = run("calibrations", "--folder", folder, "--runs", folder)
    assert (made.exit_code, made.stderr) == (2, f"{folder}: holds no run.json\n")


def test_a_bar_of_stated_length_gives_the_scale(tmp_path: Path) -> None:
    """--bar-um for rows that give none; the sheet's own bar_um goes first. The bar has no label at all."""
    picture = np.random.default_rng(3).normal(140, 8, (300, 500)).clip(20, 230).astype(np.uint8)
    picture[40:46, 100:350] = 0
    cv2.imwrite(str(tmp_path / "a.png"), picture)
    (tmp_path / "lot.csv").write_text("section,image,bar_um\nA,a.png,\nB,a.png,125\n")
    run("measure", tmp_path / "lot.csv", "--bar-um", 250, "--out", tmp_path / "out", "--jobs", 1, "--quiet")
    made = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    # 250 px, either end to 0.1 px.
    scales = [section["scale"]["x_um"] for section in made["sections"]]
    assert scales == [pytest.approx(1.0, rel=1e-3), pytest.approx(0.5, rel=1e-3)]
    assert made["settings"]["bar_um"] == 250
    refused = run("measure", tmp_path / "lot.csv", "--bar-um", 0)
    assert refused.exit_code == 2
    assert "0.0 is not in the range x>0" in refused.stderr
    assert "nan is not a number" in run("measure", tmp_path / "lot.csv", "--bar-um", "nan").stderr
