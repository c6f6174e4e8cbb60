"""From pictures of a micrometer to a record on file, its sheet, and its drift over the years.

The scale must come back to 0.005 % (see the micrometer's own tests); limits of the individuals chart are checked
against the NIST/SEMATECH e-Handbook's flow-rate example (6.3.2.2) to 1e-3, for it uses d2 rounded to 1.128.
"""

import datetime as dt
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from xsect.capture.calibrate import Setup, Standard, calibrate, save_calibration
from xsect.capture.calibration import CalibrationRecord, list_records, load_record
from xsect.capture.drift import calibration_drift
from xsect.capture.micrometer import Thermal
from xsect.reasons import Refusal
from xsect.report.calibration_sheet import calibration_sheet, marked_picture
from xsect.report.drift_chart import drift_chart
from xsect.synth.micrometer import MicrometerScene, draw_micrometer

SETUP = Setup("obj10", "10x/0.30", "cam1", "kb", dt.date(2026, 3, 2), dt.date(2027, 3, 1))
STANDARD = Standard("SM-10", 10.0, 0.005, Thermal(23, 1))
ALONG = MicrometerScene(0.8, 0.804, width_px=700, height_px=460, start_px=(30.0, 300.0), tilt_deg=1.0, dust=8)
DOWN = replace(ALONG, tilt_deg=91.0, start_px=(350.0, 20.0))


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("micrometer")
    paths = []
    for number, scene in enumerate((ALONG, replace(ALONG, start_px=(12.0, 260.0)), DOWN)):
        paths.append(folder / f"shot {number}.png")
        cv2.imwrite(str(paths[-1]), draw_micrometer(scene, number))
    return paths


def test_two_axes_and_repeats(pictures: list[Path]) -> None:
    made = calibrate(pictures, SETUP, STANDARD)
    record = made.record
    # 3 K above the certificate's 20 °C a glass pitch of 10 µm has grown by 3 × 8.5e-6.
    assert record.um_per_px_x == pytest.approx(0.8 * (1 + 3 * 8.5e-6), rel=5e-5)
    assert record.um_per_px_y == pytest.approx(0.804 * (1 + 3 * 8.5e-6), rel=5e-5)
    assert (record.image_width_px, record.image_height_px) == (700, 460)
    assert record.repeats == 3
    assert record.skew_deg == pytest.approx(1.0, abs=0.1)
    # The certificate rules: 0.005 of 10 µm; rounded up, never down.
    assert record.u_relative == pytest.approx(5e-4, rel=0.05)
    assert record.u_relative >= made.scales.u_relative
    assert len(made.readings) == 3


def test_one_picture_says_so(pictures: list[Path]) -> None:
    made = calibrate(pictures[:1], SETUP, STANDARD)
    assert made.record.um_per_px_x == made.record.um_per_px_y
    assert "y (downwards) was not measured" in made.record.notes


def test_round_trip_through_the_folder(pictures: list[Path], tmp_path: Path) -> None:
    made = calibrate(pictures, SETUP, STANDARD)
    files = save_calibration(made, tmp_path / "calibration")
    assert [path.name for path in files] == ["obj10.toml", "obj10_1.png", "obj10_2.png", "obj10_3.png"]
    assert load_record("obj10", tmp_path / "calibration").record == made.record
    (status,) = list_records(tmp_path / "calibration", dt.date(2026, 6, 1))
    assert (status.state, status.problem) == ("valid", "")
    with pytest.raises(FileExistsError, match="never overwritten"):
        save_calibration(made, tmp_path / "calibration")
    files[2].write_bytes(b"another picture")
    files[3].unlink()
    (status,) = list_records(tmp_path / "calibration", dt.date(2026, 6, 1))
    assert status.problem == "its picture obj10_2.png has changed since; its picture obj10_3.png is missing"


def test_refusals_name_what_is_wrong(pictures: list[Path], tmp_path: Path) -> None:
    blank = tmp_path / "blank.png"
    cv2.imwrite(str(blank), np.full((460, 700), 180, np.uint8))
    with pytest.raises(Refusal, match=r"blank\.png") as caught:
        calibrate([*pictures, blank], SETUP, STANDARD)
    assert caught.value.finding.code == "graduation_not_found"
    with pytest.raises(Refusal, match="valid_until") as caught:
        calibrate(pictures[:1], replace(SETUP, valid_until=dt.date(2025, 1, 1)), STANDARD)
    assert caught.value.finding.code == "calibration_invalid"
    with pytest.raises(Refusal, match="name = a/b"):
        calibrate(pictures[:1], replace(SETUP, name="a/b"), STANDARD)
    other = tmp_path / "other.png"
    cv2.imwrite(str(other), draw_micrometer(replace(ALONG, width_px=640), 1))
    with pytest.raises(ValueError, match="one size"):
        calibrate([pictures[0], other], SETUP, STANDARD)
    with pytest.raises(ValueError, match="at least one"):
        calibrate([], SETUP, STANDARD)


def test_sheet_is_one_page_and_repeatable(pictures: list[Path]) -> None:
    made = calibrate(pictures, replace(SETUP, notes="x" * 60), STANDARD)
    sheet = calibration_sheet(made)
    assert sheet.startswith(b"%PDF")
    crowded = replace(made.scales, cautions=("the scale changes by 0.20% over the field: distortion",) * 6)
    many = tuple(replace(made.pictures[k % 3], path=Path(f"{k}.png")) for k in range(12))
    full = calibration_sheet(replace(made, scales=crowded, pictures=many))
    assert full.count(b"/Type /Page\n") + full.count(b"/Type/Page/") + full.count(b"/Type /Page ") == 1
    assert sheet.count(b"/Type /Page\n") + sheet.count(b"/Type/Page/") + sheet.count(b"/Type /Page ") == 1
    assert calibration_sheet(calibrate(pictures, replace(SETUP, notes="x" * 60), STANDARD)) == sheet


def test_marks_lie_on_the_lines(pictures: list[Path]) -> None:
    """Blue pixels of the marked picture lie where the lines are dark in the picture itself."""
    made = calibrate(pictures[:1], SETUP, STANDARD)
    marked = marked_picture(made.pictures[0]).astype(int)
    dark = made.pictures[0].raw.pixels
    blue = marked[..., 2] - marked[..., 0] > 60
    assert blue.sum() > 1000
    assert dark[blue].mean() < 0.7 * dark[~blue].mean()


def records(scales: list[float], **changes: Any) -> list[CalibrationRecord]:
    given: dict[str, Any] = {
        "objective": "10x/0.30", "camera": "cam1", "image_width_px": 700, "image_height_px": 460, "u_relative": 0.001,
        "operator": "kb", "micrometer": {"certificate": "SM-10", "pitch_um": 10.0, "u_pitch_um": 0.005},
        "image": {"file": "a.png", "sha256": "0" * 64},
    }  # fmt: skip
    start = dt.date(2024, 1, 15)
    return [
        CalibrationRecord.model_validate(
            given
            | {
                "name": f"{changes.get('camera', 'cam1')}_{k}",
                "um_per_px_x": scale,
                "um_per_px_y": scale,
                "date": start + k * dt.timedelta(days=91),
                "valid_until": start + (k + 4) * dt.timedelta(days=91),
            }
            | changes
        )
        for k, scale in enumerate(scales)
    ]


FLOWRATE = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
"""NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2."""


def test_limits_of_the_published_example() -> None:
    (series,) = calibration_drift(reversed(records([value / 100 for value in FLOWRATE])))
    assert [round(100 * point.um_per_px, 6) for point in series.points] == FLOWRATE
    assert 100 * series.centre == pytest.approx(50.81)
    assert 100 * series.mean_range == pytest.approx(1.8778, abs=1e-4)
    assert 100 * series.upper == pytest.approx(55.8041, rel=1e-3)
    assert 100 * series.lower == pytest.approx(45.8159, rel=1e-3)
    assert 100 * series.range_upper == pytest.approx(6.1349, rel=1e-3)
    assert not any(point.outside for point in series.points)
    assert series.points[1].change == pytest.approx(47.6 / 49.6 - 1)


@pytest.mark.parametrize(
    ("certificates", "u", "u_change"),
    [
        # 0.1 % each, of which 0.05 % is the pitch of 10 µm ± 0.005 µm (u).
        (("SM-10", "SM-10"), 0.001, math.sqrt(2 * (0.001**2 - 0.0005**2))),
        (("SM-10", "SM-11"), 0.001, math.sqrt(2) * 0.001),
        (("none named", "none named"), 0.001, math.sqrt(2) * 0.001),
        # A record of no more than its pitch's uncertainty still has some of its own.
        (("SM-10", "SM-10"), 0.0005, math.sqrt(2) * 0.15 * 0.0005),
    ],
)
def test_the_pitch_of_one_micrometer_does_not_hide_a_change(
    certificates: tuple[str, str], u: float, u_change: float
) -> None:
    first, second = (
        record.model_copy(update={"micrometer": record.micrometer.model_copy(update={"certificate": text})})
        for record, text in zip(records([0.8, 0.8008], u_relative=u), certificates, strict=True)
    )
    (series,) = calibration_drift([first, second])
    assert series.points[1].sigma_change == pytest.approx(0.001 / u_change)


def test_a_jump_is_flagged_and_series_are_kept_apart() -> None:
    steady = [0.8, 0.8002, 0.7999, 0.8001, 0.8, 0.8002, 0.7999, 0.8001, 0.8, 0.8001]
    jumped, short = calibration_drift(
        records([*steady, 0.806], camera="cam1") + records([0.5, 0.5001], camera="cam2")
    )
    assert [point.outside for point in jumped.points] == [False] * 10 + [True]
    assert np.isnan(short.centre)
    assert not any(point.outside for point in short.points)
    for series in (jumped, short):
        chart = drift_chart(series)
        assert chart.startswith("<svg")
        assert chart == drift_chart(series)
