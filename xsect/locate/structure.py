"""Structure of the metal: what brightness, colour and texture are about each place of a weld frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from xsect.locate.tone import Floats, blurred
from xsect.locate.weld_frame import WeldFrame, mean_channel

NEAR = 3.0
"""Standard deviation in frame px of the window over which texture is read."""

PORE = 0.5
"""Brightness, against the metal's, under which a place is a pore and says nothing of the structure about it."""


@dataclass(frozen=True)
class Structure:
    """What the metal is like about each place of a frame.

    ``planes``: features as images of the frame (rows, columns, at most 4), the first of them brightness and colour
    alone, the others texture, which is smooth and may be stored at half the frame's rows and columns. ``weights``:
    (rows, columns) 0 in mount, gaps, pores and covered places, else 1.
    """

    planes: tuple[Floats, ...]
    weights: Floats

    @property
    def plain(self) -> Structure:
        """Return brightness and colour alone."""
        return replace(self, planes=self.planes[:1])

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return the features (…, k) at places of the frame, given as two arrays of two axes."""
        columns = self.weights.shape[1]
        values = []
        for plane in self.planes:
            share = np.float32(plane.shape[1] / columns)
            off = share / 2 - np.float32(0.5)
            u, v = (x, y) if share == 1 else (x * share + off, y * share + off)
            read = cv2.remap(plane, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            values.append(np.asarray(read, np.float32).reshape(*x.shape, -1))
        return np.concatenate(values, axis=-1)


def read_structure(frame: WeldFrame) -> Structure:
    """Read the features of a frame.

    Logarithm of brightness, two of colour (none in grey), mean logarithms of the energy of fine, medium
    and coarse detail relative to brightness, and two of the direction in which detail runs. None depends on exposure
    but by an offset.
    """
    image = frame.image
    grey = mean_channel(image)
    typical = float(np.median(grey[frame.metal][::7])) if frame.metal.any() else 1.0
    least = np.float32(0.05 * typical)
    grey = np.maximum(grey, least)
    level = cv2.log(grey / np.float32(typical))
    pore = cv2.dilate((blurred(grey, 1.5) < PORE * typical).astype(np.uint8), np.ones((5, 5), np.uint8))
    weights = np.where(frame.metal & (pore == 0), np.float32(1), np.float32(0))
    level *= weights
    half = (level.shape[1] // 2, level.shape[0] // 2)
    share = {sigma: blurred(weights, sigma) + np.float32(1e-3) for sigma in (1.0, 2.0)}
    seen = cv2.resize(weights, half, interpolation=cv2.INTER_AREA)
    about = {sigma: blurred(seen, sigma / 2) + np.float32(1e-3) for sigma in (NEAR, 5.0)}

    def mean(values: Floats, sigma: float) -> Floats:
        return np.asarray(blurred(values * weights, sigma) / share[sigma], np.float32)

    def wide_mean(values: Floats, sigma: float) -> Floats:
        small = cv2.resize(values * weights, half, interpolation=cv2.INTER_AREA)
        return np.asarray(blurred(small, sigma / 2) / about[sigma], np.float32)

    near = mean(level, 1.0)
    plain = [near]
    if image.ndim == 3:
        red, green, blue = (cv2.log(np.maximum(one, least)) for one in cv2.split(image))
        plain += [mean(red - blue, 2.0), mean(green - level, 2.0)]
    floor = np.float32(1e-5)
    fine = np.maximum(frame.fine, 0) / np.square(grey)
    medium = np.square(level - mean(level, 2.0))
    coarse = np.square(near - cv2.resize(wide_mean(level, 5.0), level.shape[::-1]))
    # the mean of logarithms, not the logarithm of the mean: at a rim the livelier side must not count for more
    texture = [
        wide_mean(np.asarray(cv2.log(energy + floor), np.float32), NEAR) for energy in (fine, medium, coarse)
    ]
    across, down = (
        np.asarray(cv2.Sobel(near, cv2.CV_32F, *order, ksize=3), np.float32) for order in ((1, 0), (0, 1))
    )
    across2, down2 = across * across, down * down
    total = across2 + down2 + np.float32(1e-4)
    texture += [
        wide_mean(np.asarray((across2 - down2) / total, np.float32), NEAR),
        wide_mean(np.asarray(2 * across * down / total, np.float32), NEAR),
    ]
    planes = (plain, texture[:4], texture[4:])
    return Structure(
        tuple(np.asarray(cv2.merge(one), np.float32).reshape(*one[0].shape, -1) for one in planes), weights
    )
