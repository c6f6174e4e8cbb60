"""Lines too fine to be seen beside those of a graduation: the trap that makes a scale wrong five times over.

The shortest lines of a stage micrometer, which its certificate's pitch is about, may be too fine for the picture or out
of focus. Every fifth, longer line is then still sharp and even, and would be taken for the shortest ones. What
gives it away is the strip of the unresolved ones: where the longer lines seem to end, the picture between
them turns to the lines' own tone and stays so for longer than the base line of a scale is thick.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.graduation import Floats
from xsect.capture.ticks import Array, Ticks

_TONE: Final = 0.12
"""Share of the lines' contrast from which a place counts as toned: unresolved lines cover at least that much."""

_AMBIGUOUS: Final = 0.2
"""Half width of lines, in pitches, from which they and the gaps may be confused."""

_BESIDE: Final = 0.35
"""Where between two lines the picture is looked at, in pitches from the first."""

_ROWS: Final = 0.75
"""Share of the places between lines that must be toned: numbers and dirt tone some, a strip tones all."""


def finer_lines_unresolved(grey: Floats, ticks: Ticks) -> bool:
    """Whether a strip of unresolved lines borders on a graduation's lines, at either of their ends."""
    graduation = ticks.graduation
    found = _profiles(grey, ticks)
    if found is None:
        return False
    line, between, v = found
    sign = float(np.sign(np.median(ticks.strength)))
    inside = (v >= graduation.v_range[0]) & (v <= graduation.v_range[1])
    # Each line by its own light.
    ground = np.nanmedian(between[:, inside], axis=1)
    usual = float(np.median(ground))
    if usual > 20:
        by = np.clip(usual / np.maximum(ground, 1), 0.3, 3)[:, None]
        line, between = line * by, between * by
    contrast = sign * float(np.nanmedian((line - between)[:, inside]))
    if not contrast > 0:
        return False
    # Uneven light changes the ground too: a strip must stand out from it whatever trend of it is taken off.
    toned = sign * between
    grounds = _grounds(toned, v, inside, 2 / min(grey.shape))
    tones = [(toned - ground) / contrast for ground in grounds]
    thickest = 2 * ticks.half_width + 3.5 * ticks.blur + 1
    # The lines' own ends are cut off the band; with their blur they may take as much again.
    reach = int(0.25 * (graduation.v_range[1] - graduation.v_range[0]) + 2 * thickest)
    before, after = v < graduation.v_range[0], v > graduation.v_range[1]
    if ticks.half_width < _AMBIGUOUS * graduation.pitch_px:
        # The strip may reach into the band.
        middle = sum(graduation.v_range) / 2
        reach += int(graduation.v_range[1] - middle)
        tone = np.min(tones, axis=0)
        return any(
            _has_strip(side, reach, thickest) for side in (tone[:, v < middle][:, ::-1], tone[:, v > middle])
        )
    # Where lines and gaps are alike, one may be taken for the other; but a strip is at one end only, and unresolved
    # lines tone it more than the faint wave of the longer ones among them.
    beyond = slice(reach, reach + max(int(thickest), 1))
    differences = [
        _level(tone[:, before][:, ::-1][:, beyond]) - _level(tone[:, after][:, beyond]) for tone in tones
    ]
    return all(abs(difference) > 1 for difference in differences)


def _profiles(grey: Floats, ticks: Ticks) -> tuple[Array, Array, Array] | None:
    """Return (on lines, between lines, v): levels (k, rows) along lines and beside them, NaN outside
    the picture, far beyond both ends of the band; ``v`` by whole pixels. None where no two lines are neighbours."""
    graduation = ticks.graduation
    good = ticks.good[:-1] & ticks.good[1:] & (np.diff(ticks.index) == 1)
    if not good.any():
        return None
    on = ticks.centre[:-1][good]
    # Not half-way: between every tenth line that is where a fifth one stands.
    beside = on + _BESIDE * graduation.pitch_px
    low, high = graduation.v_range
    beyond = max(high - low, 4 * graduation.pitch_px) + 10
    v = np.arange(np.floor(low - beyond), high + beyond)
    cos, sin = graduation.direction

    def levels(u: Array) -> Array:
        x = (u[:, None] * cos - v * sin).astype(np.float32)
        y = (u[:, None] * sin + v * cos).astype(np.float32)
        outside = (x < 0) | (y < 0) | (x > grey.shape[1] - 1) | (y > grey.shape[0] - 1)
        found = cv2.remap(grey, x, y, cv2.INTER_LINEAR).astype(float)
        return np.where(outside, np.nan, found)

    return levels(on), levels(beside), v


def _grounds(toned: Array, v: Array, inside: NDArray[np.bool_], steepest: float) -> list[Array]:
    """Return the ground between the lines, (k, rows), as level, as rising evenly and, from a long band, as a parabola.

    ``steepest``: relative change a row that light may make; what is steeper is no light.
    """
    rows = np.flatnonzero(inside)
    core = rows[len(rows) // 5 : len(rows) - len(rows) // 5]
    each = np.nanmedian(toned[:, core], axis=1)[:, None]
    usual = np.nan_to_num(np.nanmedian(toned[:, rows] - each, axis=0))
    # Where a strip reaches into the band, the ground is what is least toned.
    level = each + float(np.quantile(usual, 0.2))
    grounds: list[Array] = [level + np.zeros(len(v))]
    if len(core) >= 10:
        middle = np.nan_to_num(np.nanmedian(toned[:, core] - each, axis=0))
        most = steepest * abs(float(np.median(each)))
        slope = float(np.clip(np.polyfit(v[core], middle, 1)[0], -most, most))
        grounds.append(level + slope * (v - v[core].mean()))
        if len(core) >= 60:
            # A parabola runs away beyond what it was fitted to: all of a long band.
            grounds.append(each + np.polynomial.Polynomial.fit(v[rows], usual, 2)(v))
    return grounds


def _level(tone: Array) -> float:
    """Return the median tone, NaN (which differs from nothing) where little of it is in the picture."""
    seen = np.isfinite(tone)
    return float(np.median(tone[seen])) if seen.sum() > 0.5 * tone.size > 0 else float("nan")


def _has_strip(tone: Array, reach: int, thickest: float) -> bool:
    """Whether a strip of the lines' tone, thicker than ``thickest``, begins within ``reach`` of an end of the lines;
    ``tone``: (k, rows) between the lines, going outwards."""
    seen = np.isfinite(tone).sum(axis=0)
    with np.errstate(invalid="ignore"):
        toned = (tone >= _TONE).sum(axis=0) >= _ROWS * np.maximum(seen, 1)
    longest = run = 0
    for k, one in enumerate(toned & (seen >= 0.5 * len(tone))):
        run = run + 1 if one else 0
        if k - run + 1 > reach:
            break
        longest = max(longest, run)
    return longest > thickest
