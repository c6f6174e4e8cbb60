"""Areas of one even tone with crisp borders: what a program draws over a picture, and an optic cannot.

Light that went through an optic is blurred over a pixel or more and carries noise; a box, bar or letter drawn
afterwards has one value inside and changes to the picture around it within two pixels. `capture.burned_in`
and `capture.scale_bar` look for annotations among these areas.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

Tone = Literal["dark", "light", "colour", "even"]
Grey8 = NDArray[Any]
"""Grey or RGB pixels, uint8 (the stubs of cv2 do not keep the type)."""
Mask = NDArray[Any]
"""uint8, not 0 where something is."""

DARK, LIGHT = 14, 241
"""Up to and from where a value counts as drawn black or white: JPEG moves a drawn 0 or 255 by some levels."""

SLACK = 18
"""Levels by which JPEG moves it further close to an edge, where an area is followed to its border."""


def eight_bit(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> Grey8:
    """Return the picture as uint8: of 16-bit pixels the upper byte."""
    return pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)


def channel_range(rgb: Grey8) -> tuple[Grey8, Grey8]:
    """Return the smallest and the largest channel of each pixel."""
    if rgb.ndim == 2:
        return rgb, rgb
    red, green, blue = cv2.split(rgb)
    return (
        cv2.min(cv2.min(red, green), blue).astype(np.uint8, copy=False),
        cv2.max(cv2.max(red, green), blue).astype(np.uint8, copy=False),
    )


def colourful(rgb: Grey8, low: Grey8, high: Grey8) -> Mask | None:
    """Return where a picture has a colour that metal and mount do not have, or None where it nowhere has.

    In a grey picture any hue is drawn. In a coloured one a hue is drawn where the picture itself has next to
    none of it, or where all channels stand at their ends (the inks of drawing programs), as far as little of
    the picture does so.
    """
    if rgb.ndim == 2:
        return None
    chroma = cv2.subtract(high, low)
    strong = cv2.threshold(chroma, 60, 255, cv2.THRESH_BINARY)[1]
    tinted = cv2.countNonZero(cv2.threshold(chroma, 12, 255, cv2.THRESH_BINARY)[1])
    inked = cv2.countNonZero(strong)
    if inked <= 0.05 * chroma.size and tinted - inked <= 0.01 * chroma.size:
        return strong if inked else None
    hue = cv2.cvtColor(rgb, cv2.COLOR_RGB2HSV)[..., 0] // 6  # 30 bins of 12 degrees
    coloured = chroma >= 30
    share = np.bincount(hue[coloured], minlength=30) / chroma.size
    own = share >= 0.01
    own |= np.roll(own, 1) | np.roll(own, -1)
    mask = ((chroma >= 80) & ~own[hue]).astype(np.uint8) * 255
    ink = cv2.threshold(chroma, 150, 255, cv2.THRESH_BINARY)[1]
    for channel in cv2.split(rgb):
        between = cv2.inRange(channel, 31, 224)
        ink = cv2.bitwise_and(ink, cv2.bitwise_not(between))
    if cv2.countNonZero(ink) <= 0.05 * chroma.size:
        mask = cv2.bitwise_or(mask, ink)
    return mask if cv2.countNonZero(mask) else None


@dataclass(frozen=True)
class Marks:
    """Connected areas of one tone in a picture read at every ``step``-th pixel.

    ``labels``: (rows, cols) int32, 0 where the tone is absent; ``x``, ``y``, ``w``, ``h``, ``area``: (k,) in
    reduced pixels, entry i describing label i + 1; ``crisp``: (k,) share of the border that has reached the
    surroundings' level two reduced pixels out.
    """

    tone: Tone
    step: int
    labels: NDArray[Any]
    x: NDArray[Any]
    y: NDArray[Any]
    w: NDArray[Any]
    h: NDArray[Any]
    area: NDArray[Any]
    crisp: NDArray[np.float64]

    @property
    def on_border(self) -> NDArray[Any]:
        """Whether each area touches the picture's border, to within two reduced pixels."""
        rows, cols = self.labels.shape
        right, lower = self.x + self.w >= cols - 2, self.y + self.h >= rows - 2
        return np.asarray((self.x <= 2) | (self.y <= 2) | right | lower)


def every_nth(picture: Grey8, rows: int, cols: int) -> Grey8:
    """Return every ``rows``-th row and ``cols``-th column, unmixed (a drawn value stays what it is)."""
    height, width = picture.shape[0] // rows, picture.shape[1] // cols
    whole = picture[: height * rows, : width * cols]
    return cv2.resize(whole, (width, height), interpolation=cv2.INTER_NEAREST)


def find_marks(rgb: Grey8, step: int) -> list[Marks]:
    """Return the dark, light, coloured and even-grey areas of an 8-bit picture, one entry a tone it has."""
    reduced = every_nth(rgb, step, step)
    low, high = channel_range(reduced)
    colour = colourful(reduced, low, high)
    tones: list[tuple[Tone, Mask | None, Grey8 | None]] = [
        ("dark", cv2.threshold(high, DARK, 255, cv2.THRESH_BINARY_INV)[1], high),
        ("light", cv2.threshold(low, LIGHT - 1, 255, cv2.THRESH_BINARY)[1], cv2.bitwise_not(low)),
        ("colour", colour, None if colour is None else cv2.bitwise_not(cv2.subtract(high, low))),
        ("even", _even_grey(low, high), None),
    ]
    return [_label(t, step, mask, level) for t, mask, level in tones if mask is not None and mask.any()]


def _even_grey(low: Grey8, high: Grey8) -> Mask | None:
    """Return where neighbours have exactly one value that is neither black nor white (a filled box)."""
    right = cv2.compare(low[:-1, :-1], low[:-1, 1:], cv2.CMP_EQ)
    below = cv2.compare(low[:-1, :-1], low[1:, :-1], cv2.CMP_EQ)
    mask: Mask = np.zeros(low.shape, np.uint8)
    mask[:-1, :-1] = cv2.bitwise_and(right, below)
    mask = cv2.bitwise_and(mask, cv2.inRange(low, DARK + 1, LIGHT - 1))
    # Noise leaves some equal neighbours everywhere, a drawn box has nothing else: only thick areas count.
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    share = cv2.countNonZero(mask) / mask.size
    return mask if 0 < share < 0.3 else None


def _label(tone: Tone, step: int, mask: Mask, level: Grey8 | None) -> Marks:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8, ltype=cv2.CV_32S)
    crisp = np.ones(count - 1)
    if level is not None:
        crisp = _crisp_shares(mask, level, labels, count)
    x, y, w, h, area = stats[1:].T
    return Marks(tone, step, labels, x, y, w, h, area, crisp)


def _crisp_shares(mask: Mask, level: Grey8, labels: NDArray[Any], count: int) -> NDArray[np.float64]:
    """Return each area's share of border pixels, two out, that have 70 % of the surroundings' level."""
    near = cv2.dilate(mask, np.ones((3, 3), np.uint8))
    ring = cv2.subtract(cv2.dilate(near, np.ones((3, 3), np.uint8)), near)
    outside = cv2.bitwise_not(cv2.dilate(mask, np.ones((5, 5), np.uint8)))
    weight = cv2.blur(outside, (13, 13))
    around = cv2.blur(cv2.bitwise_and(level, outside), (13, 13))
    rows, cols = np.nonzero(ring)
    owner = cv2.dilate(labels.astype(np.float32), np.ones((5, 5), np.uint8))[rows, cols].astype(np.intp)
    background = around[rows, cols].astype(float) / np.maximum(weight[rows, cols] / 255.0, 0.02)
    passed = (level[rows, cols] >= 0.7 * background) & (background >= 40)
    total = np.bincount(owner, minlength=count)[1:]
    return np.bincount(owner, weights=passed, minlength=count)[1:] / np.maximum(total, 1)


def tone_mask(crop: Grey8, tone: Tone, seed: tuple[int, int], *, slack: int = SLACK) -> Mask:
    """Return where a crop of the picture has a tone.

    ``seed`` is (row, col) of a pixel that has it: the tones "colour" and "even" go by its value. ``slack``:
    levels by which black and white may miss DARK and LIGHT.
    """
    low, high = channel_range(crop)
    if tone == "dark":
        return cv2.threshold(high, DARK + slack, 255, cv2.THRESH_BINARY_INV)[1]
    if tone == "light":
        return cv2.threshold(low, LIGHT - 1 - slack, 255, cv2.THRESH_BINARY)[1]
    reach = 60 if tone == "colour" else 2
    away: NDArray[Any] = np.abs(crop.astype(np.int16) - crop[seed].astype(np.int16))
    near: Mask = ((away if crop.ndim == 2 else away.max(axis=2)) <= reach).astype(np.uint8)
    return near
