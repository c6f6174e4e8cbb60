"""Textures of metal and resin from smooth random fields: grains, twins, flow, mottling.

Grains are the domains in which one of several random fields is the largest: their boundaries curve and meet
in threes as in a real metal, and none of it comes from a diagram of seed points.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


def field(
    rng: np.random.Generator, shape: tuple[int, int], scale: float, *, aspect: float = 1.0, angle: float = 0.0
) -> Image:
    """Return a smooth random field (mean about 0, spread about 1): ``scale`` px across, ``aspect`` times
    longer along ``angle`` degrees (counted like the picture's tilt)."""
    rows, columns = shape
    along, across = max(scale * aspect, 1.0), max(scale, 1.0)
    side = np.hypot(rows, columns) if aspect != 1 else 0.0
    size = (int((side or columns) / along) + 5, int((side or rows) / across) + 5)
    knots = rng.standard_normal((size[1], size[0]), dtype=np.float32)
    cos, sin = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    if aspect == 1:
        cos, sin = 1.0, 0.0
    # Cubic reading of the knots in a frame turned by the angle about the picture's centre.
    to_knots = np.array([[cos / along, sin / along, 0.0], [-sin / across, cos / across, 0.0]])
    to_knots[:, 2] = np.array(size) / 2 - to_knots[:, :2] @ np.array([columns / 2, rows / 2])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    out = cv2.warpAffine(knots, to_knots, (columns, rows), flags=flags, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(out / 0.75, dtype=np.float32)


def grains(
    rng: np.random.Generator,
    shape: tuple[int, int],
    size: float,
    *,
    aspect: float = 1.0,
    angle: float = 0.0,
    twins: float = 0.0,
    kinds: int = 7,
) -> tuple[Image, Image]:
    """Return (shade, boundary): a shade of about -1 to 1 for each grain, and 1 on boundaries falling to 0.

    ``twins``: share of the grains crossed by straight bands of another shade.
    """
    shades = rng.permutation(np.linspace(-1, 1, kinds)).astype(np.float32)
    best = np.full(shape, -9, np.float32)
    second = best.copy()
    shade = np.zeros(shape, np.float32)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    for k in range(kinds):
        here = field(rng, shape, size * 1.25, aspect=aspect, angle=angle)
        value = np.full(shape, shades[k], np.float32) if rng.random() >= twins else None
        if value is None:
            turn = rng.uniform(0, np.pi)
            period = size * rng.uniform(0.25, 0.6)
            phase = np.sin((x * np.cos(turn) + y * np.sin(turn)) * (2 * np.pi / period))
            bands = np.clip((phase - rng.uniform(-0.2, 0.7)) * period / 4, 0, 1)
            value = shades[k] + bands * np.float32(rng.choice([-1, 1]) * rng.uniform(0.5, 1.0))
        won = here > best
        second = np.where(won, best, np.maximum(second, here))
        best = np.where(won, here, best)
        shade = np.where(won, value, shade)
    margin = (best - second) * np.float32(size / 1.6)  # about px from the boundary
    return cv2.blur(shade, (2, 2)), np.exp(-((margin / 0.9) ** 2))


def columnar(
    rng: np.random.Generator, shape: tuple[int, int], centre: tuple[float, float], size: float
) -> tuple[Image, Image]:
    """Return (shade, boundary) of long grains that point to ``centre`` from all sides."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    dx, dy = x - centre[0], (y - centre[1]) * 1.6
    radius = np.hypot(dx, dy)
    bend = field(rng, shape, size * 3) * 0.05
    angle = (np.arctan2(dy, dx) + np.pi + bend) * 150 / size
    knots = rng.standard_normal((64, int(2 * np.pi * 150 / size) + 8), dtype=np.float32)
    shade = cv2.remap(knots, angle, radius / (size * 3.5) + 2, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    return np.clip(shade, -1.6, 1.6), np.exp(-((shade / 0.12) ** 2))


def spots(
    rng: np.random.Generator,
    shape: tuple[int, int],
    number: int,
    size: tuple[float, float],
    *,
    stretch: float = 1.5,
) -> Image:
    """Return a map of 0 to 1 with ``number`` blunt spots of radius ``size`` px, sub-pixel."""
    canvas = np.zeros(shape, np.uint8)
    for _ in range(number):
        x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        radius = float(np.exp(rng.uniform(*np.log(size))))
        axes = (int(16 * radius * rng.uniform(1, stretch)), int(16 * radius))
        cv2.ellipse(
            canvas, (int(16 * x), int(16 * y)), axes, rng.uniform(0, 180), 0, 360, 255, -1, cv2.LINE_AA, 4
        )
    return canvas.astype(np.float32) / 255


def strokes(
    rng: np.random.Generator,
    shape: tuple[int, int],
    number: int,
    angle: float,
    spread: float,
    *,
    width: int = 1,
) -> Image:
    """Return a map of -1 to 1 with thin straight scratches at about ``angle`` degrees, dark and bright."""
    dark, bright = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    reach = max(shape)
    for _ in range(number):
        x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        turn = np.radians(angle + rng.normal(0, spread))
        half = reach * rng.uniform(0.05, 0.7)
        ends = [
            (int(16 * (x + k * half * np.cos(turn))), int(16 * (y + k * half * np.sin(turn))))
            for k in (-1, 1)
        ]
        into = dark if rng.random() < 0.6 else bright
        level = int(rng.uniform(60, 255))
        cv2.line(into, ends[0], ends[1], level, width, cv2.LINE_AA, 4)
    return (bright.astype(np.float32) - dark.astype(np.float32)) / 255
