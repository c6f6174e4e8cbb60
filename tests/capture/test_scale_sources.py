"""Which scale holds, and what happens where two sources differ.

Agreement is judged at 95 % of the combined uncertainty: 1.96 × hypot of the relative standard uncertainties,
so 0.2 % between two micrometer readings of 0.07 % each, 1.0 % for a sheet against a record of 0.1 %, 2.0 %
for metadata against a record.
"""

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from xsect.capture.calibration import CalibrationRecord
from xsect.capture.image_files import RawImage, read_image
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.metadata_scale import U_METADATA, Metadata
from xsect.capture.scale import Scale
from xsect.capture.scale_sources import U_SHEET, ResolvedScale, likely_cause, resolve_scale
from xsect.reasons import Refusal

REAL = Path(__file__).parents[2].parent / "shared" / "real"
TODAY = dt.date(2026, 6, 1)
Write = Callable[..., CalibrationRecord]


def stated(x: float, y: float | None = None, name: str = "OME pixel size") -> Scale:
    return Scale(x, x if y is None else y, U_METADATA, "image metadata", name)


def resolve(
    *stated_scales: Scale,
    folder: Path | None = None,
    notes: tuple[str, ...] = (),
    shape: tuple[int, int] = (100, 200),
    **row: Any,
) -> ResolvedScale:
    raw = RawImage(np.zeros(shape, np.uint8), "0" * 64, "TIFF", metadata=Metadata(stated_scales, notes))
    sheet_row = SheetRow(4, "A", Path("a.tif"), "a.tif", **row)
    return resolve_scale(sheet_row, raw, calibration_folder=folder, today=TODAY)


def refusal(*stated_scales: Scale, **more: Any) -> tuple[str, str]:
    with pytest.raises(Refusal) as error:
        resolve(*stated_scales, **more)
    assert "\n" not in str(error.value)
    return error.value.finding.code, str(error.value)


def test_the_record_goes_before_the_sheet_and_the_metadata(tmp_path: Path, write: Write) -> None:
    record = write()
    found = resolve(stated(0.583), folder=tmp_path / "calibration", calibration="obj20", um_per_px=0.58)
    assert (found.scale.source, found.scale.x_um, found.scale.u_relative) == (
        "calibration record", record.um_per_px_x, record.u_relative,
    )  # fmt: skip
    assert len(found.scale.record_sha256) == 64
    assert found.scale.detail == (
        "obj20 of 2026-03-02; lot sheet (um_per_px, row 4) agrees within 0.34%; "
        "image metadata (OME pixel size) agrees within 0.17%"
    )
    assert found.findings == ()


def test_the_sheet_goes_before_the_metadata_and_is_told_to_be_unproven() -> None:
    found = resolve(stated(0.58), um_per_px=0.582)
    assert (found.scale.source, found.scale.um_per_px, found.scale.u_relative) == (
        "lot sheet",
        0.582,
        U_SHEET,
    )
    (finding,) = found.findings
    assert finding.effect == "note"
    assert finding.sentence == (
        "the scale 0.582 µm/px comes from lot sheet (um_per_px, row 4), with no calibration record behind it"
    )


def test_metadata_alone_keeps_its_two_axes() -> None:
    found = resolve(stated(0.0597, 0.0584), notes=("TIFF resolution: 72 dots per inch, a print density",))
    assert (found.scale.x_um, found.scale.y_um, found.scale.source) == (0.0597, 0.0584, "image metadata")
    assert found.notes == ("TIFF resolution: 72 dots per inch, a print density",)


def test_no_source_tells_what_was_found_instead() -> None:
    assert refusal(notes=("TIFF resolution: 200 × 200 without a unit, a placeholder",)) == (
        "no_scale",
        "no scale: the lot sheet names no calibration record and no um_per_px, and the image holds none "
        "(TIFF resolution: 200 × 200 without a unit, a placeholder)",
    )
    assert "(no entry at all)" in refusal()[1]


@pytest.mark.parametrize(("off", "agrees"), [(0.0045, True), (0.0098, True), (0.0102, False), (-0.03, False)])
def test_sheet_against_record(tmp_path: Path, write: Write, off: float, agrees: bool) -> None:
    write()
    given = {"folder": tmp_path / "calibration", "calibration": "obj20", "um_per_px": 0.582 * (1 + off)}
    if agrees:
        assert f"agrees within {off:.2%}" in resolve(**given).scale.detail
    else:
        code, text = refusal(**given)
        assert code == "scale_conflict"
        assert f"differ by {off:+.1%}, more than the 1.0%" in text


def test_a_tag_0_45_percent_off_the_micrometer_does_not_override_it(tmp_path: Path, write: Write) -> None:
    write(um_per_px_x=1.293, um_per_px_y=1.293)
    found = resolve(stated(1.293 * 1.0045), folder=tmp_path / "calibration", calibration="obj20")
    assert found.scale.x_um == 1.293


def test_one_axis_is_enough_to_disagree(tmp_path: Path, write: Write) -> None:
    write()
    code, text = refusal(stated(0.582, 0.61), folder=tmp_path / "calibration", calibration="obj20")
    assert code == "scale_conflict"
    assert "0.582 × 0.61 µm/px" in text


def test_two_statements_in_one_file_must_agree_too() -> None:
    code, text = refusal(stated(0.582), stated(1.164, name="HorFieldsize over 1000 columns"))
    assert code == "scale_conflict"
    assert "image metadata (OME pixel size) 0.582 µm/px" in text
    assert "image metadata (HorFieldsize over 1000 columns) 1.164 µm/px" in text
    assert "the picture was resized" in text


def test_a_conflict_with_a_record_for_another_size_says_so(tmp_path: Path, write: Write) -> None:
    write()
    code, text = refusal(stated(1.164), folder=tmp_path / "calibration", calibration="obj20", shape=(50, 100))
    assert code == "scale_conflict"
    assert "record obj20 holds for 200 × 100 px, the picture has 100 × 50 px, 1/2 of it on both sides" in text
    assert text.endswith("resized, or another binning")


@pytest.mark.parametrize(
    ("one", "other", "words"),
    [
        (stated(0.5), stated(1.0), "the picture was resized by 2, or binned by the camera, or another objective"),
        (stated(2.0), stated(0.5), "the picture was resized by 4, or binned by the camera, or another objective"),
        (stated(0.5), stated(1.25), "another objective was used"),
        (stated(0.5), stated(2.5), "another objective was used"),
        (stated(0.5), stated(5.0), "another objective was used"),
        (stated(0.5), stated(1.27), "inch taken for cm"),
        (stated(0.5), stated(12.7), "inch taken for mm"),
        (stated(0.5), stated(500.0), "µm taken for nm or mm"),
        (stated(0.06, 0.058), stated(0.058, 0.06), "x and y seem to be exchanged"),
        (stated(0.5), Scale(0.5135, 0.5135, 0.002, "scale bar"), "from outer edge to outer edge"),
        (stated(0.5), stated(0.5135), "the picture was resized, or one of the scales belongs to another"),
    ],
)  # fmt: skip
def test_likely_causes(one: Scale, other: Scale, words: str) -> None:
    assert words in likely_cause(one, other)


def with_bar(length_px: int, *, upright: bool = False) -> NDArray[np.uint8]:
    """A picture of noise with a white bar on a black box: end ticks 2 px wide, centres length_px apart."""
    pixels = np.random.default_rng(5).normal(120, 10, (700, 900)).clip(40, 200).astype(np.uint8)
    box = pixels[560:660, 60 : 100 + length_px]
    box[:] = 0
    box[50:53, 20 : 22 + length_px] = 255
    for tick in (20, 20 + length_px):
        box[40:63, tick : tick + 2] = 255
    return np.ascontiguousarray(pixels.T) if upright else pixels


def with_pixels(pixels: NDArray[np.uint8], *stated_scales: Scale, **row: Any) -> ResolvedScale:
    raw = RawImage(pixels, "0" * 64, "PNG", metadata=Metadata(stated_scales))
    sheet_row = SheetRow(4, "A", Path("a.png"), "a.png", **row)
    return resolve_scale(sheet_row, raw, calibration_folder=None, today=TODAY)


def test_a_bar_alone_gives_the_scale() -> None:
    found = with_pixels(with_bar(400), bar_um=200)
    assert found.scale.source == "scale bar"
    # Each end is read to 0.1 px of 400.
    assert found.scale.um_per_px == pytest.approx(0.5, rel=1e-3)
    assert [finding.code for finding in found.findings] == ["scale_unproven"]


def test_a_bar_confirms_a_stated_scale_within_its_own_uncertainty() -> None:
    found = with_pixels(with_bar(400), bar_um=200, um_per_px=0.501)
    assert found.scale.um_per_px == 0.501
    assert "; scale bar (bar of 200 µm, 400.0 px centre to centre of the end ticks) agrees within 0.20%" in (
        found.scale.detail
    )


def test_a_bar_of_a_picture_resized_since_is_told() -> None:
    with pytest.raises(Refusal) as error:
        with_pixels(with_bar(400), bar_um=800, um_per_px=0.5)
    assert error.value.finding.code == "scale_conflict"
    assert "scale bar" in str(error.value)
    assert "the picture was resized" in str(error.value)


@pytest.mark.parametrize("upright", [False, True])
def test_a_bar_speaks_for_the_axis_it_lies_along(upright: bool) -> None:
    along_x, along_y = stated(0.5, 0.25), stated(0.25, 0.5)
    agreeing, other = (along_y, along_x) if upright else (along_x, along_y)
    pixels = with_bar(400, upright=upright)
    assert "agrees" in with_pixels(pixels, agreeing, bar_um=200).scale.detail
    with pytest.raises(Refusal):
        with_pixels(pixels, other, bar_um=200)


def test_a_bar_that_is_not_there() -> None:
    blank = np.random.default_rng(5).normal(120, 10, (700, 900)).clip(40, 200).astype(np.uint8)
    with pytest.raises(Refusal) as error:
        with_pixels(blank, bar_um=200)
    assert error.value.finding.code == "bar_not_found"
    found = with_pixels(blank, bar_um=200, um_per_px=0.5)
    assert found.scale.detail.startswith("um_per_px, row 4; no scale bar was found: ")


@pytest.mark.skipif(not REAL.is_dir(), reason="real pictures are not here")
@pytest.mark.parametrize(
    ("name", "bar_um", "um_per_px"),
    [("sem_se_500x.tif", 200, 0.582812), ("sem_bse_20kx.tif", 5, 0.0145703)],
)
def test_a_real_bar_agrees_with_the_pixel_size_in_its_file(
    name: str, bar_um: float, um_per_px: float
) -> None:
    raw = read_image(REAL / name)
    row = SheetRow(2, "A", REAL / name, name, bar_um=bar_um)
    found = resolve_scale(row, raw, calibration_folder=None, today=TODAY)
    assert found.scale.um_per_px == pytest.approx(um_per_px)
    assert "scale bar" in found.scale.detail
    wrong = SheetRow(2, "A", REAL / name, name, bar_um=4 * bar_um)
    with pytest.raises(Refusal, match="the picture was resized"):
        resolve_scale(wrong, raw, calibration_folder=None, today=TODAY)


@pytest.mark.parametrize(
    ("cut_on", "codes"),
    [("2027-03-02", []), ("2027-03-03", ["calibration_expired"]), ("", [])],
)
def test_the_record_is_judged_on_the_day_of_the_cut(
    tmp_path: Path, write: Write, cut_on: str, codes: list[str]
) -> None:
    write()
    found = resolve(folder=tmp_path / "calibration", calibration="obj20", cut_on=cut_on)
    assert [finding.code for finding in found.findings] == codes


def test_without_a_cut_date_today_counts(tmp_path: Path, write: Write) -> None:
    write(valid_until=dt.date(2026, 5, 31))
    (finding,) = resolve(folder=tmp_path / "calibration", calibration="obj20").findings
    assert finding.sentence == "record obj20 was valid until 2026-05-31; the date of use is 2026-06-01"


@given(x=st.floats(0.01, 10), ratio=st.floats(0.2, 5), u=st.floats(1e-4, 0.02), v=st.floats(1e-4, 0.02))
@settings(max_examples=25, deadline=None)
def test_agreement_is_judged_by_the_combined_uncertainty(x: float, ratio: float, u: float, v: float) -> None:
    one = Scale(x, x, u, "image metadata", "one")
    other = Scale(x * ratio, x * ratio, v, "image metadata", "other")
    if abs(ratio - 1) < 1.95 * np.hypot(u, v):
        assert resolve(one, other).scale.x_um == x
    elif abs(ratio - 1) > 1.97 * np.hypot(u, v):
        assert refusal(one, other)[0] == "scale_conflict"
