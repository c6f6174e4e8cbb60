"""Copy-move: a patch of a picture that stands in it twice, as when a flaw was covered with clean metal.

The finest residue of a picture is its sensor's noise, which is never the same at two places. Where it is, one place was
copied to the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

WINDOW: Final = 24
"""Side of the window, px, over which noise is compared."""

LEAST_LIKENESS: Final = 0.6
LEAST_AREA: Final = 1200
"""Pixels that must agree, about 35 × 35: a smaller patch hides nothing in a section."""

_PEAKS: Final = 12
_NEAREST: Final = 24
_EDGE: Final = 30.0


@dataclass(frozen=True)
class CopiedPatch:
    """A patch found twice: its box and that of its twin as (x, y, width, height) px, its area in px, and the mean
    correlation of the noise in it."""

    box: tuple[int, int, int, int]
    twin: tuple[int, int, int, int]
    area: int
    likeness: float


def find_copied(
    pixels: NDArray[np.uint8] | NDArray[np.uint16], *, burned_in: NDArray[np.bool_] | None = None
) -> CopiedPatch | None:
    """Return the largest patch that stands twice in a picture (rows, columns[, 3]), None where there is none.

    ``burned_in`` (rows, columns) is left out: letters and bars do repeat. A patch that was turned or resized on its way
    is not found, nor one in a picture without noise (saturated, or drawn).
    """
    residue = _residue(pixels, burned_in)
    best: CopiedPatch | None = None
    for dx, dy in _shifts(residue):
        patch = _patch(residue, dx, dy)
        if patch and (best is None or patch.area > best.area):
            best = patch
    return best


def _residue(
    pixels: NDArray[np.uint8] | NDArray[np.uint16], burned_in: NDArray[np.bool_] | None
) -> NDArray[np.float32]:
    """Return the noise in units of its local spread, 0 where an edge, a letter or a level field would stand for it."""
    grey = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    level = np.asarray(grey, np.float32) * np.float32(255 / np.iinfo(pixels.dtype).max)
    fine = level - cv2.medianBlur(level, 3)
    spread = np.sqrt(cv2.blur(fine * fine, (17, 17)))
    coarse = np.abs(cv2.GaussianBlur(level, (0, 0), 2) - cv2.GaussianBlur(level, (0, 0), 8))
    out = np.clip(fine / np.maximum(spread, 0.3), -4, 4)
    out[cv2.dilate((coarse > _EDGE).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0] = 0
    out[spread < 0.3] = 0
    if burned_in is not None and burned_in.shape == out.shape:
        out[burned_in] = 0
    return np.asarray(out, np.float32)


def _shifts(residue: NDArray[np.float32]) -> list[tuple[int, int]]:
    """Return the displacements (dx, dy), dy ≥ 0, at which the residue is most like itself."""
    from scipy import fft

    shape = [fft.next_fast_len(2 * side, real=True) for side in residue.shape]
    power = np.abs(fft.rfft2(residue, shape)) ** 2
    like = fft.irfft2(power, shape)
    rows, columns = residue.shape
    half = np.concatenate([like[:rows, -columns:], like[:rows, :columns]], axis=1)
    half = half - cv2.blur(half, (9, 9))
    half[:_NEAREST, columns - _NEAREST : columns + _NEAREST] = 0
    half[0, :columns] = 0
    found = []
    for _ in range(_PEAKS):
        at = int(half.argmax())
        dy, x = divmod(at, half.shape[1])
        found.append((x - columns, dy))
        half[max(dy - 2, 0) : dy + 3, max(x - 2, 0) : x + 3] = 0
    return found


def _patch(residue: NDArray[np.float32], dx: int, dy: int) -> CopiedPatch | None:
    """Return the largest patch that agrees with what lies (dx, dy) further on."""
    rows, columns = residue.shape
    x0, x1 = max(0, -dx), min(columns, columns - dx)
    if x1 - x0 < WINDOW or rows - dy < WINDOW:
        return None
    one = residue[: rows - dy, x0:x1]
    other = residue[dy:, x0 + dx : x1 + dx]
    size = (WINDOW, WINDOW)
    power = cv2.blur(one * one, size), cv2.blur(other * other, size)
    like = cv2.blur(one * other, size) / np.sqrt(np.maximum(power[0] * power[1], 1e-6))
    noisy = np.minimum(*power) > 0.25
    agree = ((like > LEAST_LIKENESS) & noisy).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(agree)
    if count < 2:
        return None
    best = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    area = int(stats[best, cv2.CC_STAT_AREA])
    if area < LEAST_AREA:
        return None
    x, y, width, height = (int(side) for side in stats[best, :4])
    # a line repeats along itself; a patch is as thick as the window that found it
    if min(width, height) < WINDOW:
        return None
    box = (x + x0, y, width, height)
    twin = (x + x0 + dx, y + dy, width, height)
    return CopiedPatch(box, twin, area, float(like[labels == best].mean()))
