"""Centre lines that turn from one straight line onto another: scratches go on beyond the bend, a crack does not."""

import cv2
import numpy as np
import pytest

from xsect.locate.crack_lines import length, without_scratch_runs
from xsect.locate.ridge_map import HALF

BEND = np.array([(100.0, 120.0), (140.0, 120.0), (160.0, 155.0)])
BEYOND = 60.0
"""Px by which a scratch goes on beyond the bend."""


def strength(*lines: np.ndarray) -> np.ndarray:
    """Ridges 3 px wide on the half-size copy."""
    out = np.zeros((150, 150), np.uint8)
    for line in lines:
        cv2.polylines(out, [np.rint(line / HALF * 16).astype(np.int32)], False, 255, 3, cv2.LINE_AA, 4)
    return cv2.GaussianBlur(out.astype(np.float32) / 255, (0, 0), 0.7)


def fine(line: np.ndarray) -> np.ndarray:
    """The line at steps of 1 px."""
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    return np.column_stack([np.interp(np.arange(0, arc[-1], 1.0), arc, axis) for axis in line.T])


def on(start: np.ndarray, end: np.ndarray) -> np.ndarray:
    return np.array([start, end + BEYOND * (end - start) / np.hypot(*(end - start))])


FIRST, SECOND = on(BEND[0], BEND[1]), on(BEND[2], BEND[1])


@pytest.mark.parametrize(
    ("ridges", "left"),
    [
        pytest.param((BEND,), (75.0, 85.0), id="a crack that turns"),
        pytest.param((BEND, FIRST), (35.0, 45.0), id="what joins a scratch"),
        pytest.param((FIRST, SECOND), (0.0, 1.0), id="two scratches"),
    ],
)
def test_what_is_left_of_a_bent_line(ridges: tuple[np.ndarray, ...], left: tuple[float, float]) -> None:
    """The line is 80 px long, 40 each way from the bend; what a scratch holds of it is taken off."""
    assert left[0] <= length(without_scratch_runs(strength(*ridges), fine(BEND))) <= left[1]
