"""Faying line: the curve along which the two parts meet or face each other.

Found on the coarse copy as the cheapest path through gap, dark line or change of material, anchored where the
gap between the parts is plainly open to the outside.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded
from scipy.ndimage import gaussian_filter1d

from xsect.locate.parts import Parts
from xsect.locate.path import cheapest_path
from xsect.locate.tone import Floats
from xsect.reasons import Refusal

GAP_COST = 0.02
MIN_LENGTH = 40
"""Shortest faying line, in coarse pixels, that is worth measuring."""

SHORT = 12
"""Coarse px below which a stretch of gap or metal is smoothed together with its neighbours."""

SHARED = 2
"""Coarse px of the gap's tip that the joint's stretch is tied to."""

PORE = (8, 2.0, 0.1)
"""Least size of a pore in coarse px, how much longer than wide it may be, and its greatest share of the picture."""

STIFFNESS = 256.0
"""Weight of the line's bends against its departures in the gap, in columns to the fourth."""

MAX_WANDER = 0.025
"""Departure from a parabola, as a share of the length, beyond which a line hops about where there is none."""


@dataclass(frozen=True)
class FayingLine:
    """The line as points (n, 2) = (x, y) in full-resolution px of the (turned) picture, one px of arc apart.

    ``opening``: (n,) coarse opening of the gap across the line in px, 0 where the mask shows metal.
    ``gap_seen``: whether an open gap was seen at the left and at the right end.
    ``support``: mean evidence (0 to 1) for a line where the mask shows metal; 1 where there is no such stretch.
    ``wander``: rms departure of the line from a parabola, as a share of its length.
    """

    points: NDArray[np.float64]
    opening: NDArray[np.float64]
    gap_seen: tuple[bool, bool]
    support: float
    wander: float


@dataclass(frozen=True)
class _Levelled:
    """The coarse copy sheared so that the parts lie level: row r of column x is row ``r + shift[x]`` of the copy."""

    relative: Floats
    metal: NDArray[np.bool_]
    inside: NDArray[np.bool_]
    shift: NDArray[np.intp]


@dataclass(frozen=True)
class _Gap:
    """One stretch of mount with metal above and below it in the same column."""

    label: int
    left: int
    right: int
    area: int
    open_left: bool
    open_right: bool


def find_faying_line(parts: Parts) -> FayingLine:
    """Find the faying line.

    Refuses with ``faying_line_not_found`` when no gap between two parts is open to the outside on either side.
    """
    level = _without_pores(_level(parts))
    between, outer = _between(level)
    labels, gaps = _gaps(between, outer, level.inside)
    left, right = _anchors(gaps)
    if left is None and right is None:
        raise Refusal(
            "faying_line_not_found", detail="no open gap between an upper and a lower part was seen"
        )
    both_parts = between.any(axis=0) | (level.metal.sum(axis=0) > 0.6 * np.median(level.metal.sum(axis=0)))
    columns = np.flatnonzero(both_parts)
    start = left.left if left else int(columns[0])
    stop = right.right if right else int(columns[-1])
    if stop - start < MIN_LENGTH:
        raise Refusal("faying_line_not_found", detail="the parts face each other over too short a stretch")
    cost = _cost(level, between, outer, labels, left, right)[:, start : stop + 1]
    try:
        rows = cheapest_path(cost)
    except ValueError as error:
        raise Refusal(
            "faying_line_not_found", detail="gaps on both sides, but no way from one to the other"
        ) from error
    window = between[:, start : stop + 1]
    centre, opening = _centre_in_gap(window, rows)
    keep = _without_corners(centre, opening)
    start, stop = start + keep.start, start + keep.stop - 1
    rows, centre, opening, cost = rows[keep], centre[keep], opening[keep], cost[:, keep]
    if stop - start < MIN_LENGTH:
        raise Refusal("faying_line_not_found", detail="the parts face each other over too short a stretch")
    metal_columns = opening == 0
    support = (
        float(np.mean(1 - cost[rows, np.arange(rows.size)][metal_columns])) if metal_columns.any() else 1.0
    )
    x = np.arange(start, stop + 1)
    # the levelling shifts whole rows: the true line is smooth before it, not after
    lean = parts.slope * (x - parts.metal.shape[1] / 2)
    steps = level.shift[x] - lean
    points, gap = _resample(x, _smooth(centre + steps, opening) + lean, opening, parts)
    wander = _wander(points)
    if wander > MAX_WANDER:
        raise Refusal("faying_line_not_found", detail="the best line found is no smooth curve")
    return FayingLine(points, gap, (left is not None, right is not None), support, wander)


def _level(parts: Parts) -> _Levelled:
    rows, columns = parts.metal.shape
    lean = np.rint(parts.slope * (np.arange(columns) - columns / 2)).astype(np.intp)
    margin = int(np.abs(lean).max())
    index = np.arange(-margin, rows + margin)[:, None] + lean[None, :]
    inside = (index >= 0) & (index < rows)
    x = np.broadcast_to(np.arange(columns, dtype=np.float32), index.shape)
    places = cv2.convertMaps(
        np.ascontiguousarray(x), index.astype(np.float32), cv2.CV_16SC2, nninterpolation=True
    )

    def shifted(values: NDArray[Any]) -> NDArray[Any]:
        return cv2.remap(values, *places, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)

    metal, known = (shifted(mask.astype(np.uint8)).astype(bool) for mask in (parts.metal, parts.known))
    return _Levelled(shifted(parts.relative), metal & inside, inside & known, lean - margin)


def _without_pores(level: _Levelled) -> _Levelled:
    """Fill round holes in the metal: a pore beside the joint must not draw the line to itself."""
    dark = (~level.inside | ~level.metal | (level.relative < 0.5)).astype(np.uint8)
    # what the picture's edge cuts off may be a gap
    dark[[0, -1]] = 1
    dark[:, [0, -1]] = 1
    _, labels, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=4)
    width, height = stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]
    least, most = np.minimum(width, height), np.maximum(width, height)
    pore = (least >= PORE[0]) & (most < PORE[1] * least) & (most < PORE[2] * dark.shape[1])
    pore &= stats[:, cv2.CC_STAT_AREA] > 0.5 * width * height
    pore[0] = False
    if not pore.any():
        return level
    ring = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
    filled = cv2.dilate(pore[labels].astype(np.uint8), ring).astype(bool) & (level.metal | pore[labels])
    relative = np.where(filled, np.float32(1), level.relative)
    return replace(level, relative=relative, metal=level.metal | filled)


def _between(level: _Levelled) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return (between, outer): mount with metal above and below in its column, and all other mount."""
    above = np.logical_or.accumulate(level.metal, axis=0)
    below = np.logical_or.accumulate(level.metal[::-1], axis=0)[::-1]
    mount = ~level.metal & level.inside
    between = mount & above & below
    return between, mount & ~between


def _gaps(
    between: NDArray[np.bool_], outer: NDArray[np.bool_], inside: NDArray[np.bool_]
) -> tuple[NDArray[np.int32], list[_Gap]]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(between.astype(np.uint8), connectivity=8)
    columns = between.shape[1]
    outside = cv2.dilate((outer | ~inside).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    gaps = []
    for label in range(1, count):
        left, width, area = (
            int(stats[label, key]) for key in (cv2.CC_STAT_LEFT, cv2.CC_STAT_WIDTH, cv2.CC_STAT_AREA)
        )
        right = left + width - 1
        if width < 0.01 * columns or area < 20:
            continue
        open_left, open_right = left == 0, right == columns - 1
        touching = np.nonzero((labels[:, left : right + 1] == label) & outside[:, left : right + 1])[1]
        if touching.size:
            edge = max(3, width // 10)
            open_left |= bool((touching < edge).any())
            open_right |= bool((touching > width - 1 - edge).any())
        gaps.append(_Gap(label, left, right, area, open_left, open_right))
    return labels.astype(np.int32), gaps


def _anchors(gaps: list[_Gap]) -> tuple[_Gap | None, _Gap | None]:
    """Pick the gap open to the left and the gap open to the right that together are largest."""
    best: tuple[_Gap | None, _Gap | None] = (None, None)
    size = 0.0
    for left in [None, *(gap for gap in gaps if gap.open_left)]:
        for right in [None, *(gap for gap in gaps if gap.open_right)]:
            if left is None and right is None:
                continue
            if left and right and left is not right and left.right > right.left + 3:
                continue
            area = (left.area if left else 0) + (right.area if right and right is not left else 0)
            worth = area if left and right else 0.5 * area
            if worth > size:
                best, size = (left, right), worth
    return best


def _cost(
    level: _Levelled,
    between: NDArray[np.bool_],
    outer: NDArray[np.bool_],
    labels: NDArray[np.int32],
    left: _Gap | None,
    right: _Gap | None,
) -> NDArray[np.float32]:
    smooth = cv2.GaussianBlur(level.relative, (0, 0), 0.8)
    # a dark line: darker than both its sides a few pixels away, coherent along the columns
    kernel = cv2.getStructuringElement(cv2.MORPH_RECT, (1, 9))
    dark = np.clip(cv2.morphologyEx(smooth, cv2.MORPH_CLOSE, kernel) - smooth, 0, 1)
    dark = cv2.GaussianBlur(dark, (0, 0), sigmaX=3, sigmaY=0.6)
    # a change of material: the mean above differs from the mean below
    box = cv2.blur(level.relative, (15, 9))
    change = np.abs(np.roll(box, 5, axis=0) - np.roll(box, -5, axis=0))
    evidence = np.maximum(np.clip(dark / 0.35, 0, 1), np.clip(change / 0.3, 0, 1) * 0.6)
    cost = (1 - 0.8 * evidence + _deviation(labels, left, right, between.shape)).astype(np.float32)
    cost[between] = np.minimum(cost[between], GAP_COST)
    cost[outer] = np.inf
    cost[~level.inside] = np.maximum(cost[~level.inside], 1)
    return np.asarray(cost)


def _deviation(
    labels: NDArray[np.int32], left: _Gap | None, right: _Gap | None, shape: tuple[int, ...]
) -> NDArray[np.float32]:
    """Penalty for leaving the straight line from the tip of one gap to the tip of the other."""
    rows = np.arange(shape[0], dtype=np.float32)[:, None]
    tips = []
    for gap, column in ((left, left.right if left else 0), (right, right.left if right else 0)):
        if gap:
            tips.append((column, float(np.mean(np.flatnonzero(labels[:, column] == gap.label)))))
    if len(tips) == 2 and tips[0][0] < tips[1][0]:
        (x0, y0), (x1, y1) = tips
        x = np.clip(np.arange(shape[1]), x0, x1)
        chord = y0 + (y1 - y0) * (x - x0) / (x1 - x0)
        reach = max(6.0, 0.06 * (x1 - x0))
    else:
        chord = np.full(shape[1], tips[0][1])
        reach = max(6.0, 0.06 * shape[1])
    off = (rows - chord[None, :].astype(np.float32)) / np.float32(reach)
    return np.minimum(np.float32(0.3) * off * off, np.float32(3.0))


def _centre_in_gap(
    between: NDArray[np.bool_], rows: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the path moved to the middle of the gap where it runs in one, and the gap's height there."""
    height, columns = between.shape
    index = np.arange(height, dtype=np.int16)[:, None]
    above = np.maximum.accumulate(np.where(between, np.int16(-1), index), axis=0)
    below = np.minimum.accumulate(np.where(between, np.int16(height), index)[::-1], axis=0)[::-1]
    x = np.arange(columns)
    in_gap = between[rows, x]
    top, bottom = above[rows, x], below[rows, x]
    centre = np.where(in_gap, (top.astype(float) + bottom) / 2, rows.astype(float))
    return centre, np.where(in_gap, bottom - top - 1.0, 0.0)


def _without_corners(centre: NDArray[np.float64], opening: NDArray[np.float64]) -> slice:
    """Return the columns between the parts' corners: where a part ends, the path would turn and run up its side."""
    gap = opening > 0
    steep = gap & (np.abs(np.gradient(gaussian_filter1d(centre, 1.0, mode="nearest"))) > 0.9)
    steep |= gap & (np.abs(np.gradient(gaussian_filter1d(opening, 1.0, mode="nearest"))) > 1.8)
    metal = np.flatnonzero(~gap)
    if metal.size:
        first, last = int(metal[0]), int(metal[-1])
    else:
        first = last = int(np.argmin(np.where(steep, np.inf, opening)))
    # a blunt mouth is steep as well, but it lies within the gap's own height of the joint
    mouth = int(np.median(opening[gap])) + 6 if metal.size and gap.any() else 0
    left = np.flatnonzero(steep[: max(0, first - mouth)])
    last = min(steep.size - 1, last + mouth)
    right = np.flatnonzero(steep[last:])
    start = int(left[-1]) + 3 if left.size and left[-1] < 0.25 * steep.size else 0
    stop = last + int(right[0]) - 2 if right.size and last + right[0] > 0.75 * steep.size else steep.size
    return slice(start, max(stop, start))


def _smooth(centre: NDArray[np.float64], opening: NDArray[np.float64]) -> NDArray[np.float64]:
    """Smooth the line: closely in the gap, whose middle is seen, stiffly where metal meets metal.

    There the path hops from one grain boundary to the next, and its detours must not lengthen the bond. The
    cut-off is (stiffness / weight) ** 1/4 columns: about 4 in the gap and 60 in the metal.
    Gap and metal are smoothed apart: the middle of a steep gap comes in at a slant that the joint does not go on
    with. Voids in the joint are part of its stretch.
    """
    gap = opening > 0
    edges = np.flatnonzero(np.diff(gap)) + 1
    out = centre.copy()
    stretches = [list(pair) for pair in pairwise([0, *edges.tolist(), centre.size])]
    merged: list[list[int]] = []
    for start, stop in stretches:
        inner = start > 0 and stop < centre.size
        if merged and ((inner and stop - start < SHORT) or merged[-1][1] - merged[-1][0] < SHORT):
            merged[-1][1] = stop
        else:
            merged.append([start, stop])
    for start, stop in merged:
        # both sides share the tip of the gap, where the line is seen
        first, last = max(0, start - SHARED), min(centre.size, stop + SHARED)
        weight = np.where(gap[first:last], 1.0, 2e-5)
        if weight.size > 5:
            smooth = _graduated(centre[first:last], weight, STIFFNESS)
            out[start:stop] = smooth[start - first : start - first + stop - start]
    return out


def _graduated(
    values: NDArray[np.float64], weight: NDArray[np.float64], stiffness: float
) -> NDArray[np.float64]:
    """Return z (n,) that makes Σ weight (values - z)² + stiffness Σ (second difference of z)² least.

    Whittaker's graduation: the smoothing spline of evenly spaced values to within their spacing. n >= 4.
    """
    bands = np.empty((3, values.size))
    bands[:] = [[6.0], [-4.0], [1.0]]
    bands[0, [1, -2]], bands[0, [0, -1]], bands[1, [0, -2]] = 5.0, 1.0, -2.0
    bands *= stiffness
    bands[0] += weight
    return np.asarray(solveh_banded(bands, weight * values, lower=True))


def _wander(points: NDArray[np.float64]) -> float:
    chord = points[-1] - points[0]
    length = float(np.hypot(*chord))
    aside = (points - points[0]) @ np.array([-chord[1], chord[0]]) / length
    t = np.linspace(-1, 1, aside.size)
    return float(np.std(aside - np.polynomial.Polynomial.fit(t, aside, 2)(t))) / length


def _resample(
    x: NDArray[np.intp], y: NDArray[np.float64], opening: NDArray[np.float64], parts: Parts
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return points one px of arc apart in full-resolution px, and the opening at each in px."""
    step = parts.step
    fine_x, fine_y = (x + 0.5) * step - 0.5, (y + 0.5) * step - 0.5
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(fine_x), np.diff(fine_y)))])
    s = np.arange(0.0, arc[-1])
    points = np.stack([np.interp(s, arc, fine_x), np.interp(s, arc, fine_y)], axis=1)
    smooth = gaussian_filter1d(points, 2 * step, axis=0, mode="nearest") if step > 1 else points
    return smooth, np.interp(s, arc, opening) * step
