"""Marks of the nugget: what is certain is drawn whole, what is not is broken."""

import cv2
import numpy as np
import pytest

from xsect.locate.view import NuggetView
from xsect.report.canvas import Canvas
from xsect.report.nugget_marks import draw_nuggets
from xsect.report.style import BLUE, ORANGE, rgb

TURN = np.linspace(0, 2 * np.pi, 90, endpoint=False)
OUTLINE = np.column_stack([200 + 120 * np.cos(TURN), 150 + 70 * np.sin(TURN)])
LINE = np.column_stack([np.linspace(90, 310, 30), np.full(30, 150.0)])


@pytest.mark.parametrize(("certain", "colour", "whole"), [(True, BLUE, True), (False, ORANGE, False)])
def test_an_outline_is_whole_only_where_it_is_certain(certain: bool, colour: str, whole: bool) -> None:
    canvas = Canvas(np.full((300, 400, 3), 90, np.uint8), unit=2.0)
    draw_nuggets(canvas, [NuggetView(OUTLINE, LINE, certain)], lambda points: points)
    # a stroke is at least 2 px wide and smoothed at its edges: look for its colour within a px of the outline
    off = np.abs(canvas.pixels.astype(int) - rgb(colour)).max(axis=2) < 40
    near = cv2.dilate(off.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    rows, columns = np.rint(OUTLINE[:, 1]).astype(int), np.rint(OUTLINE[:, 0]).astype(int)
    assert bool(near[rows, columns].all()) == whole
    assert near[rows, columns].mean() > 0.3
    assert (canvas.pixels[150, 100:300] != 90).any(axis=1).mean() > 0.3
