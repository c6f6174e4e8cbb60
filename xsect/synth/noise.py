"""Smooth random fields, the raw material of texture."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


def smooth(shape: tuple[int, ...], scale_px: float, rng: np.random.Generator) -> Image:
    """Return a field (rows, columns) of about unit variance that varies over ``scale_px`` pixels."""
    rows, columns = shape[:2]
    scale = max(scale_px, 1.0)
    coarse = rng.standard_normal((int(rows / scale) + 4, int(columns / scale) + 4)).astype(np.float32)
    size = (int(coarse.shape[1] * scale) + 1, int(coarse.shape[0] * scale) + 1)
    if size[0] * size[1] > 3 * rows * columns + 10000:
        coarse = coarse[:, : int(columns / scale) + 2][: int(rows / scale) + 2]
        size = (columns, rows)
    field = cv2.resize(coarse, size, interpolation=cv2.INTER_CUBIC)[:rows, :columns]
    return np.ascontiguousarray(field * np.float32(1.3))


def fractal(shape: tuple[int, ...], scale_px: float, rng: np.random.Generator, octaves: int = 3) -> Image:
    """Return a sum of smooth fields, each half as wide and half as strong as the last; about unit variance."""
    total = np.zeros(shape[:2], np.float32)
    for octave in range(octaves):
        total += smooth(shape, scale_px / 2**octave, rng) * np.float32(0.5**octave)
    return total / np.float32(1.15)


def smooth_line(n: int, scale: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return (n,) values of about unit variance that vary over ``scale`` entries."""
    knots = rng.standard_normal(int(n / max(scale, 1.0)) + 4)
    at = np.linspace(0, len(knots) - 1, n)
    return (
        1.2 * np.interp(at, np.arange(len(knots)), np.convolve(knots, [0.25, 0.5, 0.25], mode="same")) / 0.75
    )
