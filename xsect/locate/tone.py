"""Tone: one number a pixel that tells metal from mount best, made from grey or colour pixels.

Tone is linear in the pixel values, so blur moves edges of tone but keeps its integrals.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8] | NDArray[np.uint16]
Floats = NDArray[np.float32]

COARSE_PIXELS = 500_000
"""Size of the copy on which parts and faying line are found; full resolution is touched only near the line."""


def coarse_copy(pixels: Image) -> tuple[Floats, float]:
    """Return (copy, step): float32 pixels in 0..1 averaged over ``step`` × ``step`` full-resolution pixels.

    Coarse pixel (x, y) covers full-resolution positions around ``(x + 0.5) * step - 0.5``.
    """
    rows, columns = pixels.shape[:2]
    step = max(1.0, (rows * columns / COARSE_PIXELS) ** 0.5)
    size = (max(8, round(columns / step)), max(8, round(rows / step)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA) if step > 1 else pixels
    return small.astype(np.float32) / np.float32(np.iinfo(pixels.dtype).max), columns / size[0]


def blurred(image: NDArray[np.generic], sigma: float) -> Floats:
    """Return the image under a Gaussian blur of standard deviation ``sigma`` px."""
    return np.asarray(cv2.GaussianBlur(np.asarray(image, dtype=np.float32), (0, 0), sigma), dtype=np.float32)


def blurred_along(image: Floats, sigma: float) -> Floats:
    """Return (m, n[, 3]) float32 values under a Gaussian of ``sigma`` columns along each row; ends are repeated."""
    kernel = cv2.getGaussianKernel(2 * round(4 * sigma) + 1, sigma, cv2.CV_32F)
    out = cv2.sepFilter2D(image, -1, kernel, np.ones(1, np.float32), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, dtype=np.float32)


def luminance(image: Floats) -> Floats:
    """Return the mean of the channels of a (rows, columns, 3) image, or the grey image itself."""
    return project(image, np.full(3, 1 / 3))


def some(image: NDArray[Any], mask: NDArray[np.bool_], most: int = 40_000) -> NDArray[Any]:
    """Return every k-th value (n, …) of the image's pixels in ``mask``, about ``most`` of them: enough for medians,
    quantiles and covariances.

    The step is odd, so that it keeps no pace with the rows of a picture for long.
    """
    places = np.flatnonzero(mask)
    return np.asarray(
        image.reshape(mask.size, *image.shape[mask.ndim :])[places[:: (len(places) // most) | 1]]
    )


def separating_axis(image: Floats, metal: NDArray[np.bool_], mount: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return channel weights (3,) that part metal from mount best (Fisher's linear discriminant), summing to 1.

    The discriminant is shrunk halfway towards plain averaging: a channel that looks useless in one place (red
    resin under red light) may be the good one elsewhere, and averaging lowers the noise.
    """
    bright, dark = (some(image, mask).astype(np.float64) for mask in (metal, mount))
    difference = bright.mean(axis=0) - dark.mean(axis=0)
    within = np.cov(bright, rowvar=False) + np.cov(dark, rowvar=False)
    within += np.eye(3) * max(float(np.trace(within)) / 3, 1e-6)
    axis = np.linalg.solve(within, difference)
    axis = np.clip(axis, 0, None)
    total = axis.sum()
    return axis / total if total > 0 else np.full(3, 1 / 3)


def project(image: Floats, weights: NDArray[np.float64]) -> Floats:
    """Return the tone (rows, columns) of an image under channel weights."""
    if image.ndim == 2:
        return image
    return np.asarray(cv2.transform(image, weights.astype(np.float32).reshape(1, 3)), dtype=np.float32)
