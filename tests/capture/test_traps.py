"""Traps met in public micrographs and in labs, one test each: read right, or refused with the reason.

Each picture goes the whole way from its file and its row of the lot sheet to a scale. Tolerances: 0.1 % for what is
read from a bar of some 300 px whose ends are found to 0.2 px; six digits for what is read from numbers.
"""

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from xsect.capture.calibrate import Setup, Standard, calibrate, save_calibration
from xsect.capture.calibration import CalibrationRecord
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph, open_micrograph
from xsect.reasons import Refusal
from xsect.synth.micrometer import MicrometerScene, draw_micrometer

REAL = Path(__file__).parents[3] / "shared" / "real"
DAY = dt.date(2026, 6, 1)
FACE = cv2.FONT_HERSHEY_SIMPLEX
Picture = NDArray[np.uint8]


def metal(rows: int = 300, cols: int = 480) -> Picture:
    """Metal with noise, nothing drawn into it."""
    return np.random.default_rng(8).normal(140, 8, (rows, cols)).clip(20, 230).astype(np.uint8)


def with_bar(length: int, *, gap: str = "") -> Picture:
    """A white bar with end ticks 3 px wide whose centres lie ``length`` px apart; ``gap``: a label within it."""
    picture = metal()
    cv2.rectangle(picture, (50, 148), (50 + length, 152), 255, -1)
    for x in (50, 50 + length):
        cv2.rectangle(picture, (x - 1, 140), (x + 1, 160), 255, -1)
    if gap:
        middle = 50 + length // 2
        picture[140:161, middle - 50 : middle + 50] = metal()[140:161, middle - 50 : middle + 50]
        cv2.putText(picture, gap, (middle - 45, 158), FACE, 0.8, 255, 2, cv2.LINE_AA)
    else:
        cv2.putText(picture, "200 um", (90, 130), FACE, 0.8, 255, 2, cv2.LINE_AA)
    return picture


def opened(path: Path, **row: Any) -> Micrograph:
    return open_micrograph(
        SheetRow(2, "A", path, path.name, **row), calibration_folder=path.parent / "calibration", today=DAY
    )


def refusal(path: Path, **row: Any) -> tuple[str, str]:
    with pytest.raises(Refusal) as caught:
        opened(path, **row)
    return caught.value.finding.code, str(caught.value)


def tiff(folder: Path, pixels: Picture | None = None, **options: Any) -> Path:
    tifffile.imwrite(folder / "a.tif", metal() if pixels is None else pixels, **options)
    return folder / "a.tif"


def png(folder: Path, pixels: Picture) -> Path:
    Image.fromarray(pixels).save(folder / "a.png")
    return folder / "a.png"


def test_a_resolution_tag_of_200_without_a_unit(tmp_path: Path) -> None:
    code, text = refusal(tiff(tmp_path, resolution=(200, 200), resolutionunit="NONE"))
    assert code == "no_scale"
    assert "200 × 200 without a unit, a placeholder" in text


@pytest.mark.parametrize("dots", [72, 96, 200, 300])
def test_densities_of_office_programs(tmp_path: Path, dots: int) -> None:
    code, text = refusal(tiff(tmp_path, resolution=(dots, dots), resolutionunit="INCH"))
    assert code == "no_scale"
    assert f"{dots} dots per inch, a print density" in text


def test_pixels_that_are_not_square(tmp_path: Path) -> None:
    size = {"axes": "YX", "PhysicalSizeX": 0.0597, "PhysicalSizeY": 0.0584}
    micrograph = opened(tiff(tmp_path, ome=True, metadata=size))
    assert micrograph.scale.x_um == micrograph.scale.y_um == 0.0584
    assert micrograph.pixels.shape == (300, round(480 * 0.0597 / 0.0584))
    assert "resampled from 0.0597 × 0.0584 µm" in micrograph.scale.detail


def test_a_unit_that_stands_only_in_the_description(tmp_path: Path) -> None:
    path = tiff(
        tmp_path, resolution=(1 / 0.582,) * 2, resolutionunit="NONE", description="unit=micron", metadata=None
    )
    assert opened(path).scale.x_um == pytest.approx(0.582, rel=1e-6)


@pytest.mark.parametrize(("number", "unit"), [(0.582, "nm"), (5.82e-4, "µm")])
def test_a_metadata_dump_in_the_wrong_unit(tmp_path: Path, number: float, unit: str) -> None:
    size = {"axes": "YX", "PhysicalSizeX": number, "PhysicalSizeY": number}
    size |= {"PhysicalSizeXUnit": unit, "PhysicalSizeYUnit": unit}  # type: ignore[dict-item]
    code, text = refusal(tiff(tmp_path, ome=True, metadata=size))
    assert code == "no_scale"
    assert "its unit must be wrong" in text


def test_a_tag_half_a_percent_off_the_micrometer_in_the_same_picture(tmp_path: Path) -> None:
    """The record made from the picture's own graduation holds, and the report tells how far off the tag is."""
    scene = MicrometerScene(1.293, 1.293, width_px=480, height_px=300, start_px=(15.0, 190.0), divisions=45)
    stated = 1e4 / (1.293 * 1.0045)
    path = tiff(tmp_path, draw_micrometer(scene, 1), resolution=(stated, stated), resolutionunit="CENTIMETER")
    setup = Setup("obj10", "10x", "cam 1", "kb", DAY, dt.date(2027, 5, 31))
    save_calibration(calibrate([path], setup, Standard("SM-1", 10.0, 0.002)), tmp_path / "calibration")
    found = opened(path, calibration="obj10").scale
    assert found.x_um == pytest.approx(1.293, rel=2e-4)
    assert "image metadata (TIFF resolution) agrees within 0.4" in found.detail


def test_a_picture_resized_by_four_against_its_bar(tmp_path: Path) -> None:
    """The sheet still says 0.5 µm/px, as before the picture was resized; its bar of 200 µm has 100 px."""
    code, text = refusal(png(tmp_path, with_bar(100)), um_per_px=0.5, bar_um=200)
    assert code == "scale_conflict"
    assert "lot sheet (um_per_px, row 2) 0.5 µm/px and scale bar (bar of 200 µm, 100" in text
    assert "likely cause: the picture was resized by 4, or binned by the camera" in text


def test_a_bar_read_from_outer_edge_to_outer_edge(tmp_path: Path) -> None:
    """µm/px as somebody gets it who takes 385 px, ticks included, for the 375 between their centres: 2.7 % off."""
    found = opened(png(tmp_path, with_bar(375)), um_per_px=200 / 375, bar_um=200).scale
    assert "agrees" in found.detail
    code, text = refusal(tmp_path / "a.png", um_per_px=200 / 385, bar_um=200)
    assert code == "scale_conflict"
    assert "from outer edge to outer edge of its ticks" in text


def test_a_bar_interrupted_by_its_own_label(tmp_path: Path) -> None:
    found = opened(png(tmp_path, with_bar(360, gap="100 um")), bar_um=100).scale
    assert found.x_um == pytest.approx(100 / 360, rel=1e-3)


def test_a_vertical_bar_with_rotated_text(tmp_path: Path) -> None:
    found = opened(png(tmp_path, np.rot90(with_bar(360))), bar_um=200).scale
    assert found.y_um == pytest.approx(200 / 360, rel=1e-3)


def test_coloured_boxes_letters_and_arrows(tmp_path: Path) -> None:
    """They are masked, and none of them is taken for the bar."""
    clean = np.dstack([with_bar(360)] * 3)
    picture = clean.copy()
    cv2.rectangle(picture, (60, 200), (160, 270), (255, 0, 0), 2)
    cv2.putText(picture, "A1", (200, 250), FACE, 1.2, (255, 255, 0), 2, cv2.LINE_AA)
    cv2.arrowedLine(picture, (420, 60), (340, 90), (0, 0, 255), 3)
    drawn = (picture != clean).any(axis=2)
    micrograph = opened(png(tmp_path, picture), bar_um=200)
    assert micrograph.scale.x_um == pytest.approx(200 / 360, rel=1e-3)
    assert micrograph.burned_in is not None
    assert micrograph.burned_in[drawn].mean() > 0.8  # all but the faint rim of the letters


@pytest.mark.parametrize("mode", ["P", "RGBA"])
def test_a_whole_picture_saved_again_as_palette_or_rgba(tmp_path: Path, mode: str) -> None:
    colour = Image.fromarray(with_bar(360)).convert("RGB")
    saved = colour.quantize(256) if mode == "P" else colour.convert(mode)
    saved.save(tmp_path / "a.png", dpi=(25400 / 0.5556,) * 2)
    found = opened(tmp_path / "a.png", bar_um=200).scale
    assert found.x_um == pytest.approx(0.5556, rel=1e-6)
    assert "scale bar" in found.detail
    assert "agrees" in found.detail


def test_a_record_of_another_objective(tmp_path: Path, write: Callable[..., CalibrationRecord]) -> None:
    """The record says 0.582 µm/px, the bar in the picture half of that."""
    write(image_width_px=480, image_height_px=300)
    code, text = refusal(png(tmp_path, with_bar(344)), calibration="obj20", bar_um=100)
    assert code == "scale_conflict"
    assert "another objective was used" in text


@pytest.mark.parametrize(("binning", "codes"), [(1, []), (2, ["calibration_mismatch"]), (None, [])])
def test_a_picture_binned_otherwise_than_the_record_says(
    tmp_path: Path, write: Callable[..., CalibrationRecord], binning: float | None, codes: list[str]
) -> None:
    write(image_width_px=480, image_height_px=300)
    found = opened(png(tmp_path, metal()), calibration="obj20", binning=binning).findings
    assert [finding.code for finding in found] == codes
    assert all(finding.effect == "needs_review" for finding in found)
    assert all("binning 1, the picture has binning 2" in finding.sentence for finding in found)


@pytest.mark.skipif(not REAL.is_dir(), reason="real pictures are not here")
def test_a_mosaic_without_any_scale() -> None:
    assert refusal(REAL / "mosaic_50x.jpg")[0] == "no_scale"
