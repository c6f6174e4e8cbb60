"""Flaws drawn into plain sections: which are found, how large, and what must not be taken for one.

Tolerances. Area of a round void from 30 px²: 10 % (integrated darkness does not depend on blur, its reference levels
do). Longest Feret: 1.5 px (the outline at half depth moves with pixel noise and curvature). Crack length: 12 % and
4 px (a centre line cuts the sharp corners of a drawn zigzag, and each end fades within the filter's width).
"""

import math
from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest

from tests.locate.drawing import Drawing, micrograph
from xsect.locate.flaws import Flaws, find_flaws
from xsect.locate.section import Located, locate

FINE = 8
PLAIN = Drawing(bonds=((-150.0, 150.0),), size=(420, 760), upper=150, lower=150)
MIDDLE = (379.5, 209.5)
TURNS = [(0, 0), (14, 9), (25, -4), (38, 8), (52, -5), (66, 6), (80, -6), (94, 3)]
TORTUOUS = np.array(TURNS, dtype=float) + np.array([330.0, 250.0])


@dataclass(frozen=True)
class Cut:
    """Holes (x, y, a, b) and lines ((k, 2), width, contrast) cut into a drawing's metal."""

    holes: tuple[tuple[float, float, float, float], ...] = ()
    lines: tuple[tuple[np.ndarray, float, float], ...] = field(default=())


def cut(drawing: Drawing, what: Cut, *, seed: int = 0) -> np.ndarray:
    """The drawing's picture with flaws cut in before blur and noise."""
    ideal = drawing.ideal()[..., 0]
    share = np.zeros(tuple(side * FINE for side in ideal.shape), np.uint8)
    for x, y, a, b in what.holes:
        centre, axes = (
            [round(((v + 0.5) * FINE - 0.5) * 16) for v in (x, y)],
            [round(v * FINE * 16) for v in (a, b)],
        )
        cv2.ellipse(share, centre, axes, 0, 0, 360, 255, -1, cv2.LINE_8, 4)
    for line, width, contrast in what.lines:
        fixed = np.rint(((line + 0.5) * FINE - 0.5) * 16).astype(np.int32)
        cv2.polylines(
            share, [fixed], False, round(255 * contrast), max(round(width * FINE), 1), cv2.LINE_8, 4
        )
    weight = cv2.resize(share, ideal.shape[::-1], interpolation=cv2.INTER_AREA) / 255
    out = cv2.GaussianBlur(ideal * (1 - weight) + drawing.mount[0] * weight, (0, 0), drawing.blur)
    out = out + np.random.default_rng(seed).normal(0, drawing.noise, out.shape)
    return np.clip(np.rint(out * 255), 0, 255).astype(np.uint8)


def flaws_of(what: Cut, drawing: Drawing = PLAIN) -> tuple[Flaws, Located]:
    picture = micrograph(cut(drawing, what))
    located = locate(picture, plated=False)
    found = find_flaws(located, picture)
    assert found is not None
    return found, located


def length(line: np.ndarray) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


@pytest.mark.parametrize("blur", [0.8, 1.6])
@pytest.mark.parametrize(("a", "b"), [(3.3, 3.1), (6.0, 4.0), (14.0, 11.0)])
def test_area_and_feret_of_a_void(a: float, b: float, blur: float) -> None:
    drawing = Drawing(bonds=PLAIN.bonds, size=PLAIN.size, upper=150, lower=150, blur=blur)
    found, _ = flaws_of(Cut(holes=((MIDDLE[0] + 12.3, MIDDLE[1] + 20.6, a, b),)), drawing)
    (void,) = found.voids
    assert void.area == pytest.approx(math.pi * a * b, rel=0.10)
    assert void.feret == pytest.approx(2 * a, abs=1.5)
    assert void.zone == 0
    assert found.cracks == ()


def test_void_outside_the_bond_zone_is_listed_but_not_of_the_zone() -> None:
    found, _ = flaws_of(Cut(holes=((MIDDLE[0], MIDDLE[1] + 80, 8.0, 8.0),)))
    (void,) = found.voids
    assert void.zone is None


def test_pores_of_the_mount_and_of_the_gap_are_none() -> None:
    found, _ = flaws_of(Cut(holes=((MIDDLE[0] - 330, MIDDLE[1] + 8, 4.0, 4.0), (60.0, 12.0, 9.0, 9.0))))
    assert found.voids == ()


@pytest.mark.parametrize(("width", "contrast"), [(1.0, 0.35), (1.0, 1.0), (2.5, 0.6)])
def test_tortuous_line_is_a_crack(width: float, contrast: float) -> None:
    found, _ = flaws_of(Cut(lines=((TORTUOUS, width, contrast),)))
    (crack,) = found.cracks
    assert crack.length == pytest.approx(length(TORTUOUS), rel=0.12, abs=4)
    assert not crack.at_notch
    assert found.voids == ()


def test_crack_at_a_notch_touches_it() -> None:
    line = np.array(TURNS, dtype=float)[:, ::-1] + np.array([MIDDLE[0] - 150, MIDDLE[1]])
    found, _ = flaws_of(Cut(lines=((line, 1.5, 0.9),)))
    (crack,) = found.cracks
    assert crack.at_notch
    assert crack.at_line
    assert not crack.upper
    assert crack.length == pytest.approx(length(line), rel=0.15, abs=8)


@pytest.mark.parametrize("angle", [15, 40, 80, 130])
def test_straight_scratch_across_everything_is_none(angle: float) -> None:
    turn = math.radians(angle)
    reach = 260 * np.array([math.cos(turn), math.sin(turn)])
    scratch = np.array([np.array(MIDDLE) - reach, np.array(MIDDLE) + reach])
    found, _ = flaws_of(Cut(lines=((scratch, 1.2, 0.3),)))
    assert found.cracks == ()


def test_scratches_that_meet_are_none() -> None:
    corner = np.array([[300.0, 240], [400, 262], [310, 300]])
    assert flaws_of(Cut(lines=((corner, 1.2, 0.35),)))[0].cracks == ()


def test_a_spot_half_as_dark_as_the_mount_is_no_void() -> None:
    """An inclusion: its depth, not its size, tells it from a hole."""
    spot = np.array([[MIDDLE[0], MIDDLE[1] + 22], [MIDDLE[0] + 0.5, MIDDLE[1] + 22]])
    dark, half = (flaws_of(Cut(lines=((spot, 7.0, contrast),)))[0].voids for contrast in (1.0, 0.6))
    assert len(dark) == 1
    assert half == ()


def test_network_of_boundaries_is_no_crack() -> None:
    sides = []
    for row in range(-1, 15):
        for column in range(-1, 24):
            x, y = 34.0 * column + 17 * (row % 2), 29.0 * row
            corners = [(x, y - 19.6), (x + 17, y - 9.8), (x + 17, y + 9.8), (x, y + 19.6)]
            sides.append((np.array(corners), 1.0, 0.4))
    assert flaws_of(Cut(lines=tuple(sides)))[0].cracks == ()


def test_nothing_there_is_nothing_found() -> None:
    found, _ = flaws_of(Cut())
    assert (found.voids, found.islands, found.cracks, found.cavities) == ((), (), (), ())
    assert found.zone_areas[0] == pytest.approx(300 * 0.2 * 300, rel=0.05)
    assert found.in_nugget == (False,)


def test_void_inside_a_given_nugget_counts_for_it() -> None:
    hole = (MIDDLE[0] + 10, MIDDLE[1] + 55, 6.0, 6.0)
    picture = micrograph(cut(PLAIN, Cut(holes=(hole,))))
    turn = np.linspace(0, 2 * np.pi, 90)
    nugget = np.column_stack([MIDDLE[0] + 110 * np.cos(turn), MIDDLE[1] + 70 * np.sin(turn)])
    found = find_flaws(locate(picture, plated=False), picture, (nugget,))
    assert found is not None
    (void,) = found.voids
    assert void.zone == 0
    assert found.in_nugget == (True,)
    assert found.zone_areas[0] == pytest.approx(math.pi * 110 * 70, rel=0.03)
