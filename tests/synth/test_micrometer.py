"""Drawn stage micrometers: lines' centres of gravity lie where the scene says, to 0.01 px: with a blur of 1
px sampling leaves no ripple, only 16 bits and single precision do."""

import numpy as np
import pytest

from xsect.synth.micrometer import MicrometerScene, draw_micrometer, random_scene

BARE = MicrometerScene(
    um_per_px_x=0.8,
    um_per_px_y=0.8,
    width_px=400,
    height_px=260,
    start_px=(20.3, 200.0),
    base_line=False,
    numbers=False,
    blur_px=1.0,
    uneven=0.0,
    noise=0.0,
    dust=0,
    bits=16,
)


def line_centres(row: np.ndarray) -> np.ndarray:
    """Centres of gravity of the dark lines in one row."""
    dark = np.maximum(row.max() - row.astype(float) - 5, 0)
    labels = np.cumsum(np.diff(dark > 0, prepend=False) & (dark > 0)) * (dark > 0)
    x = np.arange(len(row))
    return np.array(
        [np.average(x[labels == k], weights=dark[labels == k]) for k in range(1, labels.max() + 1)]
    )


@pytest.mark.parametrize("tilt", [0.0, 3.0])
@pytest.mark.parametrize("um_per_px_y", [0.8, 0.84])
def test_lines_lie_a_pitch_apart(tilt: float, um_per_px_y: float) -> None:
    scene = BARE.__class__(**{**vars(BARE), "tilt_deg": tilt, "um_per_px_y": um_per_px_y})
    centres = line_centres(draw_micrometer(scene, 0)[170])[1:-1]
    assert np.diff(centres) == pytest.approx(10 / 0.8 / np.cos(np.radians(tilt)), abs=0.01)


def test_first_line_lies_at_the_start() -> None:
    assert line_centres(draw_micrometer(BARE, 0)[170])[0] == pytest.approx(20.3, abs=0.01)


def test_every_tenth_line_is_longest() -> None:
    dark = (draw_micrometer(BARE, 0) < 40000).sum(axis=0)
    tenth, fifth, first = (dark[round(20.3 + k * 12.5)] for k in (10, 5, 1))
    assert (tenth, fifth, first) == pytest.approx((130 / 0.8, 90 / 0.8, 60 / 0.8), abs=2)


@pytest.mark.parametrize("seed", range(4))
def test_random_scenes_are_repeatable_and_show_a_scale(seed: int) -> None:
    scene = random_scene(seed)
    small = scene.__class__(**{**vars(scene), "width_px": 300, "height_px": 200, "start_px": (-40.0, 120.0)})
    first, again = draw_micrometer(small, seed), draw_micrometer(small, seed)
    assert np.array_equal(first, again)
    assert np.ptp(first.astype(float)) > 40
