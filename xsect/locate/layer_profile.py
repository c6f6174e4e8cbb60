"""Layer profile: the thickness of a layer at many stations, each from its two edges fitted to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter

from xsect.locate.band import Band
from xsect.locate.steps import Steps, fit_best, fit_steps

Floats = NDArray[np.float64]

WINDOWS = 80
"""Readings wanted along a layer."""
NARROWEST, WIDEST = 8, 48
"""Least and most stations averaged to one reading."""
AROUND = 12
"""Rows on either side of an edge that take part in its fit."""
WIDER = 4.0
"""Px by which a fit may find a layer thicker than its borders before it is fitted again."""
ASTRAY = 3.0
"""Px (and two blurs) by which a fitted edge may lie off the border that was followed."""
ROUGH = 3.0
"""Standard uncertainty in px of an edge that no step fits, and that is taken as it was followed."""


@dataclass(frozen=True)
class LayerProfile:
    """A layer's readings along its length.

    ``station``: (j,) px along the strip; ``upper``, ``lower``: (j,) rows of its edges, fractional; ``thickness`` and
    ``u``: (j,) px, with the standard uncertainty of each reading alone; ``fitted``: (j,) False where an edge is taken
    as it was followed. ``blur``: px, NaN where no edge was fitted. ``levels``: (3, c) of the upper neighbour, the layer
    and the lower one, 0 to 1. ``u_shared``: px, what all readings have in common: the level of the layer's own
    material and the blur (0 for a thick layer, which shows both itself).
    """

    station: Floats
    upper: Floats
    lower: Floats
    thickness: Floats
    u: Floats
    fitted: NDArray[np.bool_]
    blur: float
    levels: Floats
    u_shared: float


@dataclass(frozen=True)
class _Windows:
    """Stations pooled: ``middle`` (j,), mean profiles, and the borders followed (j,) of each window."""

    middle: Floats
    columns: tuple[slice, ...]
    upper: Floats
    lower: Floats


def read_layer(band: Band) -> LayerProfile:
    """Fit the layer's edges in windows of stations.

    Thin layers (both edges within reach of each other) are fitted as a whole, with one level and one blur for all
    windows; thick ones edge by edge.
    """
    values = band.strip.values.astype(np.float64).reshape(*band.strip.values.shape[:2], -1)
    windows = _pool(band)
    typical = float(np.median(windows.lower - windows.upper))
    if typical < 2 * AROUND:
        return _thin(values, band, windows)
    return _thick(values, band, windows)


def _pool(band: Band) -> _Windows:
    n = len(band.upper)
    size = int(np.clip(n // WINDOWS, NARROWEST, WIDEST))
    starts = np.arange((n % size) // 2, n - size + 1, size)
    seen = band.strip.seen
    row = np.arange(seen.shape[0])[:, None]
    inside = (row >= band.upper - 3) & (row < band.lower + 3)
    hidden = np.asarray((inside & ~seen).any(axis=0))
    columns = [slice(int(a), int(a) + size) for a in starts if hidden[a : a + size].mean() == 0]
    pick = [np.array([np.mean(border[one]) for one in columns]) for border in (band.upper, band.lower)]
    return _Windows(
        np.array([(one.start + one.stop - 1) / 2 for one in columns]), tuple(columns), pick[0], pick[1]
    )


def _profiles(
    values: Floats, windows: _Windows, course: Floats, rows: Floats, seen: NDArray[np.bool_]
) -> tuple[Floats, Floats, Floats]:
    """Return mean profiles (j, m, c) of the windows at ``rows`` (m,) about a course (n,), their places and weights.

    Each column is shifted by the course's whole pixels, so that a border that climbs within a window stays sharp.
    """
    depth = values.shape[0]
    out, places, weights = [], [], []
    for one in windows.columns:
        shift = course[one]
        at = rows[:, None] + np.rint(shift)[None, :]
        index = np.clip(at, 0, depth - 1).astype(np.intp)
        column = np.arange(one.start, one.stop)[None, :]
        good = (at >= 0) & (at < depth) & seen[index, column]
        picked = values[index, column]
        count = good.sum(axis=1)
        out.append(np.where(good[..., None], picked, 0).sum(axis=1) / np.maximum(count, 1)[:, None])
        places.append(rows + float(np.mean(np.rint(shift))))
        weights.append((count >= 0.5 * (one.stop - one.start)).astype(float))
    return np.array(out), np.array(places), np.array(weights)


def _thin(values: Floats, band: Band, windows: _Windows) -> LayerProfile:
    middle = median_filter((band.upper + band.lower) / 2 - 0.5, 15, mode="nearest")
    fit = _fit_thin(values, band, windows, gaussian_filter1d(middle, 6.0, mode="nearest"))
    if float(np.mean(fit.thickness(1))) > float(np.mean(windows.lower - windows.upper)) + WIDER:
        # the borders followed but part of the layer, and the rows about them may not reach past it: look again, wider
        edges = median_filter(fit.edges, (5, 1), mode="nearest")
        wider = replace(windows, upper=edges[:, 0] + 0.5, lower=edges[:, 1] + 0.5)
        middle = np.interp(np.arange(middle.size), windows.middle, edges.mean(axis=1))
        fit = _fit_thin(values, band, wider, middle)
    thickness, u, shared = fit.thickness(1), fit.u_thickness(1), fit.u_common(1)
    return LayerProfile(
        windows.middle, fit.edges[:, 0], fit.edges[:, 1], thickness, np.sqrt(np.maximum(u**2 - shared**2, 0)),
        np.ones(len(thickness), bool), fit.blur, np.median(fit.levels, axis=0), shared,
    )  # fmt: skip


def _fit_thin(values: Floats, band: Band, windows: _Windows, course: Floats) -> Steps:
    """Fit both edges of the layer in all windows at once, in rows about a course (n,)."""
    widest = float(np.quantile(windows.lower - windows.upper, 0.95))
    rows = np.arange(-np.ceil(widest / 2) - AROUND, np.ceil(widest / 2) + AROUND + 1)
    profiles, places, weights = _profiles(values, windows, course, rows, band.strip.seen)
    # row r of the picture reaches from r - 0.5 to r + 0.5: a border before it lies at r - 0.5
    start = np.column_stack([windows.upper, windows.lower]) - 0.5
    half, blur = _start(profiles, places, weights, start)
    middle = start.mean(axis=1)
    begin = np.column_stack([middle + half[0], middle + half[1]])
    return fit_steps(profiles, places, begin, blur=blur, shared=(1,), weights=weights)


def _start(profiles: Floats, places: Floats, weights: Floats, start: Floats) -> tuple[Floats, float]:
    """Return the edges' offsets (2,) from the middle of the borders and the blur from which the fit of all windows sets
    out: the best of many starts on the mean profile."""
    middle = start.mean(axis=1)
    off = places - middle[:, None]
    grid = np.arange(np.ceil(off.min(axis=1).max()), np.floor(off.max(axis=1).min()) + 1)
    mean = np.zeros((1, grid.size, profiles.shape[2]))
    for c in range(profiles.shape[2]):
        good = weights.min(axis=1) > 0 if (weights.min(axis=1) > 0).any() else np.ones(len(off), bool)
        rows = [np.interp(grid, at, one) for at, one in zip(off[good], profiles[good][..., c], strict=True)]
        mean[0, :, c] = np.mean(rows, axis=0)
    half = float(np.median(np.diff(start, axis=1))) / 2
    starts = [
        (np.array([-wide, wide]) * half + shift, blur)
        for wide in (0.4, 0.8, 1.5, 2.5)
        for shift in (-half, 0.0, half)
        for blur in (0.7, 1.8)
    ]
    best = fit_best(mean, grid[None], starts)
    return best.edges[0], best.blur


def _thick(values: Floats, band: Band, windows: _Windows) -> LayerProfile:
    rows = np.arange(-AROUND, AROUND + 1.0)
    edges, u, fitted, levels, blurs = [], [], [], [], []
    for border, about in ((band.upper, windows.upper), (band.lower, windows.lower)):
        course = gaussian_filter1d(border, 3.0, mode="nearest")
        profiles, places, weights = _profiles(values, windows, course, rows, band.strip.seen)
        fit = fit_steps(profiles, places, about[:, None] - 0.5, blur=1.5, weights=weights)
        off = np.abs(fit.edges[:, 0] - about + 0.5)
        step = np.abs(np.diff(fit.levels, axis=1)[:, 0]).max(axis=1)
        clear = step > 4 * fit.rms / np.sqrt(2)
        good = (off < ASTRAY + 2 * fit.blur) & clear & (np.sqrt(fit.covariance[:, 0, 0]) < ROUGH)
        edges.append(np.where(good, fit.edges[:, 0], about - 0.5))
        u.append(np.where(good, np.sqrt(fit.covariance[:, 0, 0]), ROUGH))
        fitted.append(good)
        levels.append(fit.levels)
        blurs.append(fit.blur if good.mean() > 0.5 else np.nan)
    all_levels = [levels[0][:, 0], np.concatenate([levels[0][:, 1], levels[1][:, 0]]), levels[1][:, 1]]
    return LayerProfile(
        windows.middle, edges[0], edges[1], edges[1] - edges[0], np.hypot(u[0], u[1]), fitted[0] & fitted[1],
        float(np.nanmean(blurs)) if np.isfinite(blurs).any() else float("nan"),
        np.array([np.median(one, axis=0) for one in all_levels]), 0.0,
    )  # fmt: skip
