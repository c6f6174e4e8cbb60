"""Chains: dark ridges that hang together, longer or sharper than chance makes them out of the metal's texture."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.locate.flaw_ground import Mask
from xsect.locate.ridge_map import HALF, THIN
from xsect.locate.tone import Floats

SHORTEST = 40.0
"""Length in px from which a dark ridge is a crack: shorter ones are comet tails, twins and bits of boundaries."""

ABOUT = 161
"""Side in px of the square over which the texture's own ridges are gathered."""

LEVELS = (1.6, 2.2, 3.2, 4.5)
"""Spreads above the texture's own ridges at which chains of dark ridges are looked at."""

LINKED_LEVEL = 1.4
"""The same where only what is dark besides is looked at, and its pieces are linked."""

LEAST = 0.035
"""Ridge strength below which nothing is looked at."""

TAIL = (2.0, 0.55)
"""End of the tail of n chains' weights, in their mean: the first plus the second times ln n (learned on drawn
sections without cracks)."""

LINKED_TAIL = (1.2, 0.65)
"""The same of the extents of dark, linked chains in uneven metal."""

LINK = 8.0
"""Extent in px under which a dark ridge in etched metal is a speck, and about how far apart pieces of one crack lie."""

NET = 12.0
"""Dark px to a px of extent above which dark ridges are a network and no crack."""

FEW = 30
"""Number of chains up to which the metal has no texture of its own that could make long ones."""

SPECK = 6.0
"""Extent in px up to which a dark ridge is a pit and no chain."""

SLIM, OWN_WIDTH = 0.02, 0.9
"""A chain is straight whose pixels spread across it by less than this share of their spread along it, a ridge's own
half width in px taken off."""


def limits_of(strength: Floats, looked: Mask) -> list[Floats]:
    """Return the strengths, weakest first, by which a ridge stands out from the texture about each place; the first
    for linked ones.

    A crack must not raise its own limit: strength counts up to what nearly all of the metal stays under.
    """
    # every second px both ways tells means and spreads over a wide square
    some, seen = strength[::THIN, ::THIN], looked[::THIN, ::THIN]
    box = (ABOUT // (HALF * THIN) | 1, ABOUT // (HALF * THIN) | 1)
    weight = cv2.blur(seen.astype(np.float32), box) + np.float32(1e-6)
    plain = cv2.blur(np.where(seen, some, np.float32(0)), box) / weight
    most = np.float32(np.quantile(some[seen], 0.97)) if seen.any() else np.float32(0)
    # a nugget's own boundaries may all be darker than most of the picture's
    counted = np.where(seen, np.minimum(some, np.maximum(most, 3 * plain)), np.float32(0))
    mean = cv2.blur(counted, box) / weight
    spread = np.sqrt(np.maximum(cv2.blur(counted * counted, box) / weight - mean * mean, 0))
    least, shape = np.float32(LEAST), strength.shape[::-1]
    return [
        np.asarray(cv2.resize(np.maximum(mean + np.float32(level) * spread, least), shape), np.float32)
        for level in (LINKED_LEVEL, *LEVELS)
    ]


def long_chains(
    strength: Floats, limit: Floats, free: Mask, taken: Mask, *, textured: bool, linked: bool, sharp: float
) -> tuple[NDArray[np.int32], NDArray[np.int32], list[int]]:
    """Return (labels, statistics, chosen): the chains longer and darker than chance makes them out of the texture.

    Chains of boundaries that happen to be dark have weights (extent times the root of what they exceed the limit
    by) with a steep tail, whatever the grain size; a crack's weight lies beyond the end of the tail. Scratches are
    not of that kind. ``linked``: of what is dark besides, pieces are joined and weighed by their extent alone.
    ``sharp``: mean strength from which a chain is chosen whatever its weight.
    """
    over = cv2.compare(strength, limit, cv2.CMP_GT)
    candidates = np.asarray(cv2.bitwise_and(over, free.view(np.uint8)), np.uint8)
    if linked:
        candidates = _linked(candidates)
    count, found, sizes, _ = cv2.connectedComponentsWithStats(candidates, connectivity=8)
    labels, stats = np.asarray(found, dtype=np.int32), np.asarray(sizes, dtype=np.int32)
    extent = HALF * np.hypot(stats[:, 2], stats[:, 3])
    extent[0] = 0.0
    place = np.flatnonzero(candidates)
    rows, columns = np.divmod(place, strength.shape[1])
    at = labels.ravel()[place]
    excess = np.bincount(at, strength.ravel()[place] / limit.ravel()[place] - 1, count)
    weight = extent if linked else extent * np.sqrt(excess / np.maximum(stats[:, 4], 1))
    straight = _slimness(at, rows, columns, count) < SLIM
    chains = np.sort(weight[(extent > SPECK) & ~straight])
    end = 0.0
    if chains.size > FEW or (textured and chains.size > 4):
        many = chains.size > FEW or linked
        common = float(chains[: int(0.98 * chains.size)].mean() if many else 1.5 * np.median(chains))
        tail = LINKED_TAIL if linked else TAIL
        end = common * (tail[0] + tail[1] * np.log(chains.size))
    net = HALF**2 * stats[:, 4] > NET * extent
    mean = np.bincount(at, strength.ravel()[place], count) / np.maximum(stats[:, 4], 1)
    stands_out = (weight > end) | (mean > sharp)
    chosen = np.flatnonzero((extent > 0.75 * SHORTEST) & stands_out & ~straight & ~net).tolist()
    before = set(np.unique(labels[taken]).tolist())
    return labels, stats, [label for label in chosen if label not in before]


def _linked(candidates: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the dark ridges without specks, those a few px apart joined: light grains interrupt a crack."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(candidates, connectivity=8)
    kept = HALF * np.hypot(stats[:, 2], stats[:, 3]) > LINK
    kept[0] = False
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (int(LINK) // HALF * 2 - 1,) * 2)
    return np.asarray(cv2.morphologyEx(kept[labels].astype(np.uint8), cv2.MORPH_CLOSE, disc), np.uint8)


def _slimness(
    at: NDArray[np.int32], rows: NDArray[np.intp], columns: NDArray[np.intp], count: int
) -> NDArray[np.float64]:
    """Return the spread across each piece's main direction as a share of that along it; ``at``: labels of its px."""
    size = np.maximum(np.bincount(at, minlength=count), 1)
    x, y = (np.bincount(at, axis, count) / size for axis in (columns, rows))
    dx, dy = columns - x[at], rows - y[at]
    xx, yy, xy = (np.bincount(at, one, count) / size for one in (dx * dx, dy * dy, dx * dy))
    half = np.hypot((xx - yy) / 2, xy)
    mean = (xx + yy) / 2
    across = np.sqrt(np.maximum(mean - half, 0))
    return np.asarray(np.clip(across - OWN_WIDTH / HALF, 0, None) / np.maximum(np.sqrt(mean + half), 1e-6))
