"""Opening: how far apart the two metals are at each station, from the darkness integrated across the gap.

Blur moves the edges of a dark gap but not its integrated darkness, so the integral stays true where the gap is
thinner than the blur and no threshold can follow it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, grey_closing, maximum_filter1d, median_filter
from scipy.special import erf, erfinv, ndtr

from xsect.locate.tone import Floats, blurred_along, some

RESOLVED = 12.0
"""Gaps wider than this many px show their own dark level and both their edges."""

NEAR = 9
"""Stations on either side over which the rough opening is widened or narrowed to be safe."""

LIGHTER = 1.25
"""How much lighter, against the metal, the gap may be in one place than it is for the most part."""

SOFTEST = 8.0
"""Blur in px of edges above which nothing here is measured."""

_ACROSS = np.linspace(-8, 8, 641)
"""Places across an edge in units of its blur."""

REACH = 24
"""Rows on either side, just outside the gap, over which the metal's level is read."""


@dataclass(frozen=True)
class Opening:
    """Darkness of a strip and the opening read from it.

    ``darkness``: (m, n) 0 at the metal's level beside the gap, 1 at the gap's own level. ``height``: (n,) px between
    the half-dark edges, 0 where closed.
    ``thickness``: (n,) opening in px; ``centre``: (n,) offset of the gap's middle from the line
    in px. ``floor``: opening in px below which darkness cannot be told from grain.
    ``seen``: (n,) False where the picture ends or a burned-in mark hides the line.
    ``grain``: darkness that metal away from the line stays under. ``blur``: standard deviation in px of the edges;
    ``along``: that over which openings are smeared along the line. ``gain``: how much faster than its share of a place
    what counts as gap darkens it.
    """

    darkness: Floats
    height: NDArray[np.float64]
    thickness: NDArray[np.float64]
    centre: NDArray[np.float64]
    seen: NDArray[np.bool_]
    floor: float
    grain: float
    blur: float
    along: float = 0.0
    gain: float = 1.0


def read_opening(
    tone: Floats,
    coarse: NDArray[np.float64],
    seen: NDArray[np.bool_],
    *,
    dark: float,
    texture: float = 0.0,
    reach: int = REACH,
    begin: Opening | None = None,
    passes: int = 2,
    gain: float = 1.0,
    softest: float = SOFTEST,
) -> Opening:
    """Read the opening of each station of a strip.

    ``tone``: (m, n) strip, metal bright; ``coarse``: (n,) rough opening in px from the mask; ``dark``: the mount's
    tone, for a gap too slim to show its own. The metal's level is
    read over ``reach`` rows on either side, just outside the gap. ``texture``: spread of the metal's relative tone.
    ``begin``: a reading of the same stations to set out from, in place of ``coarse``; ``passes``: how often the gap's
    course is then followed anew. ``gain``: times its share of a pixel by which what counts as gap darkens it, up to
    full darkness. ``softest``: blur in px that the picture's edges can have at most.
    """
    half = tone.shape[0] // 2
    offsets = np.arange(-half, half + 1, dtype=np.float32)[:, None]
    smoothing = float(np.clip(1.5 + 12 * texture, 1.5, 5.0))
    centre = np.zeros(coarse.size)
    blur = 1.5
    if begin is not None:
        coarse, centre, blur = begin.height, begin.centre, begin.blur

    def read_darkness() -> Floats:
        off = offsets - centre.astype(np.float32)
        metal = _metal_level(tone, off, _clear(coarse, blur), reach, seen)
        gap = _gap_level(tone, off, coarse, metal, dark)
        relative = ((metal - tone) / np.maximum(metal - gap, 1e-3)).astype(np.float32)
        # smoothing along the line, where no gap varies fast: noise and grains must not be cut off as darkness
        return blurred_along(relative, smoothing)

    darkness = read_darkness()
    for turn in range(passes):
        if turn:
            darkness = read_darkness()
        edges = _edge_blur(darkness, offsets - centre.astype(np.float32), coarse, blur, gain)
        blur = min(edges, softest)
        coarse, centre = _trace(darkness, coarse)
    off = np.abs(offsets - centre.astype(np.float32))
    clear = _clear(coarse, blur)
    beside = (off > clear) & (off < clear + reach) & seen
    grain = float(np.clip(np.quantile(some(darkness, beside), 0.985), 0.01, 0.75)) if beside.any() else 0.1
    counted = np.clip(darkness - grain, 0, None) / (1 - grain)
    # glints and trapped polish inside a resolved gap, not beside the blunt end of one
    own = grey_closing(coarse, (2 * NEAR + 1,), mode="nearest").astype(np.float32)
    counted[off < own / 2 - np.float32(2 * blur + 1.0)] = 1.0
    counted *= off <= clear
    integral = counted.sum(axis=0, dtype=np.float64)
    return Opening(
        darkness,
        coarse,
        opening_from_integral(integral, grain, blur, gain),
        centre,
        np.asarray(np.all(seen | (off > 4), axis=0)),
        closed_floor(grain, blur, gain),
        grain,
        blur,
        float(np.hypot(blur, smoothing)),
        gain,
    )


def _clear(coarse: NDArray[np.float64], blur: float) -> Floats:
    """Return (n,) distance in px from the gap's middle beyond which there is nothing but metal."""
    wide = gaussian_filter1d(_widest_near(coarse), 3.0, mode="nearest")
    return np.asarray(wide / 2 + 3 * blur + 2.0, dtype=np.float32)


def _trace(darkness: Floats, coarse: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Follow the dark gap at full resolution: its height and its centre's offset from the line, 0 where closed.

    The gap is the run of dark rows (darkness above a half) through the darkest row near the line.
    """
    rows = darkness.shape[0]
    half = rows // 2
    index = np.arange(rows, dtype=np.int16)[:, None]
    near = np.maximum(coarse / 4, 6).astype(np.int16)
    most = min(int(near.max()), half)
    middle = slice(half - most, half + most + 1)
    nearby = np.where(np.abs(index[middle] - half) <= near, darkness[middle], -np.inf)
    seed = (half - most + np.argmax(nearby, axis=0)).astype(np.int16)
    light = darkness <= 0.5
    top = np.where(light & (index <= seed), index, np.int16(-1)).max(axis=0).astype(np.intp)
    bottom = np.where(light & (index >= seed), index, np.int16(rows)).min(axis=0).astype(np.intp)
    is_dark = bottom > top
    height = np.where(is_dark, bottom - top - 1.0, 0.0)
    # a single dark grain or pit beside the line is not its gap
    height = median_filter(height, 15, mode="nearest")
    offset = np.where(is_dark, (top + bottom) / 2 - half, 0.0)
    weight = (height > 0).astype(np.float64)
    spread = gaussian_filter1d(weight, 8.0, mode="nearest")
    centre = gaussian_filter1d(offset * weight, 8.0, mode="nearest") / np.maximum(spread, 0.05)
    return height, centre


def closed_floor(grain: float, blur: float, gain: float = 1.0) -> float:
    """Return the opening whose darkest point, after blur, just reaches the grain's darkness."""
    return float(2 * np.sqrt(2) * blur * erfinv(min(grain / gain, 0.95)))


def opening_from_integral(
    integral: NDArray[np.float64], grain: float, blur: float, gain: float = 1.0
) -> NDArray[np.float64]:
    """Return the openings whose blurred darkness above ``grain`` integrates to ``integral`` (px).

    A gap of width w under Gaussian blur has the share ½[erf((n + w/2)/σ√2) - erf((n - w/2)/σ√2)] of each place and
    darkens it by ``gain`` times that, 1 at most.
    """
    widths, profiles, step = _unit_gaps()
    profiles = np.minimum(gain * profiles, 1)
    sums = np.sum(np.clip(profiles - grain, 0, None), axis=0) / (1 - grain) * step * blur
    start = max(int(np.searchsorted(sums, 1e-9)) - 1, 0)  # openings below the floor integrate to nothing
    # wider than any blur reaches, a gap only adds to its integral
    sums = np.append(sums[start:], sums[-1] + 1e4)
    widths = np.append(widths[start:] * blur, widths[-1] * blur + 1e4)
    return np.asarray(np.interp(integral, sums, widths))


@cache
def _unit_gaps() -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Return widths (w,) of gaps, their share (n, w) of places across them and its step, all in units of the blur."""
    widths, across = np.linspace(0, 12, 240), np.arange(-16, 16, 1 / 12)[:, None]
    scale = np.sqrt(2)
    profiles = 0.5 * (erf((across + widths / 2) / scale) - erf((across - widths / 2) / scale))
    return widths, profiles, 1 / 12


def _widest_near(coarse: NDArray[np.float64]) -> NDArray[np.float64]:
    """Widen the rough opening over its neighbours, so that a window set by it holds the gap's whole mouth."""
    return np.asarray(maximum_filter1d(coarse, 2 * NEAR + 1, mode="nearest"))


def _metal_level(
    tone: Floats,
    offsets: Floats,
    clear: Floats,
    reach: int,
    seen: NDArray[np.bool_],
) -> Floats:
    """Return (m, n) metal level: that of the upper side above the line, of the lower side below it."""
    sides = []
    below = offsets >= 0
    index = np.arange(tone.shape[1])
    # the level varies slowly along the line: every third station says enough
    tone, offsets, clear = (np.ascontiguousarray(one[..., ::3]) for one in (tone, offsets, clear))
    seen = np.ascontiguousarray(seen[:, ::3])
    for sign in (-1, 1):
        band = (sign * offsets > clear) & (sign * offsets <= clear + reach) & seen
        # the mean of the upper half: pores, inclusions and dark boundaries are not the metal's level
        above = band & (tone > 0.75 * _mean_within(tone, band))
        level = _mean_within(tone, above)
        good = above.sum(axis=0) > 0.3 * reach
        if not good.any():
            good[:] = True
        level = np.interp(index, index[::3][good], level[good])
        sides.append(gaussian_filter1d(level.astype(np.float32), 6.0, mode="nearest"))
    return np.where(below, sides[1], sides[0])


def _mean_within(tone: Floats, mask: NDArray[np.bool_]) -> Floats:
    """Return (n,) mean of each column's values in the mask, 0 where it holds none."""
    weight = mask.astype(np.float32)
    total = np.einsum("mn,mn->n", tone, weight)
    return np.asarray(total / np.maximum(weight.sum(axis=0), 1))


def _gap_level(
    tone: Floats,
    offsets: Floats,
    coarse: NDArray[np.float64],
    metal: Floats,
    dark: float,
) -> NDArray[np.float64]:
    """Return (n,) the gap's own dark level, read where the gap is resolved and carried on to its tips."""
    core = np.abs(offsets) <= np.maximum(coarse / 6, 1).astype(np.float32)
    resolved = coarse > RESOLVED
    if resolved.sum() < 10:
        # blur only ever lightens a slim gap: what fills it is the mount, or darker still
        darkest = np.quantile(tone[core], 0.02) if core.any() else dark
        return np.full(coarse.size, float(min(darkest, dark, 0.8 * np.median(metal))))
    tone, core = tone[:, resolved], core[:, resolved]
    # glints and trapped polish are not the gap's level
    level = _mean_within(tone, core & (tone <= _mean_within(tone, core) + 1e-6))
    # noise alone puts the darker half's mean below the middle, by √(2/π) of its standard deviation
    steps = np.abs(np.diff(tone, axis=0))[core[1:] & core[:-1]]
    if steps.size:
        level += np.sqrt(2 / np.pi) * 1.4826 / np.sqrt(2) * float(np.median(steps))
    # one mount fills all of the gap: what is much lighter is no gap, but a nugget or a stain
    beside = metal[metal.shape[0] // 2, resolved]
    lightest = LIGHTER * float(np.quantile(level / np.maximum(beside, 1e-3), 0.3)) + 0.05
    level = np.minimum(level, lightest * beside)
    index = np.arange(coarse.size)
    smooth = gaussian_filter1d(np.interp(index, index[resolved], level), 15.0, mode="nearest")
    return np.asarray(np.minimum(smooth, 0.8 * metal.min(axis=0)), dtype=np.float32)


def _edge_blur(
    darkness: Floats, offsets: Floats, coarse: NDArray[np.float64], guess: float, gain: float = 1.0
) -> float:
    """Return the edges' blur: across an error-function edge, ∫ D (1 - D) dn = σ / √π, less where a gain steepens it."""
    resolved = np.flatnonzero(coarse > max(RESOLVED, 8 * guess))
    if resolved.size < 20:
        return guess
    resolved = resolved[:: max(1, resolved.size // 400)]
    d = darkness[:, resolved]
    near = np.abs(np.abs(offsets[:, resolved]) - coarse[resolved] / 2) < 4 * guess + 3
    product = np.where(near & (d > 0.02) & (d < 0.98), d * (1 - d), 0)
    edge = np.minimum(gain * ndtr(_ACROSS), 1)
    unit = float(np.trapezoid(edge * (1 - edge), _ACROSS))
    # the lower quartile: dark grains beside the gap only ever add
    return float(np.clip(np.quantile(product.sum(axis=0), 0.25) / 2 / unit, 0.5, SOFTEST))
