"""Metal, mount and tilt of drawn sections.

Tolerances. A coarse pixel's border lies within 1 px of where its coverage passes a half; blur and the light
smoothing do not move a straight edge, but round a corner by about a blur: masks must agree but for 2 px along
edges. The tilt is searched in steps of half a degree. Tones are medians over thousands of pixels: 0.01.
"""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.locate.drawing import COPPER, MOUNT, Drawing, micrograph
from xsect.locate.parts import find_parts
from xsect.locate.tone import COARSE_PIXELS, coarse_copy
from xsect.reasons import Refusal

PLAIN = Drawing()


def metal_of(drawing: Drawing) -> NDArray[np.float64]:
    """True share of metal in each pixel."""
    return replace(drawing, mount=(0.0,), metal=(1.0,)).ideal()[..., 0]


def disagreement(found: NDArray[np.bool_], metal: NDArray[np.float64]) -> float:
    """Share of the picture where the mask is wrong farther than 2 px from an edge."""
    truth = (metal > 0.5).astype(np.uint8)
    edge = cv2.morphologyEx(truth, cv2.MORPH_GRADIENT, np.ones((5, 5), np.uint8)) > 0
    return float(((found != (truth > 0)) & ~edge).mean())


@pytest.mark.parametrize(
    "drawing",
    [
        pytest.param(PLAIN, id="plain"),
        pytest.param(replace(PLAIN, mount=MOUNT, metal=COPPER), id="colour"),
        pytest.param(replace(PLAIN, bits=16), id="16 bit"),
        pytest.param(replace(PLAIN, mount=(0.45,)), id="grey mount"),
        pytest.param(replace(PLAIN, mount=(0.02,), metal=(0.2,)), id="dark picture"),
        pytest.param(replace(PLAIN, blur=3.0), id="blurred"),
        pytest.param(replace(PLAIN, noise=0.05), id="noisy"),
        pytest.param(replace(PLAIN, tilt_deg=8.0, size=(420, 720)), id="tilted"),
        pytest.param(replace(PLAIN, ends_upper=(-220.0, 240.0)), id="upper part narrower"),
        pytest.param(replace(PLAIN, upper=400.0, lower=400.0), id="parts run out of the picture"),
    ],
)
def test_metal_is_where_it_was_drawn(drawing: Drawing) -> None:
    parts = find_parts(drawing.micrograph(), turned=False)
    assert parts.step == 1.0
    assert disagreement(parts.metal, metal_of(drawing)) < 1e-4
    assert parts.known.all()


@pytest.mark.parametrize("tilt", [-20.0, -7.3, -1.0, 0.0, 0.4, 5.0, 12.0, 20.0])
def test_lean_is_the_tilt(tilt: float) -> None:
    parts = find_parts(replace(PLAIN, tilt_deg=tilt, size=(480, 640)).micrograph(), turned=False)
    assert math.degrees(math.atan(parts.slope)) == pytest.approx(tilt, abs=0.5)


def test_tones() -> None:
    parts = find_parts(PLAIN.micrograph(), turned=False)
    assert (parts.mount_tone, parts.metal_tone) == pytest.approx((0.15, 0.75), abs=0.01)
    assert np.median(parts.relative[parts.metal]) == pytest.approx(1, abs=0.01)
    assert np.median(parts.relative[~parts.metal]) == pytest.approx(0, abs=0.01)
    # 0.004 of noise against a contrast of 0.6
    assert parts.texture == pytest.approx(0.004 / 0.6, abs=0.004)


@pytest.mark.parametrize("corner", [0.55, 0.75])
def test_uneven_light_is_taken_out(corner: float) -> None:
    """Light that falls off with the square of the distance from the centre, to ``corner`` at the corners."""
    pixels = PLAIN.pixels().astype(float)
    y, x = np.mgrid[-1 : 1 : pixels.shape[0] * 1j, -1 : 1 : pixels.shape[1] * 1j]
    light = 1 - (1 - corner) * (x**2 + y**2) / 2
    parts = find_parts(micrograph((pixels * light).astype(np.uint8)), turned=False)
    assert disagreement(parts.metal, metal_of(PLAIN)) < 1e-4
    inner = cv2.erode((metal_of(PLAIN) > 0.99).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    assert np.abs(parts.relative[inner] - 1).max() < 0.12


def test_pores_and_fillers_are_neither_gap_nor_part() -> None:
    pixels = PLAIN.pixels()
    rng = np.random.default_rng(2)
    for _ in range(40):
        x, y = int(rng.integers(20, 700)), int(rng.integers(70, 110))
        cv2.circle(pixels, (x, y), int(rng.integers(1, 4)), 30, -1)
        cv2.circle(pixels, (x, int(rng.integers(8, 32))), int(rng.integers(1, 4)), 200, -1)
    assert disagreement(find_parts(micrograph(pixels), turned=False).metal, metal_of(PLAIN)) < 1e-4


def two_metals(dark: float, gap: float) -> NDArray[np.uint8]:
    """A light part on a darker one, no outer mount in view, a gap of so many px on both sides of a bond."""
    y, x = np.mgrid[0:600, 0:800].astype(float)
    levels = np.where(y < 300, 0.66, dark)
    levels[(np.abs(y - 300) < gap / 2) & (np.abs(x - 400) > 120)] = 0.1
    levels += np.random.default_rng(0).normal(0, 0.01, levels.shape)
    return np.clip(np.rint(cv2.GaussianBlur(levels, (0, 0), 1.0) * 255), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("gap", [16.0, 30.0])
def test_two_metals_with_a_slim_gap_are_both_metal(gap: float) -> None:
    """The picture's two great populations are the metals; the mount is the third."""
    metal = find_parts(micrograph(two_metals(0.48, gap)), turned=False).metal
    assert metal.mean() == pytest.approx(1 - gap / 600 * 560 / 800, abs=0.004)


def test_light_mount_with_pores_stays_mount() -> None:
    """Its pores are the darkest, but form no gap: metal is what is lighter than the mount."""
    drawing = replace(PLAIN, mount=(0.5,), metal=(0.8,))
    pixels = drawing.pixels()
    rng = np.random.default_rng(0)
    for x, y in zip(rng.integers(5, 715, 60), rng.integers(5, 40, 60), strict=True):
        cv2.circle(pixels, (int(x), int(y)), 3, 10, -1)
    assert disagreement(find_parts(micrograph(pixels), turned=False).metal, metal_of(drawing)) < 0.005


@pytest.mark.parametrize("slope", [0.6, 0.9])
def test_scratch_that_runs_into_the_metal_is_no_plating(slope: float) -> None:
    """As dark as the plating, from the gap's plated face into the part."""
    drawing = replace(
        PLAIN, mount=(0.1,), metal=(0.65,), tin=(0.5,), plating=4.0, filled=60.0, size=(480, 900)
    )
    plain = find_parts(drawing.micrograph(), turned=False, plated=True).metal
    pixels = drawing.pixels()
    cv2.line(pixels, (40, 235), (240, round(235 - 200 * slope)), round(0.5 * 255), 3)
    scratched = find_parts(micrograph(pixels), turned=False, plated=True).metal
    beyond = np.s_[: round(200 - 60 * slope), :]
    assert (plain & ~scratched)[beyond].sum() < 120  # taken for plating, it takes 300 to 550 px


def test_side_by_side_is_the_transposed_picture() -> None:
    pixels = PLAIN.pixels()
    upright = find_parts(micrograph(pixels), turned=False)
    turned = find_parts(micrograph(np.ascontiguousarray(pixels.T)), turned=True)
    assert np.array_equal(upright.metal, turned.metal)
    assert turned.slope == upright.slope


def test_large_pictures_are_searched_on_a_coarse_copy() -> None:
    drawing = replace(
        PLAIN, size=(900, 1500), upper=300.0, lower=300.0, bonds=((-300.0, 300.0),), standoff=50.0
    )
    parts = find_parts(drawing.micrograph(), turned=False)
    assert parts.step == pytest.approx(math.sqrt(900 * 1500 / COARSE_PIXELS), rel=0.01)
    truth, step = coarse_copy((metal_of(drawing) * 255).astype(np.uint8))
    assert step == parts.step
    assert disagreement(parts.metal, truth.astype(float)) < 1e-4


def test_burned_in_marks_are_not_known() -> None:
    marks = np.zeros(PLAIN.size, bool)
    marks[250:300, 500:700] = True
    parts = find_parts(replace(PLAIN.micrograph(), burned_in=marks), turned=False)
    assert np.array_equal(parts.known, ~marks)
    assert not parts.metal[marks].any()


BACKGROUNDS = {
    "black": np.zeros((200, 300)),
    "mid grey": np.full((200, 300), 0.5),
    "white": np.ones((200, 300)),
}


@pytest.mark.parametrize("name", BACKGROUNDS)
@pytest.mark.parametrize("turned", [False, True])
def test_uniform_picture_is_refused(name: str, turned: bool) -> None:
    pixels = np.rint(BACKGROUNDS[name] * 255).astype(np.uint8)
    with pytest.raises(Refusal) as caught:
        find_parts(micrograph(pixels), turned=turned)
    assert caught.value.finding.code == "no_section_found"
