"""Grain structures: warped Voronoi cells with shades, dark boundaries and straight twin bands."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.synth.look import Grains
from xsect.synth.noise import Image, smooth

Labels = NDArray[np.int32]


def cells(x: Image, y: Image, size: float, pixel: float, rng: np.random.Generator) -> Labels:
    """Return the cell number of each place (x, y); cells measure about ``size`` and are warped by noise.

    Cells are found once on a canvas no finer than the picture (``pixel``), on which a cell is 48 steps wide
    at most, and looked up.
    """
    step = max(size / 48, pixel)
    pitch = max(size / step, 2.0)
    margin = 2 * size
    low_x, low_y = float(x.min()) - margin, float(y.min()) - margin
    rows = int((float(y.max()) + margin - low_y) / step) + 2
    columns = int((float(x.max()) + margin - low_x) / step) + 2
    gy, gx = np.mgrid[0:rows:pitch, 0:columns:pitch]
    seeds_y = np.clip(gy + rng.uniform(-0.55, 0.55, gy.shape) * pitch, 0, rows - 1).astype(int)
    seeds_x = np.clip(gx + rng.uniform(-0.55, 0.55, gx.shape) * pitch, 0, columns - 1).astype(int)
    # A fifth of the seeds is left out, so that sizes spread as real grains do.
    keep = rng.random(gy.shape) > 0.2
    ground = np.full((rows, columns), 255, np.uint8)
    ground[seeds_y[keep], seeds_x[keep]] = 0
    _, labels = cv2.distanceTransformWithLabels(ground, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    warp, scale = np.float32(0.10 * size), 0.7 * size / pixel
    map_x = (x - np.float32(low_x) + smooth(x.shape, scale, rng) * warp) / np.float32(step)
    map_y = (y - np.float32(low_y) + smooth(x.shape, scale, rng) * warp) / np.float32(step)
    found = cv2.remap(
        labels.astype(np.float32), map_x, map_y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE
    )
    return found.astype(np.int32)


def twinned(labels: Labels, x: Image, y: Image, grains: Grains, rng: np.random.Generator) -> Labels:
    """Split a share of the cells by straight bands, each its own cell; the numbers double."""
    count = int(labels.max()) + 1
    angle = rng.uniform(0, np.pi, count).astype(np.float32)
    pitch = (grains.size * rng.uniform(0.35, 1.1, count)).astype(np.float32)
    duty = np.where(rng.random(count) < grains.twins, rng.uniform(0.15, 0.5, count), 0).astype(np.float32)
    along = x * np.cos(angle)[labels] + y * np.sin(angle)[labels]
    phase = np.mod(along / pitch[labels], np.float32(1))
    return np.asarray(labels * 2 + (phase < duty[labels]), np.int32)


def shade(
    labels: Labels,
    grains: Grains,
    pixel: float,
    rng: np.random.Generator,
    *,
    quiet: NDArray[np.bool_] | None = None,
) -> Image:
    """Return the etched brightness (rows, columns, 3) about 1: a shade a cell, dark boundaries between cells.

    No boundary is drawn where ``quiet`` is True.
    """
    count = int(labels.max()) + 1
    level = np.clip(1 + grains.contrast * rng.standard_normal(count), 0.35, 1.6)
    tint = 1 + grains.tint * grains.contrast * rng.standard_normal((count, 3))
    field = (level[:, None] * tint).astype(np.float32)[labels]
    edge = np.zeros(labels.shape, np.float32)
    edge[:, 1:] = labels[:, 1:] != labels[:, :-1]
    edge[1:] = np.maximum(edge[1:], labels[1:] != labels[:-1])
    if quiet is not None:
        edge[quiet] = 0
    # Boundaries differ in how deep they are etched; weak ones vanish.
    edge *= np.clip(rng.normal(1.0, 0.4, count), 0, 1.6).astype(np.float32)[labels]
    width = max(grains.boundary_um / pixel, 0.4)
    spread = cv2.GaussianBlur(edge, (0, 0), 0.45 * max(width, 1.0))
    dark = np.clip(spread * np.float32(1.6 * width), 0, 1.3) * np.float32(grains.boundary)
    return np.asarray(field * np.clip(1 - dark, 0.03, 1)[..., None], np.float32)
