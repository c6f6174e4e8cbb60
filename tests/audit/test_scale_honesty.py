"""Sources of a section's scale against each other, on pictures that show nothing."""

import datetime as dt
import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from xsect.audit.quality import judge_evidence
from xsect.audit.scale_honesty import check_scale, thickness_ratio
from xsect.capture.calibration import CalibrationRecord, Micrometer, MicrometerImage, write_record
from xsect.capture.image_files import RawImage, read_image
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.scale import Scale
from xsect.quantities import Component, measured
from xsect.reasons import Finding, Refusal
from xsect.record import SectionRecord

DAY = dt.date(2026, 10, 12)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    cv2.imwrite(
        str(tmp_path / "a.png"), np.random.default_rng(1).integers(90, 110, (200, 300), dtype=np.uint8)
    )
    micrometer = Micrometer(certificate="made up", pitch_um=50.0, u_pitch_um=0.02)
    record = CalibrationRecord(
        name="obj5", objective="5x", camera="bench 1", image_width_px=300, image_height_px=200, um_per_px_x=2.0,
        um_per_px_y=2.0, u_relative=0.001, date=dt.date(2025, 6, 2),
        valid_until=dt.date(2026, 6, 1), operator="bench 1",
        micrometer=micrometer, image=MicrometerImage(file="none.png", sha256="0" * 64),
    )  # fmt: skip
    write_record(record, tmp_path / "calibration")
    return tmp_path


def section(folder: Path, *, upper: float = 400, lower: float = 500, **row: object) -> SectionRecord:
    parts = (("upper_thickness", upper), ("lower_thickness", lower), ("bond_width", 900.0))
    made = SheetRow(
        2, "S1", folder / "a.png", "a.png", upper_thickness_um=400, lower_thickness_um=500, **row  # type: ignore[arg-type]
    )  # fmt: skip
    found = tuple(measured(name, value, (Component("edges", 2.0),)) for name, value in parts)
    return SectionRecord(made, "0" * 64, (200, 300), Scale(2, 2, 0.001, "lot sheet"), (), found, (), None)


def picture(record: SectionRecord) -> RawImage | Refusal:
    try:
        return read_image(record.row.image)
    except Refusal as refusal:
        return refusal


def test_sources_that_agree(folder: Path) -> None:
    record = section(
        folder, calibration="obj5", um_per_px=2.004, extra={"magnification": "5x", "camera_pixel_um": "10"}
    )
    check = check_scale(
        record, picture(record), calibration_folder=folder / "calibration", today=dt.date(2026, 5, 1)
    )
    assert [source.name for source in check.sources] == [
        "calibration record", "lot sheet", "stated magnification", "part thickness",
    ]  # fmt: skip
    assert (check.disagreements, check.expired, check.mismatch, check.unread) == ((), "", "", ())


def test_expired_on_the_day_of_the_cut(folder: Path) -> None:
    record = section(folder, calibration="obj5", cut_on="2026-10-12")
    check = check_scale(
        record, picture(record), calibration_folder=folder / "calibration", today=dt.date(2026, 5, 1)
    )
    assert "2026-06-01" in check.expired


@pytest.mark.parametrize(
    ("row", "other", "ratio"),
    [
        ({"um_per_px": 1.0}, "lot sheet", 0.5),
        ({"extra": {"magnification": "10×", "camera_pixel_um": "10 µm"}}, "stated magnification", 0.5),
        ({"upper": 200, "lower": 250}, "part thickness", 2.0),
    ],
)
def test_a_scale_that_is_off_by_two(folder: Path, row: dict[str, object], other: str, ratio: float) -> None:
    record = section(folder, calibration="obj5", **row)  # type: ignore[arg-type]
    (found,) = check_scale(
        record, picture(record), calibration_folder=folder / "calibration", today=DAY
    ).disagreements
    assert (found.second.name, found.ratio) == (other, pytest.approx(ratio))
    assert "resized" in found.cause


def test_what_cannot_be_read_is_told(folder: Path) -> None:
    record = section(
        folder, calibration="obj6", extra={"magnification": "five", "camera_pixel_um": "10"}, bar_um=100.0
    )
    check = check_scale(record, picture(record), calibration_folder=folder / "calibration", today=DAY)
    assert [part in " | ".join(check.unread) for part in ("obj6", "five", "no scale bar")] == [True] * 3
    gone = replace(record, row=replace(record.row, image=folder / "gone.png"))
    assert check_scale(gone, picture(gone), calibration_folder=None, today=DAY).sources == ()


@pytest.mark.parametrize(
    ("upper", "lower", "ratio"), [(200, 250, 0.5), (408, 505, 1.015), (400, 650, math.nan)]
)
def test_both_parts_must_tell_the_same_story(folder: Path, upper: float, lower: float, ratio: float) -> None:
    """One thick part is a wrong part or cut; only both together speak of the scale."""
    assert thickness_ratio(section(folder, upper=upper, lower=lower)) == pytest.approx(ratio, nan_ok=True)


def test_what_a_picture_bears(folder: Path) -> None:
    plain = section(folder)
    assert judge_evidence(plain, ratio=1.0).bears == "yes"
    blurred = replace(plain, findings=(Finding("out_of_focus", {"blur": "9"}),))
    assert judge_evidence(blurred, ratio=1.0).bears == "no"
    one_sided = replace(plain, findings=(Finding("gap_not_seen", {"side": "left"}),))
    assert judge_evidence(one_sided, ratio=1.0).bears == "badly"
    slanted = judge_evidence(plain, ratio=1.08)
    assert (slanted.bears, "slanted" in slanted.reasons[0]) == ("badly", True)
    # a chord 100 µm off the centre of a bond √(900² + 200²) = 922 µm wide
    off = judge_evidence(section(folder, plane_offset_um=100.0), ratio=1.0)
    assert "0.9220 mm wide" in off.reasons[0]
