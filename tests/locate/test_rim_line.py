"""A rim that is a line of its own, drawn from its distance to a known outline."""

import cv2
import numpy as np
import pytest

from xsect.locate.rim import Outline, ellipse, normals
from xsect.locate.rim_line import on_rim_line
from xsect.locate.structure import Structure

TRUE = ellipse(280, 250, 180, 90, 90)
LINE = np.full(560, 250.0)


def drawn(step: float, ridge: float, width: float = 3.0) -> Structure:
    """A zone ``step`` brighter than what is about it, its rim a line of contrast ``ridge``; a little noise."""
    inside = np.zeros((500, 560), np.uint8)
    cv2.fillPoly(inside, [np.rint(TRUE * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
    away = cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5) - cv2.distanceTransform(inside, cv2.DIST_L2, 5)
    rng = np.random.default_rng(3)
    tone = step * (0.5 - 0.5 * np.tanh(0.85 * away / width)) + ridge * np.exp(-((away / width) ** 2) / 2)
    tone += 0.02 * rng.standard_normal(tone.shape)
    return Structure((tone.astype(np.float32)[..., None],), np.ones(tone.shape, np.float32))


def off(outline: Outline) -> float:
    """Mean distance in px outside the true outline."""
    return float(((outline - TRUE) * normals(TRUE)).sum(axis=1).mean())


@pytest.mark.parametrize(("step", "ridge"), [(-0.2, -0.4), (0.2, -0.4), (-0.2, 0.3)])
@pytest.mark.parametrize("away", [-4.0, 3.0])
def test_an_outline_on_the_flank_moves_to_the_middle(step: float, ridge: float, away: float) -> None:
    """To 1 px: the places tried are half a px apart, and the distance is to the nearest px of the drawing."""
    beside = TRUE + away * normals(TRUE)
    assert off(on_rim_line(beside, LINE, drawn(step, ridge))) == pytest.approx(0, abs=1.0)


@pytest.mark.parametrize("ridge", [0.0, -0.1])
def test_without_a_clear_line_nothing_moves(ridge: float) -> None:
    beside = TRUE + 3.0 * normals(TRUE)
    assert on_rim_line(beside, LINE, drawn(-0.3, ridge)) is beside


def test_a_hidden_rim_stays_where_it_is() -> None:
    shown = drawn(-0.2, -0.4)
    hidden = Structure(shown.planes, np.zeros_like(shown.weights))
    assert on_rim_line(TRUE, LINE, hidden) is TRUE
