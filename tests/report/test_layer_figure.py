"""Thickness profile and histogram: pictures of the promised size; other data, another picture."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from xsect.locate.view import LayerView
from xsect.report.layer_figure import draw_layer, draw_layer_picture, layer_svg

ALONG = np.linspace(0, 1.2, 40)
LAYER = LayerView("plating", "µm", ALONG, 5 + np.sin(9 * ALONG), np.full(40, 0.1), 5.1, 4.9, 5.3)


def decoded(data: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)


def test_profile_and_histogram() -> None:
    drawn = draw_layer(LAYER)
    assert decoded(drawn).shape == (520, 1600, 3)
    assert drawn == draw_layer(LAYER)
    assert drawn != draw_layer(replace(LAYER, thickness=LAYER.thickness + 0.5))


def test_svg_tells_the_bound() -> None:
    assert "<svg" in layer_svg(LAYER)
    assert layer_svg(replace(LAYER, resolved=False)) != layer_svg(LAYER)


@pytest.mark.parametrize("bits", [8, 16])
def test_edges_are_drawn_over_the_picture(bits: int) -> None:
    grey = np.full((300, 500), 2 ** (bits - 1), np.uint8 if bits == 8 else np.uint16)
    x = np.linspace(10, 490, 40)
    edges = {
        "upper": np.column_stack([x, np.full(40, 100.0)]),
        "lower": np.column_stack([x, np.full(40, 140.0)]),
    }
    bare, marked = (
        decoded(draw_layer_picture(grey, replace(LAYER, **shown))).astype(int) for shown in ({}, edges)
    )
    assert bare.shape == marked.shape
    changed = np.flatnonzero((bare != marked).any(axis=(1, 2)))
    # two bands of changed rows, 40 px of the picture apart: the lines and their dark rims, nothing between them
    assert np.count_nonzero(np.diff(changed) > 50) == 1
