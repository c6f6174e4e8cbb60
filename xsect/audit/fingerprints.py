"""Fingerprints: what of a picture survives crop, turn, mirror, resize, other tones and JPEG: its local details.

A fingerprint holds a few hundred points with a 128-bit code of their surroundings each, and the code that the mirrored
picture would have there. Codes of the same detail differ in few bits, whatever was done to the picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8] | NDArray[np.uint16]
Grey = NDArray[np.float32]
Codes = NDArray[np.uint8]

DETAIL_PX: Final = 480
"""Longer side of the picture that details are looked for in: enough for them, little enough for speed."""

WORKING_PX: Final = 800
"""Longer side of the picture that textures are compared in."""

POINTS: Final = 500
BITS: Final = 128

_NEIGHBOURHOOD: Final = 12.0
_GRID: Final = 8
"""Points are taken evenly from a grid of 8 × 8 fields: a sharp outline must not take them all."""


@dataclass(frozen=True)
class Fingerprint:
    """Details of one picture of ``shape`` (rows, columns) px.

    ``points``: (k, 4) float32: x, y in px of the picture, size in px, angle in degrees. ``codes`` and
    ``mirrored``: (k, 16) uint8, bits packed.
    """

    shape: tuple[int, int]
    points: NDArray[np.float32]
    codes: Codes
    mirrored: Codes


def fingerprint(pixels: Pixels) -> Fingerprint:
    """Return the fingerprint of a picture (rows, columns[, 3]); one without any texture has no points."""
    small, factor = working(pixels, DETAIL_PX)
    return fingerprint_of(small, factor, (pixels.shape[0], pixels.shape[1]))


def fingerprint_of(small: Grey, factor: float, shape: tuple[int, int]) -> Fingerprint:
    """Return the fingerprint of a picture of ``shape`` from what ``working`` made of it at ``DETAIL_PX``."""
    flat, _ = flattened(small)
    points, descriptors = _details(flat)
    x, y = _back(points[:, 0], factor), _back(points[:, 1], factor)
    scaled = np.column_stack([x, y, points[:, 2] / factor, points[:, 3]]).astype(np.float32)
    return Fingerprint(shape, scaled, _codes(descriptors), _codes(descriptors[:, _mirror()]))


def working(pixels: Pixels, longest: int = WORKING_PX) -> tuple[Grey, float]:
    """Return the picture in grey, 0 to 255, its longer side ``longest`` px at most, and by what it was made smaller."""
    grey = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    factor = min(1.0, longest / max(grey.shape))
    if factor < 1:
        grey = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    # the picture's own range, so that a 12 bit picture in 16 bits or a dim one fills it too
    top = max(float(np.percentile(grey, 99.8)), 1.0)
    return np.asarray(np.minimum(grey * np.float32(220 / top), 255), np.float32), factor


def flattened(small: Grey) -> tuple[Grey, Grey]:
    """Return a picture freed of shading and contrast, and its local contrast: (grey - mean) / (spread + 2), spread."""
    rest = small - blurred_widely(small, _NEIGHBOURHOOD)
    spread = np.sqrt(blurred_widely(rest * rest, _NEIGHBOURHOOD))
    return np.asarray(rest / (spread + 2), np.float32), np.asarray(spread, np.float32)


def blurred_widely(values: Grey, sigma: float) -> Grey:
    """Return a grey image (rows, columns) under a wide Gaussian blur of ``sigma`` px, in a quarter of the time.

    So wide a mean has no fine detail: it is taken of a quarter of the size.
    """
    rows, columns = values.shape
    quarter = cv2.resize(values, (max(columns // 4, 1), max(rows // 4, 1)), interpolation=cv2.INTER_AREA)
    mean = cv2.GaussianBlur(quarter, (0, 0), sigma / 4)
    return np.asarray(cv2.resize(mean, (columns, rows)), np.float32)


def _back(place: NDArray[np.float32], factor: float) -> NDArray[np.float32]:
    """Return places of a reduced picture in px of the whole one, pixel centres at whole numbers in both."""
    return np.asarray((place + 0.5) / factor - 0.5, np.float32)


def _details(flat: Grey) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return points (k, 4) and descriptors (k, 128), strongest of each field first."""
    eight = np.clip(128 + 48 * flat, 0, 255).astype(np.uint8)
    # no finer octave than the picture's own: that would only find its noise
    sift: Any = getattr(cv2, "SIFT_create")(  # noqa: B009 - missing in the library's stubs
        nfeatures=6 * POINTS, contrastThreshold=0.02, enable_precise_upscale=True
    )
    found = list(sift.detect(eight, None))
    if not found:
        return np.zeros((0, 4), np.float32), np.zeros((0, 128), np.float32)
    table = np.array([(*p.pt, p.size, p.angle, p.response) for p in found], np.float32)
    keep = _spread_out(table, flat.shape)
    kept, descriptors = sift.compute(eight, [found[at] for at in keep])
    points = np.array([(*p.pt, p.size, p.angle) for p in kept], np.float32).reshape(-1, 4)
    rooted = np.sqrt(descriptors / np.maximum(descriptors.sum(axis=1, keepdims=True), 1))
    return points, np.asarray(rooted, np.float32)


def _spread_out(table: NDArray[np.float32], shape: tuple[int, ...]) -> NDArray[np.intp]:
    """Return the places of POINTS points: by turns the strongest of every field of the grid, coarse ones preferred."""
    field = (table[:, 1] * _GRID // shape[0]) * _GRID + table[:, 0] * _GRID // shape[1]
    strength = table[:, 4] * np.minimum(table[:, 2], 6)
    order = np.lexsort((-strength, field))
    sorted_field = field[order]
    first = np.searchsorted(sorted_field, sorted_field)
    rank = np.arange(len(order)) - first
    turns = np.lexsort((-strength[order], rank))
    return order[turns][:POINTS]


@cache
def _mirror() -> NDArray[np.intp]:
    """Return the order of a descriptor's 128 numbers (4 rows, 4 columns, 8 directions) in the mirrored picture.

    A point keeps its own direction; what lay on one side of it lies on the other, and turns turn the other way.
    """
    rows, columns, turns = np.meshgrid(np.arange(4), np.arange(4), np.arange(8), indexing="ij")
    return np.asarray(((3 - rows) * 32 + columns * 8 + (-turns) % 8).ravel())


def _codes(descriptors: NDArray[np.float32]) -> Codes:
    axes, thresholds = _axes()
    return np.packbits(descriptors @ axes > thresholds, axis=1)


@cache
def _axes() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return (128, 128) random directions and their thresholds: the medians over details of made-up texture.

    Fixed once and for all, so that codes of different runs compare.
    """
    rng = np.random.default_rng(1809)
    axes, _ = np.linalg.qr(rng.standard_normal((BITS, BITS)))
    texture = sum(
        cv2.resize(knots.astype(np.float32), (640, 480), interpolation=cv2.INTER_CUBIC)
        for knots in (rng.standard_normal((480 // size, 640 // size)) for size in (4, 8, 16, 32))
    )  # fmt: skip
    _, descriptors = _details(np.asarray(texture, np.float32))
    directions = np.asarray(axes, np.float32)
    return directions, np.asarray(np.median(descriptors @ directions, axis=0), np.float32)
