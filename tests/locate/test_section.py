"""Whole drawn sections: notches and bond widths against where they were drawn, and pictures of something
else.

Tolerances. An opening is told from none from about 0.1 px on. A straight mouth is followed back below that
along its own slope: a notch within 0.6 px, and 0.4 px a px of blur beyond the first, for the blur rounds
the mouth. A mouth that opens by less than 0.05 px a px, or along a tangent, leaves nothing to follow: there
the opening at the place found must be below 0.3 px. A width has two notches, and a line that may run aside
by 2 px on its way.
"""

import math
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from tests.locate.drawing import COPPER, MOUNT, Drawing, codes, find, micrograph, result_of, sheet_row
from xsect.pipeline import SectionResult, measure_micrograph
from xsect.quantities import QUANTITIES

PLAIN = Drawing()
HIGH = (480, 720)


def notch_errors(drawing: Drawing, result: SectionResult, *, turned: bool = False) -> list[float]:
    """How far along the line each notch is outside (positive) or inside the drawn bond, px."""
    assert result.view is not None
    drawn = [place for pair in drawing.notches() for place in pair]
    assert len(result.view.notches) == len(drawn)
    c, s = math.cos(math.radians(drawing.tilt_deg)), math.sin(math.radians(drawing.tilt_deg))
    out = []
    for found, (x, y) in zip(result.view.notches, drawn, strict=True):
        dx, dy = (found.y - x, found.x - y) if turned else (found.x - x, found.y - y)
        assert abs(dy * c - dx * s) < 3  # the notch lies on the line
        out.append((dx * c + dy * s) * (-1 if found.side == "left" else 1))
    return out


def allowed(drawing: Drawing) -> float:
    return 0.6 + 0.4 * max(drawing.blur - 1, 0)


CASES = [
    *(pytest.param(replace(PLAIN, tilt_deg=t, size=HIGH), id=f"tilt {t}") for t in (-20, -2, 5, 13)),
    *(pytest.param(replace(PLAIN, centre=c), id=f"at {c}") for c in ((0.5, 0.0), (0.2, 0.6))),
    *(pytest.param(replace(PLAIN, slope=s), id=f"slope {s}") for s in (0.06, 0.4)),
    *(pytest.param(replace(PLAIN, blur=b), id=f"blur {b}") for b in (0.5, 1.6, 2.5)),
    pytest.param(replace(PLAIN, bits=16), id="16 bit"),
    pytest.param(replace(PLAIN, mount=MOUNT, metal=COPPER), id="colour"),
    pytest.param(replace(PLAIN, mount=(0.02,)), id="black mount"),
    pytest.param(replace(PLAIN, mount=(0.42,)), id="light mount"),
    pytest.param(replace(PLAIN, slope=0.25, ends_upper=(-250, 240)), id="upper part narrower"),
    pytest.param(replace(PLAIN, slope=0.25, ends_upper=(-250, 240), ends_lower=(-300, 310)), id="both end"),
    pytest.param(replace(PLAIN, upper=400.0, lower=400.0), id="parts run out of the picture"),
    pytest.param(replace(PLAIN, upper=60.0, lower=140.0), id="unequal parts"),
    pytest.param(replace(PLAIN, bonds=((-30.0, 30.0),)), id="short bond"),
    pytest.param(replace(PLAIN, bonds=((-20.0, 180.0),)), id="off centre"),
    pytest.param(replace(PLAIN, bonds=((-220.0, -90.0), (60.0, 210.0)), slope=0.25), id="two contacts"),
    pytest.param(replace(PLAIN, voids=((-60.0, -40.0, 2.0), (10.0, 20.0, 4.0))), id="voids in the bond"),
]  # fmt: skip


@pytest.mark.parametrize("drawing", CASES)
def test_notches_and_width(drawing: Drawing) -> None:
    result = result_of(drawing)
    assert result.status == "measured"
    assert np.abs(notch_errors(drawing, result)).max() < allowed(drawing)
    width = find(result, "bond_width")
    drawn = sum(right - left for left, right in drawing.bonds)
    assert width.value == pytest.approx(drawn, abs=2 * allowed(drawing) * len(drawing.bonds))
    assert width.low <= drawn <= width.high


@pytest.mark.parametrize(
    "drawing",
    [
        pytest.param(replace(PLAIN, slope=0.03), id="slim wedge"),
        pytest.param(replace(PLAIN, slope=0.0, arc=300.0), id="tangent"),
        pytest.param(replace(PLAIN, slope=0.03, arc=600.0), id="nearly tangent"),
    ],
)
def test_slim_mouth(drawing: Drawing) -> None:
    result = result_of(drawing)
    for error in notch_errors(drawing, result):
        assert drawing.apart(np.array([100 + max(error, 0.0)]))[0] < 0.3
        assert error > -8
    width = find(result, "bond_width")
    assert width.low <= 200 <= width.high


def test_steep_mouth() -> None:
    drawing = replace(PLAIN, slope=0.8)
    result = result_of(drawing)
    assert np.abs(notch_errors(drawing, result)).max() < 0.6
    assert find(result, "bond_width").value == pytest.approx(200, abs=1.2)


@pytest.mark.parametrize(
    ("gap", "known"), [(4.0, True), (10.0, True), (40.0, True), (2.0, False), (0.5, False)]
)
def test_parts_that_do_not_touch(gap: float, known: bool) -> None:
    """No bond is a result; a gap too slim to be seen as one is a refusal, never a width."""
    result = result_of(replace(PLAIN, bonds=(), standoff=gap))
    width = find(result, "bond_width")
    assert (width.status == "measured") == known
    if known:
        assert width.value == 0
        assert codes(result) == {"no_bond"}


# --- the parts side by side ---


@pytest.mark.parametrize(
    "drawing",
    [
        pytest.param(PLAIN, id="level"),
        pytest.param(replace(PLAIN, tilt_deg=8.0, size=HIGH), id="tilt 8"),
        pytest.param(replace(PLAIN, tilt_deg=15.0, size=HIGH), id="tilt 15"),
        pytest.param(replace(PLAIN, mount=MOUNT, metal=COPPER, slope=0.25), id="colour"),
        pytest.param(replace(PLAIN, upper=400.0, lower=400.0), id="parts fill the picture"),
    ],
)
def test_side_by_side_is_measured_alike(drawing: Drawing) -> None:
    result = result_of(drawing, turned=True)
    assert result.status == "measured"
    assert np.abs(notch_errors(drawing, result, turned=True)).max() < allowed(drawing)
    assert find(result, "bond_width").value == pytest.approx(200, abs=2 * allowed(drawing))


@pytest.mark.parametrize("tilt", [3.0, 11.0, 20.0])
def test_side_by_side_is_never_quietly_wrong(tilt: float) -> None:
    drawing = replace(PLAIN, tilt_deg=tilt, size=HIGH, mount=MOUNT, metal=COPPER)
    result = result_of(drawing, turned=True)
    if result.status == "measured":
        width = find(result, "bond_width")
        assert width.low <= 200 <= width.high


# --- plated parts ---

PLATED = Drawing(mount=MOUNT, metal=COPPER, plating=5.0, filled=90.0, slope=0.15, standoff=30.0)


@pytest.mark.parametrize(
    "drawing",
    [
        pytest.param(PLATED, id="tin on copper in colour"),
        pytest.param(replace(PLATED, tilt_deg=8.0, size=HIGH), id="tilted"),
        pytest.param(replace(PLATED, blur=0.6), id="sharp"),
        pytest.param(replace(PLATED, plating=8.0), id="thick tin"),
        pytest.param(replace(PLATED, mount=(0.15,), metal=(0.8,), tin=(0.5,)), id="darker tin in grey"),
        pytest.param(replace(PLATED, mount=(0.15,), metal=(0.6,), tin=(0.85,)), id="brighter tin in grey"),
    ],
)
def test_bond_of_plated_parts_ends_where_the_plating_begins(drawing: Drawing) -> None:
    """Tin is told from copper by a share of the contrast that separates them: 0.25 px of tin, over the slope.

    To the gap alone, that is where the tin ends, it would be 180 px farther from notch to notch.
    """
    result = result_of(drawing, plating="tin")
    assert result.status == "measured"
    assert np.abs(notch_errors(drawing, result)).max() < 0.25 / drawing.slope
    width = find(result, "bond_width")
    assert width.value == pytest.approx(200, abs=2 * 0.25 / drawing.slope)
    assert width.low <= 200 <= width.high


@pytest.mark.parametrize("tin", [0.7, 0.71])
def test_plating_that_looks_like_base_metal_is_not_guessed(tin: float) -> None:
    drawing = replace(PLATED, mount=(0.15,), metal=(0.7,), tin=(tin,))
    result = result_of(drawing, plating="tin")
    assert result.status == "needs_review"
    assert "bond_not_separable" in codes(result)


# --- pictures of something else ---


def is_refused(pixels: NDArray[np.uint8]) -> None:
    for columns in ({}, {"plating": "tin"}):
        result = measure_micrograph(micrograph(pixels), sheet_row(**columns))
        assert result.status == "not_measured"
        assert {one.quantity for one in result.measurements} == set(QUANTITIES)
        assert not any(result.measurements)


def clouds(seed: int, level: float, spread: float) -> NDArray[np.uint8]:
    """A mottled surface: resin with fillers, or bare metal with stains."""
    rng = np.random.default_rng(seed)
    smooth = gaussian_filter(rng.normal(0, 1, (300, 400)), 6) * 6 * 2 * math.sqrt(math.pi)
    return np.clip(level + spread * smooth + rng.normal(0, 3, smooth.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("level", [0, 7, 128, 255])
def test_blank(level: int) -> None:
    is_refused(np.full((300, 400), level, np.uint8))


@pytest.mark.parametrize("seed", range(3))
def test_noise(seed: int) -> None:
    rng = np.random.default_rng(seed)
    is_refused(rng.integers(0, 256, (300, 400), dtype=np.uint8))
    is_refused(rng.integers(0, 256, (300, 400, 3), dtype=np.uint8))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("level", "spread"), [(35, 3), (35, 12), (190, 3), (190, 20)], ids=str)
def test_only_resin_or_only_metal(level: float, spread: float, seed: int) -> None:
    is_refused(clouds(seed, level, spread))


@pytest.mark.parametrize("shape", ["edge", "one part", "disk", "checks", "frame"])
def test_shapes_that_are_no_section(shape: str) -> None:
    y, x = np.mgrid[0:300, 0:400]
    metal = {
        "edge": y > 150,
        "one part": np.abs(y - 150) < 60,
        "disk": np.hypot(x - 200, y - 150) < 90,
        "checks": (x // 40 + y // 40) % 2 == 0,
        "frame": np.maximum(np.abs(x - 200) / 180, np.abs(y - 150) / 130) < 1,
    }[shape]
    pixels = gaussian_filter(np.where(metal, 190.0, 35.0), 1) + np.random.default_rng(1).normal(
        0, 2, metal.shape
    )
    is_refused(pixels.astype(np.uint8))


BUNDLED = sorted(
    path.name
    for path in Path(str(find_spec("skimage").submodule_search_locations[0]), "data").iterdir()
    if path.suffix in (".png", ".jpg")
)


@pytest.mark.parametrize("name", BUNDLED)
def test_photographs_and_pages_are_no_sections(name: str) -> None:
    """Pictures that come with scikit-image."""
    import skimage.data

    pixels = cv2.imread(str(Path(skimage.data.__file__).parent / name), cv2.IMREAD_COLOR)
    assert pixels is not None
    is_refused(np.ascontiguousarray(pixels[:, :, ::-1]))


REAL = Path(__file__).parents[3] / "shared" / "real"


@pytest.mark.skipif(not REAL.is_dir(), reason="the folder of real pictures is not there")
@pytest.mark.parametrize(
    "name",
    [
        "stage_micrometer_10x.png",
        "polished_edge_20x.jpg",
        "sem_se_500x.tif",
        "layer_a.tif",
        "layer_b.tif",
        "sem_bse_20kx.tif",
        "uneven_light_20x.jpg",
    ],
)
def test_real_pictures_without_a_weld(name: str) -> None:
    pixels = cv2.imread(str(REAL / name), cv2.IMREAD_COLOR)
    assert pixels is not None
    is_refused(np.ascontiguousarray(pixels[:, :, ::-1]))
