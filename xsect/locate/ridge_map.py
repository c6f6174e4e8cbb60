"""Ridge map: how much each place of the metal is darker than what lies to both sides of it, and how much of that is
the metal's own texture."""

from __future__ import annotations

import cv2
import numpy as np

from xsect.locate.flaw_ground import Ground, Mask, Places
from xsect.locate.tone import Floats, blurred

RIDGE = 1.6
"""Standard deviation in px of the ridge filter: between a crack of 1 px and one of 5 px under usual blur."""

HALF = 2
"""Px to a px of the copy on which ridges are looked for: what the filter smooths needs no more."""

SMOOTH = 1.03
"""Standard deviation in px of the blur before the copy is taken: the copy's own differences smooth the rest."""

THIN = 2
"""Step in px of the copy between places at which the texture is read."""

NEAR, SPARSE = 2.6, 7
"""How far beside a place, in standard deviations of the edges' blur and 4 px more, what it is compared with lies, and
the step in px between such places."""

EDGE = 0.95
"""Share of the metal that the texture's own ridges are weaker than."""


def smoothed_darkness(darkness: Floats) -> Floats:
    """Return each HALF-th pixel of the blurred darkness."""
    return np.ascontiguousarray(blurred(darkness, SMOOTH)[::HALF, ::HALF])


def ridge_strength(smooth: Floats) -> Floats:
    """Return how much darker each pixel of the smoothed copy is than the metal to both sides, across its darkest
    direction.

    The larger curvature, scaled so that a fine line reads the same at any filter width.
    """
    scale = (RIDGE / HALF) ** 2 / 4
    xx, yy, xy = (
        cv2.Sobel(smooth, cv2.CV_32F, *order, ksize=3, scale=scale) for order in ((2, 0), (0, 2), (1, 1))
    )
    mean, half = cv2.addWeighted(xx, 0.5, yy, 0.5, 0), cv2.addWeighted(xx, 0.5, yy, -0.5, 0)
    return np.asarray(
        np.maximum(cv2.subtract(cv2.magnitude(half, xy), mean), np.float32(0)), dtype=np.float32
    )


def strength_along(strength: Floats, line: Places) -> Floats:
    """Return the ridge strength at the places (k, 2) of a line, in px of the full picture."""
    x, y = (line / HALF).T.astype(np.float32)
    return np.asarray(cv2.remap(strength, x, y, cv2.INTER_LINEAR), dtype=np.float32).ravel()


def texture_strength(strength: Floats, looked: Mask) -> float:
    """Return the ridge strength that nearly all of the metal's own texture stays under."""
    some = strength[::THIN, ::THIN][looked[::THIN, ::THIN]]
    return max(float(np.quantile(some, EDGE)), 1e-6) if some.size else 1e-6


def near_spread(ground: Ground, looked: Mask) -> float:
    """Return the robust spread of the metal's darkness against the mean of what lies a little to both sides of it.

    Large grains of different shade do not hide a thin dark line; small ones as far apart as its own surroundings do.
    """
    darkness = ground.darkness
    rows, columns = darkness.shape
    aside = round(NEAR * ground.blur + 4)
    values = []
    for down, right in ((0, aside), (aside, 0)):
        spans = [
            (
                slice(k * down, rows - (2 - k) * down, SPARSE),
                slice(k * right, columns - (2 - k) * right, SPARSE),
            )
            for k in range(3)
        ]
        before, at, after = (darkness[span] for span in spans)
        metal = looked[spans[0]] & looked[spans[1]] & looked[spans[2]]
        values.append((at - (before + after) / 2)[metal])
    lifted = np.concatenate(values)
    return 1.4826 * float(np.median(np.abs(lifted - np.median(lifted)))) if lifted.size else 1.0
