"""Calibration records: written and read back, refused with file, key and rule, judged on the day of use."""

import datetime as dt
import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from xsect.capture.calibration import (
    CalibrationRecord,
    check_use,
    find_folder,
    list_records,
    load_record,
    write_record,
)
from xsect.reasons import Refusal

DAY = dt.date(2026, 6, 1)
Write = Callable[..., CalibrationRecord]


def refusal(name: str, folder: Path | None) -> tuple[str, str]:
    with pytest.raises(Refusal) as error:
        load_record(name, folder)
    assert "\n" not in str(error.value)
    return error.value.finding.code, str(error.value)


def test_a_record_comes_back_with_the_hash_of_its_file(tmp_path: Path, write: Write) -> None:
    record = write(supersedes="obj20_old", notes="after the move")
    loaded = load_record("obj20", tmp_path / "calibration")
    assert loaded.record == record
    data = (tmp_path / "calibration" / "obj20.toml").read_bytes()
    assert loaded.sha256 == hashlib.sha256(data).hexdigest()


@given(
    um=st.floats(0.001, 100),
    u=st.floats(1e-6, 0.1),
    days=st.integers(0, 2000),
    text=st.text(st.characters(categories=("L", "N", "P", "S", "Zs")), min_size=1).filter(str.strip),
)
@settings(max_examples=25, deadline=None)
def test_what_is_written_comes_back(
    tmp_path_factory: pytest.TempPathFactory, um: float, u: float, days: int, text: str
) -> None:
    folder = tmp_path_factory.mktemp("calibration")
    record = CalibrationRecord.model_validate(
        {
            "name": "a", "objective": text, "camera": text, "image_width_px": 3, "image_height_px": 2,
            "um_per_px_x": um, "um_per_px_y": um, "u_relative": u, "date": DAY,
            "valid_until": DAY + dt.timedelta(days), "operator": text, "notes": text,
            "micrometer": {"certificate": text, "pitch_um": um, "u_pitch_um": u},
            "image": {"file": text, "sha256": "ab" * 32},
        }
    )  # fmt: skip
    write_record(record, folder)
    assert load_record("a", folder).record == record


def test_a_record_is_never_overwritten(write: Write) -> None:
    write()
    with pytest.raises(FileExistsError):
        write(operator="other")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("um_per_px_x = 0.582", "um_per_px_x = -1.0", "um_per_px_x = -1.0: input should be greater than"),
        (
            "um_per_px_x = 0.582",
            'um_per_px_x = "0.582"',
            "um_per_px_x = 0.582: input should be a valid number",
        ),
        ("um_per_px_x = 0.582", "um_per_px_x = nan", "um_per_px_x = nan: input should be a finite number"),
        ("um_per_px_x", "um_per_pixel_x", "um_per_pixel_x: not a key of a calibration record; did you mean"),
        ("um_per_px_x = 0.582\n", "", "um_per_px_x: must be given"),
        ("u_relative = 0.001", "u_relative = 0.0", "u_relative = 0.0: input should be greater than 0"),
        (
            "u_relative = 0.001",
            "u_relative = 0.2",
            "u_relative = 0.2: input should be less than or equal to 0.1",
        ),
        (
            "image_width_px = 200",
            "image_width_px = 200.5",
            "image_width_px = 200.5: input should be a valid int",
        ),
        ("2027-03-02", "2025-03-02", "valid_until = 2025-03-02 must not be before date = 2026-03-02"),
        ("2027-03-02", '"soon"', "valid_until = soon: input should be a valid date"),
        ("pitch_um = 10.0", "pitch_um = 0.0", "micrometer.pitch_um = 0.0: input should be greater than 0"),
        (
            "u_pitch_um",
            "u_pich_um",
            "micrometer.u_pich_um: not a key of a calibration record; did you mean u_pi",
        ),
        ("[micrometer]", "[micrometer", "not readable as TOML"),
        ('name = "obj20"', 'name = "obj50"', "name = obj50: must be the file's own name"),
        (
            'name = "obj20"',
            'name = "../x"',
            "name = ../x: must be of letters, digits, dots, hyphens and underscores only",
        ),
        ("0000", "zzzz", "image.sha256 = "),
    ],
)
def test_faults_name_file_key_value_and_rule(
    tmp_path: Path, write: Write, old: str, new: str, words: str
) -> None:
    write()
    path = tmp_path / "calibration" / "obj20.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    code, message = refusal("obj20", tmp_path / "calibration")
    assert code == "calibration_invalid"
    assert message.startswith("obj20.toml: ")
    assert words in message


def test_a_file_that_is_not_text(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes(b"\xff\xfe\x00")
    assert refusal("a", tmp_path)[0] == "calibration_invalid"


def test_missing_records_and_close_names(tmp_path: Path, write: Write) -> None:
    write()
    folder = tmp_path / "calibration"
    assert refusal("obj02", folder) == (
        "calibration_missing", "obj02: no such record in calibration/; did you mean obj20?",
    )  # fmt: skip
    assert refusal("x", None) == ("calibration_missing", "x: there is no calibration folder")
    assert refusal("../calibration/obj20", folder)[0] == "calibration_missing"
    assert refusal("x", tmp_path / "none")[0] == "calibration_missing"


def test_where_the_folder_is_looked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sheets, elsewhere = tmp_path / "lots" / "seven", tmp_path / "elsewhere"
    sheets.mkdir(parents=True)
    (elsewhere / "calibration").mkdir(parents=True)
    monkeypatch.chdir(elsewhere)
    assert find_folder(sheets) == elsewhere / "calibration"
    for folder in (tmp_path, tmp_path / "lots", sheets):
        (folder / "calibration").mkdir()
        assert find_folder(sheets) == folder / "calibration"
    assert find_folder(sheets, tmp_path / "own") == tmp_path / "own"


@pytest.mark.parametrize(
    ("on", "state"),
    [
        (dt.date(2026, 3, 1), "not yet valid"),
        (dt.date(2026, 3, 2), "valid"),
        (dt.date(2027, 1, 30), "valid"),
        (dt.date(2027, 1, 31), "due soon"),
        (dt.date(2027, 3, 2), "due soon"),
        (dt.date(2027, 3, 3), "expired"),
    ],
)
def test_state_on_a_date(tmp_path: Path, write: Write, on: dt.date, state: str) -> None:
    write()
    (status,) = list_records(tmp_path / "calibration", on)
    assert (status.name, status.state) == ("obj20", state)
    expired = state == "expired"
    findings = check_use(load_record("obj20", tmp_path / "calibration"), shape=(100, 200), on=on)
    assert [finding.code for finding in findings] == ["calibration_expired"] * expired


def test_a_superseded_record_from_the_successors_date_on(tmp_path: Path, write: Write) -> None:
    write()
    write(name="obj20_b", date=dt.date(2026, 9, 1), supersedes="obj20")
    folder = tmp_path / "calibration"
    states = {status.name: status.state for status in list_records(folder, dt.date(2026, 9, 1))}
    assert states == {"obj20": "superseded", "obj20_b": "valid"}
    old = load_record("obj20", folder)
    assert check_use(old, shape=(100, 200), on=dt.date(2026, 8, 31)) == ()
    (finding,) = check_use(old, shape=(100, 200), on=dt.date(2026, 9, 1))
    assert finding.sentence == (
        "record obj20 superseded by obj20_b on 2026-09-01; the date of use is 2026-09-01"
    )
    assert finding.effect == "needs_review"


def test_the_list_tells_of_bad_files_and_changed_pictures(tmp_path: Path, write: Write) -> None:
    folder = tmp_path / "calibration"
    write()
    write(name="b", image={"file": "b.png", "sha256": hashlib.sha256(b"x").hexdigest()})
    (folder / "b.png").write_bytes(b"x")
    (folder / "c.toml").write_text("name = 3")
    problems = {status.name: (status.state, status.problem) for status in list_records(folder, DAY)}
    assert problems["obj20"] == ("valid", "its picture obj20.png is missing")
    assert problems["b"] == ("valid", "")
    assert problems["c"][0] == "not usable"
    (folder / "b.png").write_bytes(b"y")
    assert list_records(folder, DAY)[0].problem == "its picture b.png has changed since"


@pytest.mark.parametrize("shape", [(200, 100), (50, 100), (200, 400), (99, 200)])
def test_a_picture_of_another_size_does_not_fit_the_record(
    tmp_path: Path, write: Write, shape: tuple[int, int]
) -> None:
    write()
    (finding,) = check_use(load_record("obj20", tmp_path / "calibration"), shape=shape, on=DAY)
    assert finding.code == "calibration_mismatch"
    assert f"200 × 100 px, the picture has {shape[1]} × {shape[0]} px" in finding.sentence
