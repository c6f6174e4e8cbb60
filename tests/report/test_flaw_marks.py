"""Flaw marks: each kind leaves its own mark where the flaw lies, and nothing elsewhere."""

import math
from typing import Any

import numpy as np
import pytest

from xsect.measure.imperfections import Imperfection
from xsect.report.canvas import Canvas
from xsect.report.flaw_marks import draw_flaws
from xsect.report.style import ORANGE, PURPLE, VERMILLION, rgb

RING = tuple((100 + 8 * math.cos(t), 80 + 8 * math.sin(t)) for t in np.linspace(0, 2 * math.pi, 40))
LINE = tuple((60.0 + x, 80.0 + 4 * math.sin(x / 6)) for x in range(80))


def flaw(kind: str, path: tuple[tuple[tuple[float, float], ...], ...] = (), **changes: Any) -> Imperfection:
    plain = {"where": "", "segment": 1, "counted": True, "x": 100.0, "y": 80.0}
    sizes = {"length": 10.0, "u_length": 1.0, "width": math.nan, "area": 50.0}
    return Imperfection(kind=kind, term=kind, number="P 200", path=path, **{**plain, **sizes, **changes})


def drawn(*flaws: Imperfection) -> np.ndarray:
    canvas = Canvas(np.full((160, 200, 3), 128, np.uint8), unit=2.0)
    draw_flaws(canvas, flaws, lambda points: points)
    return canvas.finished()


@pytest.mark.parametrize(
    ("one", "colour"),
    [
        pytest.param(flaw("void", (RING,)), ORANGE, id="void"),
        pytest.param(flaw("crack", (LINE,)), PURPLE, id="crack"),
        pytest.param(flaw("cavity"), VERMILLION, id="cavity"),
    ],
)
def test_a_mark_in_its_own_colour_about_the_flaw(one: Imperfection, colour: str) -> None:
    picture = drawn(one)
    marked = np.abs(picture.astype(int) - rgb(colour)).max(axis=2) < 40
    assert marked.sum() > 20
    rows, columns = np.nonzero((picture != 128).any(axis=2))
    assert rows.min() > 30
    assert rows.max() < 130
    assert columns.min() > 45


def test_no_flaw_no_mark() -> None:
    assert (drawn() == 128).all()


def test_the_crack_itself_stays_in_sight() -> None:
    picture = drawn(flaw("crack", (LINE,)), flaw("void", counted=False, x=20.0, y=20.0))
    on = np.array([picture[round(y), round(x)] for x, y in LINE[5:60:5]])
    assert (on > 110).all(axis=1).mean() > 0.7
