"""Evidence: how steadily, how sharply and how unlike the rest of the metal the structure changes across a rim."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.locate.rim import GRID, POINTS, Band, Outline, band, direction, size
from xsect.locate.structure import Structure
from xsect.locate.tone import Floats

SECTORS = 24
"""Stretches of the rim that are asked one by one whether the structure changes there."""

CERTAIN, LIKELY, POSSIBLE = 2.75, 2.65, 2.0
"""Score from which a zone is a nugget without doubt, is measured as one, and may be one. Learned from drawn sections
with and without nuggets."""

SHARP = 0.75
"""Share of the difference between both sides that lies at a rim, under which it lowers the score."""

STANDING = 1.35
"""Standing apart under which it lowers the score, in what the most extreme of as many zones by chance would show."""

TALL, FLAT = 1.1, 0.1
"""Height over width above and under which it lowers the score: heat leaves a nugget wider than it is high, and a
trace of the faying line is flatter than any (common practice)."""

LEAST_WINDOW = 5.0
"""Fewest px on either side of a rim that show a structure."""


@dataclass(frozen=True)
class Evidence:
    """What speaks for a rim. ``steadiness``: mean over spread of the change across it, sector by sector, in a
    direction learned from the other sectors. ``change``: that mean, 1 where both sides are as different at the rim
    as away from it. ``sharpness``: the change at the rim less the change beside it, inside or outside, which shading
    that fades outward has too. ``share``: sectors that agree. ``apart``: how far the zone differs from what is about
    it, in the spread of ``others`` zones of its size elsewhere in the metal: a large grain is one of many. ``tall``:
    height over width."""

    steadiness: float
    change: float
    sharpness: float
    share: float
    apart: float = 0.0
    others: float = 10.0
    tall: float = 0.5

    @property
    def score(self) -> float:
        """Steadiness, less where the change is not sharp, chance makes as distinct zones elsewhere, or the zone
        stands upright or is but a line."""
        chance = STANDING * math.sqrt(2 * math.log(max(self.others, 3.0)))
        apart = self.apart / chance if self.others else 1.0
        doubts = (self.sharpness / SHARP, apart, TALL / max(self.tall, 1e-9), self.tall / FLAT)
        return self.steadiness * math.prod(min(1.0, max(0.0, one)) ** 2 for one in doubts)


def band_about(outline: Outline, line: NDArray[np.float64], structure: Structure) -> Band:
    """Return the band in which a rim is judged: three windows to either side."""
    width = max(0.15 * size(outline), LEAST_WINDOW)
    return band(outline, line, structure, 3 * width + 2)


def judge(one: Band) -> Evidence:
    """Return how steadily, how much and how sharply the structure changes across a rim."""
    width = (float(one.offsets[-1]) - 2) / 3
    sector = np.arange(POINTS) * SECTORS // POINTS
    tone = np.zeros(one.seen.shape, np.float32)
    few = min(int(one.upper.sum()), int((~one.upper).sum())) < POINTS // 5
    for half in [np.ones(POINTS, bool)] if few else [one.upper, ~one.upper]:
        for rest in (0, 1):
            # learned on every other sector and asked of those between, so that chance does not agree with itself
            axis = direction(one, 2 * width, half & (sector % 2 == rest))
            asked = half & (sector % 2 != rest)
            if axis is not None:
                tone[:, asked] = one.values[:, asked] @ axis.astype(np.float32)
    zones = [_zone_means(tone, one, sector, edge * width) for edge in (-3, -2, -1, 0, 1, 2)]
    at_rim, inside, outside = (zones[k] - zones[k + 1] for k in (2, 0, 4))
    known = np.isfinite(at_rim)
    if known.sum() < SECTORS / 2:
        return Evidence(0.0, 0.0, 0.0, 0.0)
    change, spread = float(at_rim[known].mean()), float(at_rim[known].std())
    beside = max(*(float(np.nanmean(x)) if np.isfinite(x).any() else 0.0 for x in (inside, outside)), 0.0)
    return Evidence(
        steadiness=change / math.hypot(spread, 0.15),
        change=change,
        sharpness=change - beside,
        share=float(np.mean(at_rim[known] > 0.3 * change)),
    )


def standing(outline: Outline, one: Band, structure: Structure) -> tuple[float, float]:
    """Return by how many of their spreads the zone inside an outline differs from its surroundings more than equally
    large zones of the metal elsewhere do from theirs, and how many such zones there are."""
    width = (float(one.offsets[-1]) - 2) / 3
    axis = direction(one, 2 * width, np.ones(POINTS, bool))
    if axis is None:
        return 0.0, 10.0
    rows, columns = structure.weights.shape
    x, y = np.meshgrid(*(np.arange(0, side, GRID, dtype=np.float32) for side in (columns, rows)))
    tone, weight = structure.at(x, y) @ axis.astype(np.float32), structure.weights[::GRID, ::GRID]
    inside = np.zeros(weight.shape, np.uint8)
    cv2.fillPoly(inside, [np.rint(outline / GRID).astype(np.int32)], 1)
    extent = np.maximum(np.ptp(outline, axis=0) / GRID * 0.8, 2)
    zone, about = ((int(extent[0] * by) | 1, int(extent[1] * by) | 1) for by in (1, 2))
    # against its surroundings, for neither uneven light nor the other metal must count
    share, wide = (cv2.blur(weight, box) * math.prod(box) for box in (zone, about))
    total, sums = (cv2.blur(tone * weight, box) * math.prod(box) for box in (zone, about))
    ring = (sums - total) / np.maximum(wide - share, 1e-3)
    known = (share > 0.7 * math.prod(zone)) & (wide - share > 0.3 * (math.prod(about) - math.prod(zone)))
    near = cv2.dilate(inside, np.ones((zone[1] + 2, zone[0] + 2), np.uint8)) > 0
    others = (total / np.maximum(share, 1e-3) - ring)[known & ~near]
    own = (inside > 0) & (weight > 0.5)
    if own.sum() < 4:
        return 0.0, 10.0
    if others.size < 30:
        return 0.0, 0.0
    middle = float(np.median(others))
    spread = 1.4826 * float(np.median(np.abs(others - middle)))
    column, row = np.clip(
        np.rint(outline.mean(axis=0) / GRID).astype(int), 0, np.array(weight.shape)[::-1] - 1
    )
    differs = float(tone[own].mean() - ring[row, column] - middle)
    return differs / (spread + 0.05), float(known.sum()) / math.prod(zone)


def _zone_means(tone: Floats, one: Band, sector: NDArray[np.intp], start: float) -> NDArray[np.float64]:
    """Return the mean tone of each sector between ``start`` and one window further out; NaN where it is hidden."""
    width = (float(one.offsets[-1]) - 2) / 3
    rest = 1.0 if start == 0 else 0.0, 1.0 if start == -width else 0.0
    near = (one.offsets >= start + rest[0]) & (one.offsets < start + width - rest[1])
    weight = one.seen[near].sum(axis=0)
    total = (tone[near] * one.seen[near]).sum(axis=0)
    weights = np.bincount(sector, weight, SECTORS)
    sums = np.bincount(sector, total, SECTORS)
    few = weights < 0.3 * near.sum() * POINTS / SECTORS
    return np.where(few, np.nan, sums / np.maximum(weights, 1e-9))
