"""Shades: a picture's pixels as few whole numbers, so that materials can be told by how often each occurs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.locate.tone import Floats

SHADES = 48
FINEST = 0.01
"""Least difference of two shades, as a share of the picture's range."""
ALONG = 4
"""Stations over which shades are smoothed along the layer."""


def shades_of(values: Floats, seen: NDArray[np.bool_]) -> NDArray[np.int16]:
    """Return (r, n, f) shades of pixels (r, n, c): one for grey, two for colour (principal axes); -1 where unseen.

    Each shade holds about as many pixels as any other, so that two dark materials are told apart beside a bright one.
    """
    flat = values.reshape(-1, values.shape[-1])[seen.ravel()][::7].astype(np.float64)
    mean, axes = flat.mean(axis=0), np.ones((1, 1))
    if flat.shape[1] > 1:
        _, axes = np.linalg.eigh(np.cov(flat, rowvar=False))
        axes = axes[:, ::-1][:, :2]
    projected = (flat - mean) @ axes
    reach = np.ptp(np.quantile(projected, (0.002, 0.998), axis=0), axis=0).max()
    shades = np.empty((*seen.shape, axes.shape[1]), np.int16)
    for f in range(axes.shape[1]):
        bounds = np.quantile(projected[:, f], np.arange(1, SHADES) / SHADES)
        # but what differs by less than a hundredth of the range is one shade
        bounds = bounds[0] + np.round((bounds - bounds[0]) / (FINEST * reach + 1e-9)) * (
            FINEST * reach + 1e-9
        )
        along = (values - mean.astype(np.float32)) @ axes[:, f].astype(np.float32)
        shades[..., f] = np.searchsorted(np.unique(bounds), along)
    shades[~seen] = -1
    return shades


def smooth_shades(values: Floats, seen: NDArray[np.bool_]) -> NDArray[np.int16]:
    """Return the shades of a strip smoothed along the layer only: noise goes, a thin layer stays."""
    smooth = np.asarray(gaussian_filter1d(values, ALONG, axis=1, mode="nearest"), dtype=np.float32)
    return shades_of(smooth, seen)


def histograms(shades: NDArray[np.int16], size: int) -> NDArray[np.float64]:
    """Return (bins, f, SHADES) counts of shades in bins of ``size`` rows."""
    rows, _, features = shades.shape
    bins = -(-rows // size)
    counts = np.zeros((bins, features, SHADES))
    owner = np.broadcast_to((np.arange(rows) // size)[:, None], shades.shape[:2])
    for f in range(features):
        seen = shades[..., f] >= 0
        flat = owner[seen] * SHADES + shades[..., f][seen]
        counts[:, f] = np.bincount(flat, minlength=bins * SHADES).reshape(bins, SHADES)
    return counts


def entropy(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the total entropy (nats times pixels) of histograms (..., f, SHADES), summed over features."""
    total = counts.sum(axis=-1)
    spread = np.where(counts > 0, counts * np.log(np.maximum(counts, 1)), 0).sum(axis=-1)
    return np.asarray((np.where(total > 0, total * np.log(np.maximum(total, 1)), 0) - spread).sum(axis=-1))
