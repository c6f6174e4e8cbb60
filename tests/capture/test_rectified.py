"""Pixels that are not square, or slant: a weld is as wide as it is, whatever the camera's lattice.

One drawn section of known bond width is squeezed, stretched and sheared, and measured with the scale of its lattice by
the whole job. The bond width must lie within the interval stated.
"""

import datetime as dt
import functools
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from xsect.capture.calibration import CalibrationRecord
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import square_pixels
from xsect.capture.scale import Scale
from xsect.pipeline import Options, measure_section
from xsect.record import SectionRecord
from xsect.synth import DrawnSection, draw

Write = Callable[..., CalibrationRecord]


@functools.cache
def section() -> DrawnSection:
    return draw("unetched", "easy", 1, width_px=900)


def measured(
    folder: Path, pixels: np.ndarray, write: Write, x: float, y: float, axes: float
) -> SectionRecord:
    """Measure a picture with a record of its lattice: x and y µm per pixel, rows and columns at ``axes`` degrees."""
    rows, columns = pixels.shape[:2]
    write(um_per_px_x=x, um_per_px_y=y, axes_deg=axes, image_width_px=columns, image_height_px=rows)
    cv2.imwrite(str(folder / "a.png"), pixels if pixels.ndim == 2 else pixels[..., ::-1])
    row = SheetRow(2, "A", folder / "a.png", "a.png", calibration="obj20")
    options = Options(None, None, dt.date(2026, 6, 1), folder / "calibration")
    return measure_section(row, options=options)


@pytest.mark.parametrize(
    ("squeeze_x", "squeeze_y", "axes"),
    [(0.9, 1.0, 90.0), (1.0, 0.93, 90.0), (1.0, 1.0, 91.5), (0.95, 1.0, 88.8)],
)
def test_the_bond_stays_as_wide(
    tmp_path: Path, write: Write, squeeze_x: float, squeeze_y: float, axes: float
) -> None:
    drawn = section()
    um = drawn.truth.um_per_px
    slant = np.cos(np.radians(axes)) / np.sin(np.radians(axes))
    rows, columns = drawn.pixels.shape[:2]
    # Row r of the slanting picture begins r · slant further along the object's x than that of the upright one.
    lattice = np.array([[squeeze_x, -slant * squeeze_x, slant * squeeze_x * rows / 2], [0.0, squeeze_y, 0.0]])
    size = (round(columns * squeeze_x), round(rows * squeeze_y))
    pixels = cv2.warpAffine(
        drawn.pixels, lattice, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    y = um / squeeze_y / np.sin(np.radians(axes))
    record = measured(tmp_path, pixels, write, um / squeeze_x, y, axes)
    width = record.find("bond_width")
    assert width is not None
    assert width.low <= drawn.truth.quantities["bond_width"] <= width.high
    assert width.u < 0.02 * width.value
    assert record.scale is not None
    assert record.scale.square
    wrong = abs(1 / squeeze_x - 1) + abs(1 / squeeze_y - 1)
    assert wrong == 0 or width.u < wrong * width.value  # left as it was, the picture would have shown it


def test_slanting_pixels_are_set_upright_about_the_middle_row() -> None:
    """A line that is straight in the object, drawn on axes at 91°, comes out straight; what is beyond is masked."""
    rows, columns = 201, 300
    slant = np.cos(np.radians(91.0)) / np.sin(np.radians(91.0))
    x = np.arange(columns) + slant * (np.arange(rows)[:, None] - 100)  # object's x of each pixel
    pixels = (200 * np.clip(2 - abs(x - 150), 0, 1)).astype(np.uint8)
    scale = Scale(1.0, 1 / np.sin(np.radians(91.0)), 0.001, "calibration record", axes_deg=91.0)
    upright, squared = square_pixels(pixels, scale)
    assert squared.square
    assert squared.y_um == pytest.approx(1.0)
    place = (upright @ np.arange(columns)) / upright.sum(axis=1)
    # cv2 places pixels to a thirty-second, and what a cubic overshoots below 0 is cut off.
    assert np.abs(place - 150).max() < 0.1
