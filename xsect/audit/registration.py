"""Registration: where one picture would lie on another, and how alike the two are there beyond their outlines."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.audit.fingerprints import Fingerprint, Grey, flattened

MOST_BITS: Final = 32
"""Bits of 128 by which the codes of one detail may differ; unlike ones differ by 64 ± 10 in the mean."""

OUTLINES: Final = (13.0, 30.0)
"""Local contrast, in grey levels of 255, from which a place belongs to an outline: metal against mount or gap, which
sections of one design share. Within these bounds it is OUTLINE times the usual contrast of the picture's texture, so
that neither a pale outline beside a bright label nor deeply etched grain is taken for the other."""

OUTLINE: Final = 3.0

LEAST_TEXTURE: Final = 0.7
"""Local contrast in grey levels below which a place says nothing: what is left of it in a picture that was clipped,
darkened or saved as JPEG is rounding."""

HALO: Final = 18
"""How far (px at the working size) an outline is felt beside where its contrast says so: its halo, left by the
flattening, lies in the same place in all sections of one design."""

TILE: Final = 40
"""Side of the tiles (px at the working size) that are compared one by one."""

_HALF_TURN: Final = 180.0


@dataclass(frozen=True)
class Registration:
    """A similarity that lays one picture on another: ``matrix`` (2, 3) takes (x, y) px of the second, mirrored first
    from left to right where ``mirrored``, to the first. ``matched``: (k, 4) x, y in the first and in the second
    picture (as stored) of the details that agree with it."""

    matrix: NDArray[np.float64]
    mirrored: bool
    matched: NDArray[np.float32]

    @property
    def scale(self) -> float:
        """How much larger the second picture's details are in the first."""
        return math.hypot(self.matrix[0, 0], self.matrix[1, 0])

    @property
    def turn_deg(self) -> float:
        """Clockwise turn from the second picture to the first."""
        return math.degrees(math.atan2(self.matrix[1, 0], self.matrix[0, 0]))


@dataclass(frozen=True)
class Likeness:
    """How alike two registered pictures are, apart from outlines.

    ``tiles`` were compared; ``mean`` is their mean correlation (0 for unlike textures, whatever their strength);
    ``strong`` of them correlate above 0.5. ``overlap`` is the share of the smaller picture that the other covers.
    """

    tiles: int
    mean: float
    strong: int
    overlap: float


def register(first: Fingerprint, second: Fingerprint, *, fewest: int = 6) -> Registration | None:
    """Return the similarity that most details agree with, the mirrored picture tried too; None below ``fewest``."""
    found = [_register(first, second, mirrored, fewest) for mirrored in (False, True)]
    return max((one for one in found if one), key=lambda one: len(one.matched), default=None)


def _register(first: Fingerprint, second: Fingerprint, mirrored: bool, fewest: int) -> Registration | None:
    codes = second.mirrored if mirrored else second.codes
    if min(len(first.codes), len(codes)) < fewest:
        return None
    matches = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(first.codes, codes)
    pairs = np.array([(m.queryIdx, m.trainIdx) for m in matches if m.distance <= MOST_BITS], np.intp)
    if len(pairs) < fewest:
        return None
    points = second.points.copy()
    if mirrored:
        points[:, 0] = second.shape[1] - 1 - points[:, 0]
        points[:, 3] = _HALF_TURN - points[:, 3]
    one, other = first.points[pairs[:, 0]], points[pairs[:, 1]]
    keep = consensus(one, other)
    if len(keep) < fewest:
        return None
    reach = 3.0 * max(max(first.shape) / 800, 1)
    matrix, inside = cv2.estimateAffinePartial2D(
        other[keep, :2],
        one[keep, :2],
        method=cv2.RANSAC,
        ransacReprojThreshold=reach,
        maxIters=2000,
        confidence=0.995,
    )
    if matrix is None or inside.sum() < fewest:
        return None
    chosen = pairs[keep][inside.ravel() > 0]
    matched = np.hstack([first.points[chosen[:, 0], :2], second.points[chosen[:, 1], :2]])
    return Registration(np.asarray(matrix, np.float64), mirrored, matched)


def consensus(one: NDArray[np.float32], other: NDArray[np.float32]) -> NDArray[np.intp]:
    """Return which pairs of points (k, 4) agree on turn and scale: within 20° and a factor of 1.4 of the most."""
    turn = np.radians(one[:, 3] - other[:, 3])
    size = np.log(one[:, 2] / other[:, 2])
    near = np.cos(turn[:, None] - turn[None]) > math.cos(math.radians(20))
    near &= np.abs(size[:, None] - size[None]) < math.log(1.4)
    return np.flatnonzero(near[int(near.sum(axis=1).argmax())])


def likeness(first: Grey, second: Grey, found: Registration, *, factors: tuple[float, float]) -> Likeness:
    """Return how alike two pictures are once registered.

    ``first`` and ``second`` are at the working size, ``factors`` what they were made smaller by. Outlines are left out:
    sections of one design have them in common, so only texture can tell one specimen from another.
    """
    laid, seen = laid_on(first, second, found, factors=factors)
    flat_one, flat_other, free = _compared(first, laid, seen)
    correlations = _tile_correlations(flat_one, flat_other, free)
    area = min(first.size, second.size * (found.scale * factors[0] / factors[1]) ** 2)
    if not len(correlations):
        return Likeness(0, 0.0, 0, float(seen.sum()) / area)
    strong = int((correlations > 0.5).sum())
    return Likeness(len(correlations), float(correlations.mean()), strong, min(1.0, float(seen.sum()) / area))


def laid_on(
    first: Grey, second: Grey, found: Registration, *, factors: tuple[float, float]
) -> tuple[Grey, NDArray[np.bool_]]:
    """Return the second picture laid on the first one's frame, and where it covers it."""
    if found.mirrored:
        second = np.ascontiguousarray(second[:, ::-1])
    matrix = found.matrix.copy()
    matrix[:, :2] *= factors[0] / factors[1]
    # centres at whole numbers in both sizes: x' = (x + ½) f − ½
    centre = found.matrix[:, :2].sum(axis=1) * (0.5 / factors[1] - 0.5)
    matrix[:, 2] = (centre + found.matrix[:, 2] + 0.5) * factors[0] - 0.5
    size = (first.shape[1], first.shape[0])
    shrink = found.scale * factors[0] / factors[1]
    if shrink < 0.7:  # else a small part of the finer picture would alias
        second = np.asarray(cv2.GaussianBlur(second, (0, 0), 0.4 / shrink), np.float32)
    laid = cv2.warpAffine(second, matrix, size, flags=cv2.INTER_LINEAR)
    inside = cv2.warpAffine(np.ones(second.shape, np.uint8), matrix, size, flags=cv2.INTER_NEAREST)
    return np.asarray(laid, np.float32), inside > 0


def _compared(first: Grey, laid: Grey, seen: NDArray[np.bool_]) -> tuple[Grey, Grey, NDArray[np.bool_]]:
    """Return both pictures flattened and a little blurred, and where both show texture rather than outlines."""
    whole = np.where(seen, laid, np.float32(laid[seen].mean() if seen.any() else 0))
    out, free = [], cv2.erode(seen.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0
    for picture in (first, whole):
        flat, spread = flattened(np.asarray(picture, np.float32))
        telling = seen & (spread >= LEAST_TEXTURE)
        usual = float(np.median(spread[telling])) if telling.any() else 0.0
        outline = (spread >= np.clip(OUTLINE * usual, *OUTLINES)).astype(np.uint8)
        free &= telling
        free &= cv2.dilate(outline, np.ones((2 * HALO + 1, 2 * HALO + 1), np.uint8)) == 0
        out.append(np.asarray(cv2.GaussianBlur(flat, (0, 0), 1.0), np.float32))
    return out[0], out[1], free


def _tile_correlations(one: Grey, other: Grey, free: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the correlation of every tile of which at least half is free."""
    rows, columns = (side // TILE * TILE for side in one.shape)

    def tiles(array: NDArray[Any]) -> NDArray[np.float64]:
        parted = array[:rows, :columns].reshape(rows // TILE, TILE, columns // TILE, TILE)
        return np.asarray(parted.swapaxes(1, 2).reshape(-1, TILE * TILE), np.float64)

    weight = tiles(free)
    enough = weight.mean(axis=1) >= 0.5
    weight, a, b = weight[enough], tiles(one)[enough], tiles(other)[enough]
    count = weight.sum(axis=1, keepdims=True)
    a = (a - (a * weight).sum(axis=1, keepdims=True) / count) * weight
    b = (b - (b * weight).sum(axis=1, keepdims=True) / count) * weight
    norm = np.sqrt((a * a).sum(axis=1) * (b * b).sum(axis=1))
    return np.asarray((a * b).sum(axis=1) / np.maximum(norm, 1e-9))
