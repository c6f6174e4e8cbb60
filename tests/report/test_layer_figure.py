"""Thickness profile and histogram: pictures of the promised size; other data, another picture."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from xsect.locate.view import LayerView
from xsect.report.layer_figure import draw_layer_picture, draw_layers

ALONG = np.linspace(0, 1.2, 40)
LAYER = LayerView("plating", "µm", ALONG, 5 + np.sin(9 * ALONG), np.full(40, 0.1), 5.1, 4.9, 5.3)


def decoded(data: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)


def test_profile_and_histogram() -> None:
    drawn = draw_layers([LAYER])
    assert decoded(drawn).shape[1] == 1600
    assert drawn == draw_layers([LAYER])
    assert drawn != draw_layers([replace(LAYER, thickness=LAYER.thickness + 0.5)])


def test_a_layer_of_which_nothing_is_seen_takes_one_line() -> None:
    """It is not left out: the reader must see that it was looked for."""
    bare = replace(LAYER, thickness=np.zeros(40), mean=0.0, low=0.0, high=0.4)
    heights = [
        decoded(draw_layers(layers)).shape[0]
        for layers in ([LAYER], [LAYER, bare], [LAYER, replace(LAYER, resolved=False)], [LAYER, LAYER])
    ]
    assert heights[0] < heights[1] == heights[2] < heights[3]
    assert decoded(draw_layers([bare])).shape[0] < 120


def test_both_surfaces_are_told_apart() -> None:
    """Readings of the lower surface follow those of the upper one: no line may lead back from right to left."""
    twice = replace(
        LAYER,
        along=np.tile(ALONG, 2),
        thickness=np.concatenate([np.full(40, 3.0), np.full(40, 6.0)]),
        u=np.full(80, 0.01),
        low=0.1,
        high=0.2,
        mean=0.15,
    )
    picture = decoded(draw_layers([twice])).astype(int)
    profile = picture[66:240, 160:1150]
    inked = (profile.min(axis=2) < 100).any(axis=1)
    levels = np.flatnonzero(np.diff(inked.astype(int)) == 1)
    assert len(levels) == 2


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
    changed = np.flatnonzero((bare != marked)[:1000].any(axis=(1, 2)))
    # two bands of changed rows, 40 px of the picture apart: the lines and their dark rims, nothing between them
    assert np.count_nonzero(np.diff(changed) > 50) == 1
