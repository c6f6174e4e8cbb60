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
    # Cropped at a random place, so that no two fields have their knots at the same pixels.
    x, y = rng.integers(0, max(round(min(scale, columns / 4)), 1), 2)
    size = (columns + int(x), rows + int(y))
    knots = rng.standard_normal((round(size[1] / scale) + 2, round(size[0] / scale) + 2), dtype=np.float32)
    field = cv2.resize(knots, size, interpolation=cv2.INTER_CUBIC)[y:, x:]
    return np.asarray(field * np.float32(1.3), np.float32)


def fractal(shape: tuple[int, ...], scale_px: float, rng: np.random.Generator, octaves: int = 4) -> Image:
    """Return a sum of smooth fields, each half as wide and 0.6 times as strong as the last; unit variance."""
    total = np.zeros(shape[:2], np.float32)
    for octave in range(octaves):
        total += smooth(shape, scale_px / 2**octave, rng) * np.float32(0.6**octave)
    return total / np.float32(1.23)


def smooth_line(n: int, scale: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return (n,) values of about unit variance that vary over ``scale`` entries."""
    knots = rng.standard_normal(int(n / max(scale, 1.0)) + 4)
    at = np.linspace(0, len(knots) - 1, n)
    soft = 1.6 * np.convolve(knots, [0.25, 0.5, 0.25], mode="same")
    return np.asarray(np.interp(at, np.arange(len(knots)), soft))


def grinding_lines(shape: tuple[int, ...], rng: np.random.Generator) -> Image:
    """Return the faint lay that fine polishing leaves: straight lines in one direction, fading in and out."""
    rows, columns = shape[:2]
    angle = rng.uniform(0, np.pi)
    y, x = np.ogrid[0:rows, 0:columns]
    across = (x * np.float32(np.sin(angle)) + y * np.float32(np.cos(angle))).astype(np.float32)
    table = rng.standard_normal(2 * (rows + columns) + 8).astype(np.float32)
    index = np.rint((across - across.min()) * np.float32(0.8)).astype(np.int32)
    strength = np.float32(0.6) + np.float32(0.4) * smooth(shape, columns / 12, rng)
    return np.asarray(table[index] * strength, np.float32)
