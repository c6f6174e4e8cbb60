"""Structure of the metal: what brightness, colour and texture are about each place of a weld frame."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.locate.tone import Floats, blurred
from xsect.locate.weld_frame import WeldFrame

NEAR = 3.0
"""Standard deviation in frame px of the window over which texture is read."""

PORE = 0.5
"""Brightness, against the metal's, under which a place is a pore and says nothing of the structure about it."""


def structure(frame: WeldFrame) -> tuple[Floats, Floats]:
    """Return ((rows, columns, k) features, (rows, columns) weights: 0 in mount, gaps, pores and covered places).

    Features: logarithm of brightness, two of colour (none in grey), mean logarithms of the energy of fine, medium
    and coarse detail relative to brightness, and two of the direction in which detail runs. None depends on exposure
    but by an offset.
    """
    image = frame.image
    grey = image if image.ndim == 2 else image.mean(axis=2)
    typical = float(np.median(grey[frame.metal])) if frame.metal.any() else 1.0
    level = np.log(np.maximum(grey, 0.05 * typical) / typical).astype(np.float32)
    pore = cv2.dilate((blurred(grey, 1.5) < PORE * typical).astype(np.uint8), np.ones((5, 5), np.uint8))
    weights = np.where(frame.metal & (pore == 0), np.float32(1), np.float32(0))
    level *= weights
    share = {sigma: blurred(weights, sigma) + np.float32(1e-3) for sigma in (1.0, 2.0, NEAR, 5.0)}

    def mean(values: NDArray[np.floating], sigma: float) -> Floats:
        return np.asarray(blurred(values * weights, sigma) / share[sigma], np.float32)

    smooth = {sigma: mean(level, sigma) for sigma in (1.0, 2.0, 5.0)}
    out = [mean(level, 1.0)]
    if image.ndim == 3:
        red, green, blue = (np.log(np.maximum(image[..., k], 0.05 * typical)) for k in range(3))
        out += [mean(red - blue, 2.0), mean(green - level, 2.0)]
    floor = np.float32(1e-5)
    fine = np.maximum(frame.fine, 0) / np.maximum(grey, 0.05 * typical) ** 2
    medium, coarse = np.square(level - smooth[2.0]), np.square(smooth[1.0] - smooth[5.0])
    # the mean of logarithms, not the logarithm of the mean: at a rim the livelier side must not count for more
    out += [mean(np.log(energy + floor), NEAR) for energy in (fine, medium, coarse)]
    across, down = (cv2.Sobel(smooth[1.0], cv2.CV_32F, *order, ksize=3) for order in ((1, 0), (0, 1)))
    total = across * across + down * down + np.float32(1e-4)
    out += [mean((across * across - down * down) / total, NEAR), mean(2 * across * down / total, NEAR)]
    return np.stack(out, axis=-1).astype(np.float32), weights
