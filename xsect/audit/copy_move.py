"""Copy-move: a patch of a picture that stands in it twice, as when a flaw was covered with clean metal.

The finest residue of a picture is its sensor's noise, which is never the same at two places. Where it is, one place was
copied to the other.
"""

from __future__ import annotations

from collections.abc import Callable
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

LEAST_PEAK: Final = 5.0
"""Height of a peak of the noise's likeness with itself, in its own spread, from which a displacement is looked at:
about what chance alone reaches among the million displacements of a picture."""

_PEAKS: Final = 8
_NEAREST: Final = 24
_EDGE: Final = 30.0
_LEAST_SPREAD: Final = 0.3
_COARSE: Final = 4
_QUARTER: Final = WINDOW // 4


@dataclass(frozen=True)
class CopiedPatch:
    """A patch found twice: its box and that of its twin as (x, y, width, height) px, its area in px, and the mean
    correlation of the noise in it."""

    box: tuple[int, int, int, int]
    twin: tuple[int, int, int, int]
    area: int
    likeness: float


def find_copied(
    pixels: NDArray[np.uint8] | NDArray[np.uint16],
    *,
    burned_in: Callable[[], NDArray[np.bool_] | None] = lambda: None,
) -> CopiedPatch | None:
    """Return the largest patch that stands twice in a picture (rows, columns[, 3]), None where there is none.

    ``burned_in`` returns what (rows, columns) is left out: letters and bars do repeat. It is asked for only where
    something was found. A patch that was turned or resized on its way is not found, nor one in a picture without
    noise (saturated, or drawn).
    """
    residue = _residue(pixels)
    found = _largest(residue)
    covered = burned_in() if found else None
    if covered is None or covered.shape != residue.shape or not covered.any():
        return found
    residue[covered] = 0
    return _largest(residue)


def _largest(residue: NDArray[np.float32]) -> CopiedPatch | None:
    power = _coarse(residue * residue)
    found = [
        patch
        for dx, dy in _shifts(residue)
        if _worth_a_look(residue, power, dx, dy) and (patch := _patch(residue, dx, dy))
    ]
    return max(found, key=lambda one: one.area, default=None)


def _residue(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.float32]:
    """Return the noise in units of its local spread, 0 where an edge, a letter or a level field would stand for it."""
    grey = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    unit = 255 / np.iinfo(pixels.dtype).max
    # few arrays of the picture's size, used again: making them takes longer than filling them
    fine = np.asarray(cv2.subtract(grey, cv2.medianBlur(grey, 3), dtype=cv2.CV_32F), np.float32)
    fine *= np.float32(unit)
    spread = np.asarray(cv2.blur(cv2.multiply(fine, fine), (17, 17)), np.float32)
    nothing = spread < _LEAST_SPREAD**2
    np.sqrt(np.maximum(spread, _LEAST_SPREAD**2, out=spread), out=spread)
    out = np.asarray(cv2.divide(fine, spread, dst=fine), np.float32)
    np.clip(out, -4, 4, out=out)
    small = cv2.resize(grey, None, fx=1 / _COARSE, fy=1 / _COARSE, interpolation=cv2.INTER_AREA)
    small = np.asarray(small, np.float32) * np.float32(unit)
    coarse = np.abs(small - cv2.GaussianBlur(small, (0, 0), 8 / _COARSE))
    edges = cv2.dilate((coarse > _EDGE).astype(np.uint8), np.ones((3, 3), np.uint8))
    nothing |= cv2.resize(edges, (out.shape[1], out.shape[0]), interpolation=cv2.INTER_NEAREST) > 0
    np.putmask(out, nothing, 0)
    return out


def _shifts(residue: NDArray[np.float32]) -> list[tuple[int, int]]:
    """Return the displacements (dx, dy), dy ≥ 0, at which the residue is most like itself.

    The picture is taken as going on periodically, which leaves a quarter of the work; a displacement beyond half the
    picture then comes with its three likenesses, too.
    """
    from scipy import fft

    rows, columns = (fft.next_fast_len(side, real=True) for side in residue.shape)
    spectrum = fft.rfft2(residue, (rows, columns))
    spectrum *= spectrum.conj()
    like = fft.irfft2(spectrum, (rows, columns), overwrite_x=True)
    half = like[: rows // 2 + 1]
    half = half - cv2.blur(half, (9, 9))
    least = LEAST_PEAK * 1.4826 * float(np.median(np.abs(half[::4, ::4])))
    half[:_NEAREST, :_NEAREST] = half[:_NEAREST, -_NEAREST:] = 0
    found = []
    for _ in range(_PEAKS):
        dy, dx = divmod(int(half.argmax()), columns)
        if half[dy, dx] <= least:
            break
        found += [(dx, dy), (dx - columns, dy), (-dx, rows - dy), (columns - dx, rows - dy)]
        half[max(dy - 2, 0) : dy + 3, max(dx - 2, 0) : dx + 3] = 0
    return found


def _pair(
    residue: NDArray[np.float32], dx: int, dy: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]] | None:
    """Return the residue and what lies (dx, dy) further on, where both are in the picture."""
    rows, columns = residue.shape
    x0, x1 = max(0, -dx), min(columns, columns - dx)
    if x1 - x0 < WINDOW or rows - dy < WINDOW:
        return None
    return residue[: rows - dy, x0:x1], residue[dy:, x0 + dx : x1 + dx]


def _coarse(array: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return means over a window at every quarter of it; the last, incomplete quarters are left out."""
    rows, columns = (side // _QUARTER for side in array.shape)
    whole = array[: rows * _QUARTER, : columns * _QUARTER]
    return np.asarray(cv2.blur(cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA), (4, 4)))


def _worth_a_look(residue: NDArray[np.float32], power: NDArray[np.float32], dx: int, dy: int) -> bool:
    """Return whether any place may agree at a displacement, judged by coarse means; ``power`` is that of the residue
    squared."""
    pair = _pair(residue, dx, dy)
    if pair is None:
        return False
    both = _coarse(pair[0] * pair[1])
    x = max(0, -dx)
    left = power[:, round(x / _QUARTER) :]
    right = power[round(dy / _QUARTER) :, round((x + dx) / _QUARTER) :]
    rows, columns = (min(sides) for sides in zip(both.shape, left.shape, right.shape, strict=True))
    both, left, right = (part[:rows, :columns] for part in (both, left, right))
    like = both / np.sqrt(np.maximum(left * right, 1e-6))
    return bool(((like > 0.75 * LEAST_LIKENESS) & (np.minimum(left, right) > 0.2)).any())


def _patch(residue: NDArray[np.float32], dx: int, dy: int) -> CopiedPatch | None:
    """Return the largest patch that agrees with what lies (dx, dy) further on."""
    pair = _pair(residue, dx, dy)
    if pair is None:
        return None
    one, other = pair
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
    x += max(0, -dx)
    box, twin = (x, y, width, height), (x + dx, y + dy, width, height)
    return CopiedPatch(box, twin, area, float(like[labels == best].mean()))
