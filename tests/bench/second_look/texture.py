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
    kinds: int = 8,
) -> tuple[Image, Image]:
    """Return (shade, boundary): a shade of about -1 to 1 for each grain, and 1 on boundaries falling to 0.

    ``twins``: share of the kinds of grain that are crossed by straight bands of another shade.
    """
    shades = rng.permutation(np.linspace(-1, 1, kinds)).astype(np.float32)
    best = np.full(shape, -9, np.float32)
    second = best.copy()
    shade = np.zeros(shape, np.float32)
    for k in range(kinds):
        here = field(rng, shape, size * 1.25, aspect=aspect, angle=angle + rng.normal(0, 4))
        value = np.full(shape, shades[k], np.float32)
        if rng.random() < twins:
            value += _lamellae(rng, shape, size)
        won = here > best
        second = np.where(won, best, np.maximum(second, here))
        best = np.where(won, here, best)
        shade = np.where(won, value, shade)
    margin = (best - second) * np.float32(size / 1.6)  # about px from the boundary
    shade = cv2.blur(shade, (2, 2)) + 0.12 * field(rng, shape, size * 0.3)
    return shade, np.exp(-((margin / 0.9) ** 2))


def _lamellae(rng: np.random.Generator, shape: tuple[int, int], size: float) -> Image:
    """Return straight bands in two directions, each of its own spacing, with calm places between."""
    which = field(rng, shape, size * 1.5)
    step = np.float32(rng.choice([-1, 1]) * rng.uniform(0.4, 1.0))
    out = np.zeros(shape, np.float32)
    for bare in (which < -0.2, which > 0.5):
        turn, period = rng.uniform(0, np.pi), size * rng.uniform(0.3, 1.1)
        down = np.arange(shape[0], dtype=np.float32) * np.float32(np.sin(turn) / period)
        along = np.arange(shape[1], dtype=np.float32) * np.float32(np.cos(turn) / period)
        phase = np.add.outer(down, along + np.float32(rng.uniform(9, 10)) + abs(down[-1]) + abs(along[-1]))
        phase -= np.floor(phase)
        narrow = rng.uniform(0.1, 0.45)
        bands = np.clip(
            (np.abs(phase - np.float32(0.5)) + np.float32(narrow - 0.5)) * np.float32(period), 0, 1
        )
        bands[bare] = 0
        out += bands * step
    return out


def columnar(
    rng: np.random.Generator,
    shape: tuple[int, int],
    centre: tuple[float, float],
    core: float,
    tilt: float,
    size: float,
) -> tuple[Image, Image]:
    """Return (shade, boundary) of long grains that grow inward and meet on a core line.

    The core lies at ``centre``, ``core`` px to either side along ``tilt`` degrees; grains ``size`` px wide.
    """
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    cos, sin = np.cos(np.radians(tilt)), np.sin(np.radians(tilt))
    u = (x - centre[0]) * cos + (y - centre[1]) * sin + field(rng, shape, size * 4) * np.float32(size * 0.8)
    v = (y - centre[1]) * cos - (x - centre[0]) * sin + field(rng, shape, size * 4) * np.float32(size * 0.8)
    beyond = np.clip(np.abs(u) - core, 0, None)
    radius = np.hypot(beyond, v)
    # Across the grains: along the core above and below it, around its ends outside.
    around = np.where(beyond > 0, np.arctan2(beyond, np.abs(v) + 1e-3) * max(core, 40.0), 0)
    across = np.sign(u) * (np.minimum(np.abs(u), core) + around) / size
    across = (np.where(v > 0, across + 300, across) + 600).astype(np.float32)
    knots = rng.standard_normal((40, 1500), dtype=np.float32)
    depth = (radius / (size * 7) + 2).astype(np.float32)
    shade = cv2.remap(knots, across, depth, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    shade += 0.5 * cv2.remap(knots, across * 2.3, depth * 2, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    return np.clip(shade, -1.8, 1.8), np.exp(-((shade / 0.12) ** 2))


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
