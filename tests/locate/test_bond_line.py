"""The line through a bond from what is left of it, and the frame about a bond, both in closed form."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from xsect.locate.bond_line import bond_line
from xsect.locate.weld_frame import Bond, WeldFrame, bonds

BOND = Bond(1, 1, 300.0, 700.0)


def segment(left: float, right: float) -> Any:
    return SimpleNamespace(left=SimpleNamespace(station=left), right=SimpleNamespace(station=right))


def frame(angle: float = 0.0, step: float = 1.0) -> WeldFrame:
    along = np.array([np.cos(angle), np.sin(angle)])
    empty = np.zeros((400, 600), np.float32)
    across = np.array([-along[1], along[0]])
    return WeldFrame(empty, empty, empty > 0, np.array([500.0, 240.0]), along, across, step)


def located(sag: float, share: float, stray: float = 0.0) -> Any:
    """A line that sags by ``sag`` px between the notches; the gap opens by 0.1 px a px, ``share`` of it downwards.

    ``stray``: how far the located line leaves the joint in the bond's middle.
    """
    x = np.arange(1000.0)
    true = 240 + sag * (((x - 500) / 200) ** 2 - 1)
    opening = 0.1 * np.maximum(np.abs(x - 500) - 200, 0)
    away = stray * np.exp(-(((x - 500) / 70) ** 2))
    points = np.column_stack([x, true + (share - 0.5) * opening + away])
    strip = SimpleNamespace(
        points=points, normals=np.tile([0.0, 1.0], (x.size, 1)),
        place=lambda station, offset=0.0: (station, float(np.interp(station, x, points[:, 1])) + offset),
    )  # fmt: skip
    gap = SimpleNamespace(thickness=opening, centre=np.zeros(x.size), seen=np.ones(x.size, bool))
    return SimpleNamespace(strip=strip, apart=gap)


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("sag", [0.0, 3.0])
def test_the_line_is_found_whichever_part_the_gap_is_cut_from(sag: float, share: float) -> None:
    """To 0.7 px of 400: sag and opening both grow outward, and the prior pulls each a little towards none."""
    line, u = bond_line(located(sag, share), BOND, frame())
    assert line[line.size // 2] == pytest.approx(200 - sag, abs=0.7)
    assert 0 < u < 3


def test_what_strayed_into_a_nugget_is_left_out() -> None:
    strayed = located(0.0, 0.5, stray=25.0)
    line, _ = bond_line(strayed, BOND, frame())
    assert line[line.size // 2] == pytest.approx(200, abs=1.5)


def test_few_stations_give_the_straight_line_between_the_notches() -> None:
    hidden = located(0.0, 0.5)
    hidden.apart.seen[:] = False
    line, u = bond_line(hidden, BOND, frame())
    assert line == pytest.approx(200, abs=1e-6)
    assert u == pytest.approx(0.012 * 400)


@pytest.mark.parametrize(("angle", "step"), [(0.0, 1.0), (0.3, 2.0), (-0.2, 0.5)])
def test_frame_and_picture_are_one_another_turned(angle: float, step: float) -> None:
    places = np.array([[10.0, 20], [300, 200], [590, 390]])
    one = frame(angle, step)
    assert one.from_picture(one.to_picture(places)) == pytest.approx(places)
    assert one.to_picture(one.centre[None])[0] == pytest.approx(one.middle)
    assert np.hypot(*(one.to_picture(places)[1] - one.to_picture(places)[0])) == pytest.approx(
        step * np.hypot(290, 180)
    )


def test_a_pore_on_the_line_does_not_end_a_bond() -> None:
    found = bonds((segment(0, 100), segment(110, 300), segment(900, 1000)))
    assert found == [Bond(1, 2, 0, 300), Bond(3, 3, 900, 1000)]
