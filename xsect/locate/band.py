"""Band: where a layer between two others runs in a picture of any cross-section, in any direction, and bowed.

The direction is the one in which the picture is most like itself. Across it, the picture is cut into three stretches
so that each has the fewest different shades (least entropy): that tells a layer from a porous or grainy neighbour where
mean levels do not. The two borders are then followed column by column.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.locate.course import Course, find_course
from xsect.locate.path import cheapest_path
from xsect.locate.shades import ALONG, SHADES, entropy, histograms, smooth_shades
from xsect.locate.strip import Strip, unroll
from xsect.locate.tone import Floats, Image, coarse_copy
from xsect.reasons import Refusal

STATIONS = 1600
"""Stations along the layer at which the picture is looked at to find the layer's depth."""
BINS = 320
"""Stretches across into which the picture is first cut."""
MARGIN = 40
"""Rows of its neighbours that the strip shows beyond the layer, at least."""
CAP = 2.0
"""What one pixel may say for or against a material at most (log likelihood): no pore outvotes its surroundings."""
CORE = 3.0
"""Standard deviations (robust) about its median shade within which a layer's own shades lie."""
PORE_DEPTH = 0.25
"""Share of the thickness up to which a pore at the border is taken from the layer."""
EDGE = 30.0
"""How many votes a sharp edge or a traced boundary is worth where a border runs along it."""
OTHERWISE = ((15.0, 3.0), (40.0, 3.5))
"""Choices (EDGE, CORE) that could as well be made."""
SHARP = 100.0
"""What a sharp row is worth as a border, in the entropy (nats) of this many of the picture's bins across."""
LEAST_GAIN = 0.02
"""Entropy that three stretches must save against two, in nats a pixel, for a layer to be there."""


@dataclass(frozen=True)
class Band:
    """A layer's strip and its two borders: ``upper``, ``lower`` (n,) rows of the strip, whole px.

    ``gain``: entropy that the layer explains, nats a pixel of it. ``spread``: by how many px the mean distance of
    the borders changes when they are followed otherwise.
    """

    strip: Strip
    upper: NDArray[np.float64]
    lower: NDArray[np.float64]
    gain: float
    spread: float


def find_band(
    pixels: Image, burned_in: NDArray[np.bool_] | None = None, *, at: tuple[float, float] | None = None
) -> Band:
    """Return the layer's strip and borders; ``at``: a place (x, y) px inside the layer where there are several.

    Raises Refusal layer_not_found where no stretch differs from both its neighbours.
    """
    coarse, step = coarse_copy(pixels)
    centre = (np.array(pixels.shape[1::-1], float) - 1) / 2
    course = find_course(coarse, step, centre)
    stations = np.linspace(course.first, course.last, STATIONS)
    sampled = _sample(pixels, burned_in, course, stations)
    inside = None if at is None else course.depth_at(at) - course.top
    cuts, gain = _cut(sampled, inside)
    if gain < LEAST_GAIN:
        raise Refusal("layer_not_found", detail="no stretch differs from what lies on both sides of it")
    return _follow(pixels, burned_in, course, cuts[0] + course.top, cuts[1] + course.top, gain)


@dataclass(frozen=True)
class _Sampled:
    """Full-resolution rows at some stations: shades (r, n, f) whole numbers, -1 where nothing is seen; ``edges`` (r,)
    how sharply the rows change, 0 to 1."""

    shades: NDArray[np.int16]
    edges: NDArray[np.float64]


def _sample(
    pixels: Image, burned_in: NDArray[np.bool_] | None, course: Course, stations: NDArray[np.float64]
) -> _Sampled:
    depths = np.arange(course.top, course.bottom + 1)
    drop = depths[:, None] + course.sag * (stations[None, :] / course.half) ** 2
    x = (course.origin[0] + stations * course.along[0] + drop * course.across[0]).astype(np.float32)
    y = (course.origin[1] + stations * course.along[1] + drop * course.across[1]).astype(np.float32)
    rows, columns = pixels.shape[:2]
    seen = (x >= 0) & (y >= 0) & (x <= columns - 1) & (y <= rows - 1)
    if burned_in is not None:
        seen &= ~burned_in[
            np.clip(np.rint(y).astype(int), 0, rows - 1), np.clip(np.rint(x).astype(int), 0, columns - 1)
        ]
    values = cv2.remap(pixels, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    values = values.reshape(*x.shape, -1).astype(np.float32) / np.float32(np.iinfo(pixels.dtype).max)
    sharp = np.where(seen, _edges(values), 0).sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    return _Sampled(smooth_shades(values, seen)[:, ::ALONG], gaussian_filter1d(sharp, 2.0, mode="nearest"))


def _cut(sampled: _Sampled, inside: float | None) -> tuple[tuple[float, float], float]:
    """Return the two rows between which the layer lies, and what it explains, in nats a pixel of the layer."""
    rows = sampled.shades.shape[0]
    size = max(1, -(-rows // BINS))
    first, second, gain = _best_cut(
        histograms(sampled.shades, size),
        _largest(sampled.edges, size),
        None if inside is None else inside / size,
    )
    if size > 1:
        # look again, finely, at what lies around
        width = max(second - first, 6)
        top, bottom = max(0, (first - width) * size), min(rows, (second + width) * size)
        fine = max(1, (bottom - top) // BINS)
        near = histograms(sampled.shades[top:bottom], fine)
        start = None if inside is None else (inside - top) / fine
        first, second, gain = _best_cut(near, _largest(sampled.edges[top:bottom], fine), start)
        return (top + first * fine, top + second * fine), gain
    return (float(first), float(second)), gain


def _largest(values: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """Return the largest value about the upper end of each bin of ``size`` rows."""
    padded = np.pad(values, (1, size), mode="edge")
    starts = np.arange(0, len(values), size)
    return np.asarray(np.max([padded[starts + k] for k in range(size + 1)], axis=0))


def _best_cut(
    counts: NDArray[np.float64], edges: NDArray[np.float64], inside: float | None
) -> tuple[int, int, float]:
    """Return (first, second) bin of the layer and past it, and what it explains, in nats a pixel of the layer.

    Three stretches of little entropy; of cuts that explain about as much the one along sharp rows is taken.
    """
    total = np.concatenate([np.zeros((1, *counts.shape[1:])), np.cumsum(counts, axis=0)])
    n = len(counts)
    above = entropy(total)
    below = entropy(total[-1] - total)
    whole = float(np.min(above + below))
    best = (np.inf, 0, 0)
    edge = max(2, n // 60)
    bonus = SHARP * float(counts.sum()) / counts.shape[1] / n
    for first in range(edge, n - edge - 1):
        if inside is not None and first > inside:
            break
        seconds = np.arange(first + 1, n - edge)
        if inside is not None:
            seconds = seconds[seconds > inside]
        if not seconds.size:
            continue
        between = entropy(total[seconds] - total[first])
        cost = above[first] + between + below[seconds] - bonus * (edges[first] + edges[seconds])
        place = int(np.argmin(cost))
        if cost[place] < best[0]:
            best = (float(cost[place]), first, int(seconds[place]))
    explained = whole - best[0] - bonus * float(edges[best[1]] + edges[best[2]])
    pixels = float((total[best[2]] - total[best[1]]).sum()) / counts.shape[1]
    return best[1], best[2], explained / max(pixels, 1)


def _follow(
    pixels: Image,
    burned_in: NDArray[np.bool_] | None,
    course: Course,
    first: float,
    second: float,
    gain: float,
) -> Band:
    """Unroll the layer and follow its borders, each where the likelihoods of the two materials change places."""
    middle, width = (first + second) / 2, second - first
    half = int(width / 2 + max(width, MARGIN))
    stations = np.arange(np.ceil(course.first), course.last)
    points = course.points(stations, middle)
    rows, columns = pixels.shape[:2]
    seen = (points >= 1).all(axis=1) & (points[:, 0] <= columns - 2) & (points[:, 1] <= rows - 2)
    if seen.sum() < 60:
        raise Refusal("layer_not_found", detail="what looks like a layer runs along the picture's border")
    points = points[seen]
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    even = np.arange(0, arc[-1])
    points = np.column_stack([np.interp(even, arc, points[:, axis]) for axis in (0, 1)])
    strip = unroll(pixels, points, half, burned_in)
    values = strip.values.reshape(*strip.values.shape[:2], -1)
    shades = smooth_shades(values, strip.seen)
    n = len(points)
    look = _Strip(
        shades,
        _edges(values),
        gaussian_filter1d(values.mean(axis=2, dtype=np.float64), ALONG, axis=1, mode="nearest"),
    )
    upper, lower = np.full(n, half - width / 2), np.full(n, half + width / 2)
    reach = max(12.0, 0.3 * width)
    found = [_borders(look, upper, lower, reach, edge, core) for edge, core in ((EDGE, CORE), *OTHERWISE)]
    means = [float(np.mean(below - above)) for above, below in found]
    return Band(strip, *found[0], gain, float(np.sqrt(np.mean((np.array(means[1:]) - means[0]) ** 2))))


@dataclass(frozen=True)
class _Strip:
    """What the borders are followed by: shades (m, n, f), edges (m, n) and tone (m, n)."""

    shades: NDArray[np.int16]
    edges: NDArray[np.float64]
    tone: NDArray[np.float64]


def _borders(
    look: _Strip,
    upper: NDArray[np.float64],
    lower: NDArray[np.float64],
    reach: float,
    edge: float,
    core: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the two borders, followed three times: each time the looks of the materials are learned afresh."""
    for _ in range(3):
        pores = _pores(look.tone, upper, lower, core)
        votes = _votes(look.shades, pores, upper, lower)
        traced = edge * look.edges
        upper = _border(votes[0], traced, float(np.median(upper)), reach, below=None, above=lower)
        lower = _border(votes[1], traced, float(np.median(lower)), reach, below=upper, above=None)
    return _past_pores(_pores(look.tone, upper, lower, core), upper, lower)


def _edges(values: Floats) -> NDArray[np.float64]:
    """Return (m, n) 0 to 1: how sharply the strip changes across the layer, or is traced by a fine line."""
    smooth = gaussian_filter1d(values.astype(np.float64), ALONG, axis=1, mode="nearest")
    first = np.abs(gaussian_filter1d(smooth, 1.5, axis=0, order=1, mode="nearest")).sum(axis=2)
    second = np.abs(gaussian_filter1d(smooth, 1.5, axis=0, order=2, mode="nearest")).sum(axis=2)
    parts = [np.clip(one / max(float(np.quantile(one, 0.97)), 1e-9), 0, 1) for one in (first, second)]
    return np.asarray(np.maximum(*parts))


def _pores(
    tone: NDArray[np.float64], upper: NDArray[np.float64], lower: NDArray[np.float64], core: float
) -> NDArray[np.bool_]:
    """Return the mask (m, n) of what is far darker than the layer itself: pores, cracks, torn-out grains."""
    row = np.arange(tone.shape[0])[:, None]
    own = tone[(row >= upper) & (row < lower)]
    middle = float(np.median(own))
    # pores only ever add on the dark side, so the bright side tells the spread
    spread = 1.4826 * float(np.median(own[own >= middle] - middle))
    return np.asarray(tone < middle - core * max(spread, 0.004))


def _past_pores(
    pores: NDArray[np.bool_], upper: NDArray[np.float64], lower: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Move each border inwards past pores: one that is open to the neighbour is no layer."""
    row = np.arange(pores.shape[0])[:, None]
    own = ~pores
    begins = own[:-2] & own[1:-1] & own[2:]
    allowed = (lower - upper) * PORE_DEPTH
    down = np.where(begins & (row[:-2] >= upper), row[:-2], np.inf).min(axis=0)
    up = np.where(begins & (row[2:] < lower), row[2:] + 1.0, -np.inf).max(axis=0)
    return (
        np.where(down - upper <= allowed, down, upper),
        np.where(lower - up <= allowed, up, lower),
    )


def _votes(
    shades: NDArray[np.int16],
    pores: NDArray[np.bool_],
    upper: NDArray[np.float64],
    lower: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return for each pixel the log likelihood of the layer against its upper, and its lower, neighbour."""
    row = np.arange(shades.shape[0])[:, None]
    where = [row < upper, (row >= upper) & (row < lower), row >= lower]
    out = [np.zeros(shades.shape[:2]) for _ in range(3)]
    for f in range(shades.shape[2]):
        one = shades[..., f]
        for k, mask in enumerate(where):
            shown = one[mask & (one >= 0) & ~pores] if k == 1 else one[mask & (one >= 0)]
            counts = np.bincount(shown, minlength=SHADES).astype(float)
            smooth = gaussian_filter1d(counts, 0.8, mode="nearest") + 1e-3 * counts.sum() / SHADES + 1e-9
            likelihood = np.log(smooth / smooth.sum())
            out[k] += np.where(one >= 0, likelihood[np.maximum(one, 0)], 0)
    return np.clip(out[1] - out[0], -CAP, CAP), np.clip(out[1] - out[2], -CAP, CAP)


def _border(
    vote: NDArray[np.float64],
    edges: NDArray[np.float64],
    about: float,
    reach: float,
    *,
    below: NDArray[np.float64] | None,
    above: NDArray[np.float64] | None,
) -> NDArray[np.float64]:
    """Return the border's row in each column: most votes for the layer on its side, and few jumps."""
    rows = vote.shape[0]
    top, bottom = max(1, int(about - reach)), min(rows - 1, int(about + reach) + 1)
    sums = np.concatenate([np.zeros((1, vote.shape[1])), np.cumsum(vote, axis=0)])
    # rows above the border speak for the upper neighbour: the layer's votes there count against it
    cost = sums[top:bottom] if above is not None else -sums[top:bottom]
    cost = cost - (edges[top - 1 : bottom - 1] + edges[top:bottom]) / 2
    row = np.arange(top, bottom)[:, None]
    cost = cost - cost.min(axis=0)
    if above is not None:
        cost = np.where(row < above[None, :] - 0.5, cost, 1e6)
    if below is not None:
        cost = np.where(row > below[None, :] + 0.5, cost, 1e6)
    return cheapest_path(cost, reach=3, step_cost=1.0).astype(np.float64) + top
