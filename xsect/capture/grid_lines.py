"""How far apart the lines of a grid lie: a wave that was followed may be an overtone of theirs.

Thin lines have overtones nearly as strong as the fundamental. Across a grid run other lines, whose ink would hide
whether every other line is missing; the mean over the band's whole width does not see them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from xsect.capture.graduation import FEWEST_LINES, Floats, Graduation
from xsect.capture.ticks import Array, band_pixels

_MUCH: Final = 0.25
"""Share of a profile's variance that a period leaves over if it is not the true one: half of it leaves about half."""

_EXPLAINED: Final = 0.6
"""Share of what one period leaves over that a multiple of it must get below to be the period: a true period's
multiples explain nothing more, half of one leaves half of the lines over."""


def at_true_pitch(grey: Floats, graduation: Graduation) -> Graduation:
    """Return a grid's graduation with its pitch doubled or tripled until it is that of the lines."""
    band = band_pixels(grey, graduation)
    if band is None:
        return graduation
    u, _, value = band
    place = np.floor(u - u.min()).astype(np.int64)
    count = np.bincount(place)
    seen = np.flatnonzero(count >= 0.5 * np.median(count))
    profile = np.bincount(place, weights=value)[seen] / count[seen]
    at = seen.astype(float)
    pitch, length = graduation.pitch_px, float(np.ptp(at))
    # Up to six times the pitch: two periods of each are needed to tell.
    while (times := _period(at, profile, pitch)) > 1 and times * pitch * (FEWEST_LINES - 1) <= length:
        pitch *= times
    return replace(graduation, pitch_px=pitch)


def _period(at: Array, profile: Array, pitch: float) -> int:
    """Return how many pitches make the period of a profile, 1 to 3."""
    # Light changes over several lines, not from one to the next.
    light = np.polynomial.Polynomial.fit(at, profile, 4)(at)
    level = profile / np.maximum(light, 1.0)
    once = _left_over(at, level, pitch, 1)
    if once < _MUCH * float(np.var(level)):
        return 1
    return next((times for times in (2, 3) if _left_over(at, level, pitch, times) < _EXPLAINED * once), 1)


def _left_over(at: Array, level: Array, pitch: float, times: int) -> float:
    """Return the variance that the mean course of a period of some pitches leaves over, for the freedom that it has.

    It is taken over six pitches at a time: the pitch is not known well enough to stay in step for longer.
    """
    turns = at / (times * pitch)
    bins = max(4, round(times * pitch))
    cell = np.floor(at / (6 * pitch)).astype(np.int64) * bins + np.floor(turns % 1.0 * bins).astype(np.int64)
    count = np.bincount(cell)
    mean = np.bincount(cell, weights=level) / np.maximum(count, 1)
    free = max(len(at) - int((count > 0).sum()), 1)
    return float(np.sum((level - mean[cell]) ** 2)) / free
