"""Micrographs: pixels squared exactly, scale settled, transparent and burned-in areas masked, refusals passed
on."""

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from xsect.capture.calibration import CalibrationRecord
from xsect.capture.lot_sheet import SheetRow, read_lot_sheet
from xsect.capture.micrograph import Micrograph, open_micrograph, square_pixels
from xsect.capture.scale import Scale
from xsect.reasons import Refusal

REAL = Path(__file__).parents[2].parent / "shared" / "real"
TODAY = dt.date(2026, 6, 1)


def opened(image: Path, *, folder: Path | None = None, max_pixels: int = 10**8, **row: Any) -> Micrograph:
    sheet_row = SheetRow(2, "A", image, image.name, **row)
    return open_micrograph(sheet_row, calibration_folder=folder, today=TODAY, max_pixels=max_pixels)


def test_from_the_lot_sheet_to_the_micrograph(
    tmp_path: Path, picture: NDArray[np.uint8], write: Callable[..., CalibrationRecord]
) -> None:
    write()
    Image.fromarray(picture).save(tmp_path / "a.png")
    (tmp_path / "lot.csv").write_text("section,image,calibration\nA,a.png,obj20\n")
    (row,) = read_lot_sheet(tmp_path / "lot.csv").rows
    micrograph = open_micrograph(row, calibration_folder=tmp_path / "calibration", today=TODAY)
    assert np.array_equal(micrograph.pixels, picture)
    assert micrograph.scale.um_per_px == pytest.approx(0.582)
    assert micrograph.burned_in is None
    assert micrograph.findings == ()
    assert micrograph.full_scale == 255


def test_transparent_pixels_count_as_burned_in(tmp_path: Path, picture: NDArray[np.uint8]) -> None:
    opacity = np.full(picture.shape, 255, np.uint8)
    opacity[40:60, 90:130] = 0
    Image.fromarray(np.dstack((picture,) * 3 + (opacity,))).save(tmp_path / "a.png")
    micrograph = opened(tmp_path / "a.png", um_per_px=0.5)
    assert micrograph.burned_in is not None
    assert np.array_equal(micrograph.burned_in, opacity == 0)
    assert micrograph.notes == ("4.00% of the picture is transparent",)


@pytest.mark.parametrize(("x", "y"), [(0.0597, 0.0584), (0.0584, 0.0597), (0.5, 1.0)])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_pixels_are_squared_exactly(x: float, y: float, dtype: Any) -> None:
    """A disc drawn on the uneven grid must come out as wide as it is high, at the same place in µm."""
    rows, columns = 301, 401
    radius, centre = 100 * max(x, y), np.array([150 * y, 200 * x])
    yy, xx = np.mgrid[:rows, :columns]
    distance = np.hypot(yy * y - centre[0], xx * x - centre[1])
    disc = (np.clip((radius - distance) / max(x, y) + 0.5, 0, 1) * 200 + 20).astype(dtype)
    squared, scale = square_pixels(disc, Scale(x, y, 0.01, "image metadata", "tag"))
    assert scale.x_um == scale.y_um == min(x, y)
    assert squared.dtype == dtype
    inside = np.clip((squared.astype(float) - 20) / 200, 0, 1)
    # Area to 0.1 %: the soft rim of one pixel keeps the area of a disc of radius 100 px that well.
    assert inside.sum() * scale.um_per_px**2 == pytest.approx(np.pi * radius**2, rel=1e-3)
    middle = (np.array(inside.nonzero()).mean(axis=1) + 0.5) * scale.um_per_px
    assert np.abs(middle - centre - np.array([y, x]) / 2).max() < 0.1 * scale.um_per_px
    assert scale.detail.startswith("tag; resampled from ")


def test_square_pixels_are_left_alone(picture: NDArray[np.uint8]) -> None:
    scale = Scale(0.5, 0.5001, 0.01, "image metadata")
    assert square_pixels(picture, scale) == (picture, scale)


def test_an_uneven_picture_from_its_metadata(tmp_path: Path, picture: NDArray[np.uint8]) -> None:
    metadata = {"axes": "YX", "PhysicalSizeX": 0.0597, "PhysicalSizeXUnit": "µm", "PhysicalSizeY": 0.0584,
                "PhysicalSizeYUnit": "µm"}  # fmt: skip
    tifffile.imwrite(tmp_path / "a.tif", picture, ome=True, metadata=metadata)
    micrograph = opened(tmp_path / "a.tif")
    assert micrograph.pixels.shape == (100, 204)
    assert micrograph.scale.square
    assert [finding.code for finding in micrograph.findings] == ["scale_unproven"]


def test_refusals_name_the_image_as_the_sheet_writes_it(tmp_path: Path) -> None:
    row = SheetRow(2, "A", tmp_path / "../b/a.png", "../b/a.png")
    with pytest.raises(Refusal, match=r"^\.\./b/a\.png: no such file$"):
        open_micrograph(row, calibration_folder=None, today=TODAY)


def test_the_size_limit_is_passed_on(tmp_path: Path, picture: NDArray[np.uint8]) -> None:
    Image.fromarray(picture).save(tmp_path / "a.png")
    with pytest.raises(Refusal, match=r"above the limit of 0\.01 megapixels"):
        opened(tmp_path / "a.png", um_per_px=0.5, max_pixels=10_000)


@pytest.mark.skipif(not REAL.is_dir(), reason="real pictures are not here")
def test_real_pictures() -> None:
    micrograph = opened(REAL / "sem_se_500x.tif", um_per_px=0.583)
    assert micrograph.burned_in is not None
    assert micrograph.burned_in[-40:].mean() > 0.9  # the data strip
    with pytest.raises(Refusal) as error:
        opened(REAL / "mosaic_50x.jpg")
    assert error.value.finding.code == "no_scale"
