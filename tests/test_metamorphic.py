"""What must not change a measurement: mirrors, quarter turns, crops, resolution, compression, loss of
colour.

No truth is needed: both readings are of one weld, so they agree within the square root of the sum of the
squares of their 95 % half-widths. Where the pixels are the same ones in another order, a width is the same
to 0.4 px a segment (coarse copies and smoothing start at another corner).
"""

import functools
import math
from collections.abc import Callable

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.locate.drawing import find, micrograph, sheet_row
from xsect.pipeline import SectionResult, measure_micrograph
from xsect.synth import DrawnSection, draw

Pixels = NDArray[np.uint8] | NDArray[np.uint16]
PLATED = {"plated"}


@functools.cache
def section(kind: str, seed: int) -> DrawnSection:
    return draw(kind, "easy", seed, width_px=900)


def measure(kind: str, seed: int, pixels: Pixels, scale: float = 1.0) -> SectionResult:
    row = {"plating": "tin"} if kind in PLATED else {}
    um_per_px = section(kind, seed).truth.um_per_px * scale
    return measure_micrograph(micrograph(np.ascontiguousarray(pixels), um_per_px=um_per_px), sheet_row(**row))


@functools.cache
def original(kind: str, seed: int) -> SectionResult:
    return measure(kind, seed, section(kind, seed).pixels)


def jpeg(pixels: Pixels) -> Pixels:
    eight = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    _, data = cv2.imencode(".jpg", eight, [cv2.IMWRITE_JPEG_QUALITY, 90])
    return cv2.imdecode(data, cv2.IMREAD_UNCHANGED)


def half(pixels: Pixels) -> Pixels:
    return cv2.resize(pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)


def grey(pixels: Pixels) -> Pixels:
    if pixels.ndim == 2:
        return pixels
    return np.rint(pixels @ np.array([0.299, 0.587, 0.114])).astype(pixels.dtype)


def sixteen_bit(pixels: Pixels) -> Pixels:
    return pixels.astype(np.uint16) * 257 if pixels.dtype == np.uint8 else pixels


SAME_PIXELS: dict[str, Callable[[Pixels], Pixels]] = {
    "mirrored left to right": lambda pixels: pixels[:, ::-1],
    "mirrored top to bottom": lambda pixels: pixels[::-1],
    "turned half round": lambda pixels: pixels[::-1, ::-1],
    "turned a quarter left": lambda pixels: np.rot90(pixels, 1),
    "turned a quarter right": lambda pixels: np.rot90(pixels, -1),
    "cropped": lambda pixels: pixels[7:-4, 13:-22],
    "16 bit": sixteen_bit,
}
OTHER_PIXELS: dict[str, Callable[[Pixels], Pixels]] = {"JPEG 90": jpeg, "grey": grey}
SECTIONS = (("unetched", 1), ("segments", 3), ("plated", 1))


def agree(
    kind: str, seed: int, changed: SectionResult, *, within_px: float | None = None, poorer: bool = False
) -> None:
    first = original(kind, seed)
    assert first.status == "measured"
    assert changed.status == "measured" or (poorer and changed.status == "needs_review")
    for name in ("bond_width", "standoff"):
        one, other = find(first, name), find(changed, name)
        if not (one and other):  # a stretch may be too short to be level at half the resolution
            continue
        apart = math.hypot(one.high - one.value, other.high - other.value)
        assert abs(one.value - other.value) < apart
        if within_px is not None and name == "bond_width":
            assert abs(one.value - other.value) < within_px * section(kind, seed).truth.um_per_px


@pytest.mark.parametrize(
    ("kind", "seed", "change"),
    [
        *(("unetched", 1, change) for change in SAME_PIXELS),
        *((*one, change) for one in SECTIONS[1:] for change in ("turned half round", "cropped")),
    ],
)
def test_same_pixels_in_another_order(kind: str, seed: int, change: str) -> None:
    changed = measure(kind, seed, SAME_PIXELS[change](section(kind, seed).pixels))
    agree(kind, seed, changed, within_px=0.4 * len(section(kind, seed).truth.segments))


@pytest.mark.parametrize("change", OTHER_PIXELS)
@pytest.mark.parametrize(("kind", "seed"), SECTIONS[:2])
def test_pixels_a_little_changed(kind: str, seed: int, change: str) -> None:
    agree(kind, seed, measure(kind, seed, OTHER_PIXELS[change](section(kind, seed).pixels)))


@pytest.mark.parametrize(("kind", "seed"), SECTIONS)
def test_half_the_resolution(kind: str, seed: int) -> None:
    agree(kind, seed, measure(kind, seed, half(section(kind, seed).pixels), scale=2.0), poorer=True)


def test_mirror_swaps_the_sides() -> None:
    kind, seed = "unetched", 1
    pixels = section(kind, seed).pixels
    first, mirrored = original(kind, seed), measure(kind, seed, pixels[:, ::-1])
    assert first.view is not None
    assert mirrored.view is not None
    for left, right in zip(first.view.notches, reversed(mirrored.view.notches), strict=True):
        assert pixels.shape[1] - 1 - right.x == pytest.approx(left.x, abs=0.3)
        assert right.y == pytest.approx(left.y, abs=1)
        assert (left.side, right.side) in {("left", "right"), ("right", "left")}
    if find(first, "bond_offset"):
        assert find(mirrored, "bond_offset").value == pytest.approx(
            -find(first, "bond_offset").value, abs=2 * find(first, "bond_offset").u
        )
