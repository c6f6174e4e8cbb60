"""The faying line of drawn sections.

Tolerances. In the gap the line runs in its middle, which lies half the opening above the lower face: 1.5
coarse px, for a border is found to a pixel on each side. In the bond there is nothing to see in these
pictures and the line, stiff there, only joins the two gaps: 2 coarse px, and 12 times the mouth's slope
near the notches, where it cuts the corner. Its length is that of the straight line to 0.3 %: one that
climbs the steps of the pixel grid is longer.
"""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import make_smoothing_spline

from tests.locate.drawing import Drawing, micrograph
from xsect.locate.faying_line import STIFFNESS, FayingLine, _graduated, find_faying_line
from xsect.locate.parts import find_parts
from xsect.reasons import Refusal

PLAIN = Drawing()
TILTED = (480, 720)
LARGE = Drawing(size=(900, 1500), upper=300.0, lower=300.0, bonds=((-300.0, 300.0),), standoff=50.0)


def line_of(drawing: Drawing) -> FayingLine:
    return find_faying_line(find_parts(drawing.micrograph(), turned=False))


def own_axes(
    drawing: Drawing, points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The points in the section's axes (u, v)."""
    c, s = math.cos(math.radians(drawing.tilt_deg)), math.sin(math.radians(drawing.tilt_deg))
    rows, columns = drawing.size
    x = points[:, 0] - (columns - 1) / 2 - drawing.centre[0]
    y = points[:, 1] - (rows - 1) / 2 - drawing.centre[1]
    return x * c + y * s, y * c - x * s


DRAWINGS = [
    pytest.param(PLAIN, id="level"),
    pytest.param(replace(PLAIN, centre=(0.3, -0.4)), id="off the pixel grid"),
    pytest.param(replace(PLAIN, slope=0.5), id="steep mouth"),
    pytest.param(replace(PLAIN, tilt_deg=3.0, size=TILTED), id="tilt 3"),
    pytest.param(replace(PLAIN, tilt_deg=-12.0, size=TILTED), id="tilt -12"),
    pytest.param(replace(PLAIN, tilt_deg=20.0, size=TILTED), id="tilt 20"),
    pytest.param(LARGE, id="large"),
    pytest.param(replace(LARGE, tilt_deg=7.0), id="large, tilt 7"),
    pytest.param(replace(PLAIN, upper=400.0, lower=400.0), id="parts run out of the picture"),
    pytest.param(replace(PLAIN, bonds=((-220.0, -90.0), (80.0, 210.0)), slope=0.3), id="two contacts"),
]


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_line_runs_in_the_gap_and_joins_it(drawing: Drawing) -> None:
    line = line_of(drawing)
    u, v = own_axes(drawing, line.points)
    step = max(1.0, math.sqrt(drawing.size[0] * drawing.size[1] / 700_000))
    truth = drawing.apart(u)
    inner = slice(int(12 * step), -int(12 * step))  # at the picture's border the smoothing has one side only
    off = np.abs(v + truth / 2)[inner] / step
    resolved = truth[inner] > 6
    assert off[resolved].max() < 1.5
    assert off[~resolved].max() < 2 + 12 * drawing.slope
    assert np.abs(line.opening - truth)[inner][resolved].max() < 4 * step
    assert (line.opening[truth == 0] == 0).mean() > 0.98
    assert line.gap_seen == (True, True)


@pytest.mark.parametrize("radius", [6, 11, 18])
@pytest.mark.parametrize("tilt", [0.0, -12.0])
def test_round_pores_beside_the_joint_do_not_draw_the_line(tilt: float, radius: int) -> None:
    drawing = replace(PLAIN, tilt_deg=tilt, size=TILTED)
    pixels = drawing.pixels()
    (left, right) = (np.array(one) for one in drawing.notches()[0])
    along = (right - left) / np.hypot(*(right - left))
    for share, off in ((0.3, radius + 5), (0.65, -radius - 5)):
        centre = left + share * (right - left) + off * np.array([-along[1], along[0]])
        cv2.circle(pixels, tuple(np.rint(centre).astype(int).tolist()), radius, 38, -1, cv2.LINE_AA)
    line = find_faying_line(find_parts(micrograph(pixels), turned=False))
    (u, v), (at, without) = (own_axes(drawing, one.points) for one in (line, line_of(drawing)))
    # nothing shows between the notches, so that the line is as free as it gets
    assert np.abs(v - np.interp(u, at, without))[np.abs(u) < 95].max() < 1.0


@pytest.mark.parametrize(
    ("tilt", "size"),
    [
        pytest.param(0.0, 1, id="level"),
        pytest.param(3.0, 1, id="tilt 3"),
        pytest.param(-12.0, 1, id="tilt -12"),
        pytest.param(20.0, 1, id="tilt 20"),
        pytest.param(5.0, 2, id="large, tilt 5"),
        pytest.param(18.0, 2, id="large, tilt 18"),
    ],
)
def test_line_is_as_long_as_it_is(tilt: float, size: int) -> None:
    drawing = replace(PLAIN, tilt_deg=tilt, size=TILTED) if size == 1 else replace(LARGE, tilt_deg=tilt)
    line = line_of(drawing)
    u, _ = own_axes(drawing, line.points)
    arc = np.hypot(*np.diff(line.points, axis=0).T).sum()
    assert arc == pytest.approx(u[-1] - u[0], rel=0.003)
    assert np.diff(u).min() > 0


def test_line_ends_at_the_corners_of_the_narrower_part() -> None:
    drawing = replace(PLAIN, slope=0.25, ends_upper=(-240.0, 250.0))
    u, v = own_axes(drawing, line_of(drawing).points)
    assert u[0] == pytest.approx(-240, abs=8)
    assert u[-1] == pytest.approx(250, abs=8)
    assert np.abs(v[[0, -1]] + 12).max() < 3  # not round the corner and up the part's side


@pytest.mark.parametrize("side", [0, 1])
def test_bond_that_leaves_the_picture_shows_a_gap_on_one_side(side: int) -> None:
    drawing = replace(PLAIN, bonds=((-1000.0, 100.0) if side == 0 else (-100.0, 1000.0),))
    assert line_of(drawing).gap_seen == (side == 1, side == 0)


@pytest.mark.parametrize(
    "drawing",
    [
        pytest.param(replace(PLAIN, upper=0.0, bonds=((-1000.0, 1000.0),)), id="one part"),
        pytest.param(replace(PLAIN, bonds=((-1000.0, 1000.0),)), id="no gap anywhere"),
        pytest.param(replace(PLAIN, ends_upper=(-15.0, 15.0), bonds=((-5.0, 5.0),)), id="too short"),
    ],
)
def test_line_that_is_not_there_is_refused(drawing: Drawing) -> None:
    with pytest.raises(Refusal) as caught:
        line_of(drawing)
    assert caught.value.finding.code == "faying_line_not_found"


def test_two_separate_parts_without_a_bond_have_a_line_in_their_gap() -> None:
    line = line_of(replace(PLAIN, bonds=(), standoff=10.0))
    assert line.opening == pytest.approx(np.full(line.opening.size, 10.0), abs=2)


def test_disk_is_no_section() -> None:
    y, x = np.mgrid[0:300, 0:400]
    inside = np.clip(100.5 - np.hypot(x - 200, y - 150), 0, 1)
    pixels = np.rint(30 + 160 * inside + np.random.default_rng(0).normal(0, 1, inside.shape)).astype(np.uint8)
    with pytest.raises(Refusal):
        find_faying_line(find_parts(micrograph(pixels), turned=False))


@pytest.mark.parametrize("size", [6, 40, 700])
def test_graduation_is_the_smoothing_spline_of_evenly_spaced_values(size: int) -> None:
    """SciPy's ``make_smoothing_spline`` minimises the same sum with an integral in place of differences."""
    x = np.arange(size, dtype=float)
    values = 100 + 0.05 * x + 3 * np.sin(x / 60) + np.random.default_rng(size).normal(0, 0.4, size)
    weight = np.where(x < 250, 1.0, 2e-5)
    expected = make_smoothing_spline(x, values, w=weight, lam=STIFFNESS)(x)
    assert _graduated(values, weight, STIFFNESS) == pytest.approx(expected, abs=3e-3)
