"""Resampling: traces that interpolation leaves in a picture that was enlarged or turned.

Interpolated pixels are weighted means of their neighbours, more so at some places than at others, and these places come
back with the period of the new grid. The second difference along rows or columns shows it as a line in its spectrum.
Source of the idea: A. C. Gallagher, "Detection of linear and cubic interpolation in JPEG compressed images" (2005);
from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

LEAST_PEAK: Final = 9.0
"""Height of a spectral line above the median about it from which it is told of."""

_JPEG_LINES: Final = tuple(k / 8 for k in range(1, 5))
_BESIDE: Final = 0.006
_LOWEST: Final = 0.06


@dataclass(frozen=True)
class ResampleTrace:
    """A line in the spectrum: along which axis, at what frequency (1/px), how high above its surroundings.

    ``blocks_px`` is the side of the blocks of an earlier JPEG where lines at its multiples show it, NaN where none do:
    the picture was then enlarged ``blocks_px`` / 8 times.
    """

    axis: str
    frequency: float
    height: float
    blocks_px: float


def find_resampling(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> ResampleTrace | None:
    """Return the strongest trace of enlargement in a picture (rows, columns[, 3]), None where there is none.

    Lines of JPEG's own 8 px blocks are left out, and so is half the pixel frequency, where colour cameras leave
    one; a picture made smaller leaves no line that can be told from these.
    """
    grey = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    level = np.asarray(grey, np.float32)
    found = [_along(level, "rows"), _along(np.ascontiguousarray(level.T), "columns")]
    return max((one for one in found if one), key=lambda one: one.height, default=None)


def _along(level: NDArray[np.float32], axis: str) -> ResampleTrace | None:
    second = np.abs(2 * level[:, 1:-1] - level[:, :-2] - level[:, 2:])
    # outlines are strong and few: each pixel may count no more than four times the usual
    second = np.minimum(second, 4 * max(float(np.median(second[::4, ::3])), 0.5))
    line = second.mean(axis=0, dtype=np.float64)
    if len(line) < 128:
        return None
    spectrum = np.abs(np.fft.rfft((line - line.mean()) * np.hanning(len(line))))
    frequency = np.asarray(np.fft.rfftfreq(len(line)), np.float64)
    usual = _running_median(spectrum, 41)
    height = spectrum / np.maximum(usual, 1e-12)
    height[frequency < _LOWEST] = 0
    for jpeg in _JPEG_LINES:
        height[np.abs(frequency - jpeg) < _BESIDE] = 0
    at = int(height.argmax())
    if height[at] < LEAST_PEAK:
        return None
    f = float(frequency[at])
    return ResampleTrace(axis, f, float(height[at]), _blocks(frequency, height, f))


def _blocks(frequency: NDArray[np.float64], height: NDArray[np.float64], line: float) -> float:
    """Return the side of blocks whose multiples stand out, one of which is the given line; NaN where none does."""
    for k in range(1, 9):
        side = k / line
        if not 8.2 < side < 40:
            continue
        places = np.arange(1, int(side / 2) + 1) / side
        places = places[(places >= _LOWEST) & (np.abs(places * 8 - np.rint(places * 8)) > 8 * _BESIDE)]
        near = np.rint(places / frequency[1]).astype(int)
        seen = sum(height[max(at - 1, 0) : at + 2].max() > LEAST_PEAK / 2 for at in near)
        if seen >= max(2, 0.75 * len(places)):  # the smallest such side: its multiples would do, too
            return side
    return math.nan


def _running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    from scipy import ndimage

    return np.asarray(ndimage.median_filter(values, width, mode="nearest"))
