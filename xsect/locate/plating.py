"""Plating: which share of each strip pixel is plating, told from base metal by colour or by its own grey level.

With the plating painted as gap, the distance between the base metals is read like any other opening; with it
painted as base metal, only the gap is left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, grey_closing

from xsect.locate.opening import RESOLVED, Opening
from xsect.locate.tone import Floats, blurred_along, luminance, project

FAR = (22, 62)
"""Rows beyond the gap's edge between which the base metal's level is read: past any plating."""

FULLY = 0.8
"""Share of plating that counts as nothing but plating between the base metals: its hue varies with depth and light."""

FAINTEST = 0.4
"""Share of its usual distance from the gap's level at which a channel's metal level is held at least."""

CONTRAST = 4.0
"""Plating must differ from base metal by this many times the base metal's own spread."""


@dataclass(frozen=True)
class Plating:
    """Plating in one strip.

    ``share``: (m, n) 0 to 1. ``as_gap``, ``as_base``: tones (m, n), base metal at 1 and gap at 0, with the plating
    painted as gap and as base metal. ``contrast``: distance of plating from base metal in units of its spread.
    ``gain``: how much faster than its share the plating darkens ``as_gap``. ``by``: "colour" or "grey level".
    ``relative``: (m, n) tone with nothing painted; ``level``: the plating's in it.
    """

    share: Floats
    as_gap: Floats
    as_base: Floats
    relative: Floats
    level: float
    contrast: float
    by: str
    gain: float = 1.0


def read_plating(
    values: Floats,
    tone: Floats,
    coarse: NDArray[np.float64],
    seen: NDArray[np.bool_],
    blur: float,
    *,
    dark: float,
) -> Plating | None:
    """Tell plating from base metal in a strip, or return None where the picture does not allow it.

    ``values``: (m, n, 3) or (m, n) strip; ``tone``: (m, n) its tone; ``coarse``: (n,) rough gap in px, with or
    without the plating in it; ``dark``: tone of the mount.
    """
    half = tone.shape[0] // 2
    distance = np.abs(np.arange(-half, half + 1)[:, None]) - coarse[None, :] / 2
    far = (distance > FAR[0]) & (distance < FAR[1]) & seen
    middle = dark + 0.35 * (float(np.median(tone[far])) - dark) if far.any() else dark
    core = (distance < -2 * blur - 1) & seen & (tone < middle)
    relative = _relative(tone, far, core)
    found = None
    if values.ndim == 3:
        channels = np.stack([_relative(values[:, :, k], far, core) for k in range(3)], axis=2)
        found = _by_colour(channels, relative, far, distance, blur)
    if found is None:
        found = _by_level(relative, far, np.where(coarse > 3 * blur, distance, np.inf), blur)
    return found


def _relative(tone: Floats, far: NDArray[np.bool_], core: NDArray[np.bool_]) -> Floats:
    """Return tone with the gap at 0 and the base metal of the same side at 1."""
    half = tone.shape[0] // 2
    gap = (
        float(np.median(tone[core]))
        if core.sum() > 50
        else min(float(np.quantile(tone, 0.005)), 0.2 * float(np.median(tone)))
    )
    out = np.empty_like(tone)
    for rows in (slice(0, half), slice(half, tone.shape[0])):
        count = far[rows].sum(axis=0)
        level = np.where(far[rows], tone[rows], 0).sum(axis=0) / np.maximum(count, 1)
        good = count > 10
        if not good.any():
            good[:] = True
        index = np.arange(level.size)
        level = gaussian_filter1d(np.interp(index, index[good], level[good]), 12.0, mode="nearest")
        # where a channel is nearly as dark in the metal as in the gap, its ratio would say anything
        above = level - gap
        out[rows] = (tone[rows] - gap) / np.maximum(above, max(FAINTEST * float(np.median(above)), 1e-3))
    return out


def _by_colour(
    channels: Floats, relative: Floats, far: NDArray[np.bool_], distance: NDArray[np.float64], blur: float
) -> Plating | None:
    """Plating by its hue: grain shade and gap only scale all channels alike, plating shifts them apart."""
    hue = blurred_along(channels - luminance(channels)[:, :, None], 1.5)
    near = (distance > -2) & (distance < FAR[0]) & (relative > 0.35)
    size = np.sqrt(np.einsum("ijk,ijk->ij", hue, hue))
    spread = float(np.quantile(size[far], 0.9)) if far.any() else 1.0
    odd = near & (size > 2.5 * spread)
    if odd.sum() < 60:
        return None
    strong = odd & (size > 0.6 * float(np.quantile(size[odd], 0.98)))
    axis = np.median(hue[strong], axis=0)
    axis /= max(float(np.linalg.norm(axis)), 1e-9)
    shift = project(hue, axis)
    # thick places show the full hue; edges and thin layers only part of it
    full = float(np.quantile(blurred_along(shift, 5.0)[odd], 0.993))
    # metal that is white throughout has no spread of its own
    noise = max(float(np.std(shift[far])), 1e-3) if far.any() else 1.0
    if full < CONTRAST * noise or full < 0.06:
        return None
    plating_tone = float(np.median(relative[odd & (shift > 0.8 * full)]))
    share = np.clip(shift / full, 0, 1) * (np.clip(relative / (0.4 * plating_tone), 0, 1))
    # plating is as good as gap, however light it is in one place and however dark the gap beside it
    as_gap = np.maximum(np.where(share < FULLY, relative - share * (plating_tone / FULLY), 0), 0)
    return Plating(
        share.astype(np.float32),
        as_gap.astype(np.float32),
        (relative + share * (1 - plating_tone)).astype(np.float32),
        relative,
        plating_tone,
        full / noise,
        "colour",
        1 + plating_tone * (1 / FULLY - 1),
    )


def _by_level(
    relative: Floats, far: NDArray[np.bool_], distance: NDArray[np.float64], blur: float
) -> Plating | None:
    """Plating by its own grey level, brighter or darker than the base metal.

    ``distance`` is infinite where no gap is seen. Anything near the gap that is brighter than base metal is
    plating. Darker plating shows as a plateau between base metal and gap, which a blurred edge is not.
    """
    smooth = blurred_along(relative, 3.0)
    spread = max(1.4826 * float(np.median(np.abs(smooth[far] - 1))) if far.any() else 1.0, 0.01)
    near = (distance < 8) & (distance > -60)
    bright = near & (smooth > 1 + CONTRAST * spread)
    plateau = near & (smooth < 1 - CONTRAST * spread) & (smooth > 0.3)
    plateau &= np.abs(np.gradient(smooth, axis=0)) < 0.03
    seeds, sign = (bright, 1.0) if bright.sum() >= max(60, 0.5 * plateau.sum()) else (plateau, -1.0)
    if seeds.sum() < 60:
        return None
    level = float(np.quantile(smooth[seeds], 0.8 if sign > 0 else 0.5))
    contrast = abs(level - 1) / spread
    if contrast < CONTRAST or not 0.3 < level < 4:
        return None
    if sign > 0:
        share = np.clip((relative - 1) / (level - 1), 0, 1)
        dark = np.clip(1 - relative, 0, 1)
        # between bright plating and dark gap the blurred edge passes through the base metal's level
        size = max(3, 2 * round(1.5 * blur) + 1)
        apart = grey_closing(np.maximum(share, dark), size=(size, 1))
        return Plating(
            share.astype(np.float32),
            (1 - apart).astype(np.float32),
            np.minimum(relative, 1).astype(np.float32),
            relative,
            level,
            contrast,
            "grey level",
        )
    apart = np.clip((1 - relative) / (1 - level), 0, 1)
    dark = np.clip((level - relative) / level, 0, 1)
    return Plating(
        np.clip(apart - dark, 0, 1).astype(np.float32),
        (1 - apart).astype(np.float32),
        (1 - dark).astype(np.float32),
        relative,
        level,
        contrast,
        "grey level",
    )


def facing_tone(plating: Plating, gap: Opening) -> Floats:
    """Return the strip's tone (m, n) with the plated facing surfaces at 1 and the gap at 0.

    Each edge of the gap is one between gap and plating: its own level, and not the base metal's, marks it. From
    the gap's edge outwards the tone may only rise to it, so that the base metal behind counts as solid too.
    """
    half = gap.darkness.shape[0] // 2
    off = np.abs(np.arange(-half, half + 1)[:, None] - gap.centre[None, :])
    smooth = blurred_along(plating.relative, 3.0)
    tone = smooth / np.float32(max(plating.level, _crest(smooth, off, gap) if plating.level > 1 else 0.0))
    rising = np.where(off > gap.thickness / 2 - 2 * gap.blur - 1, tone, np.float32(-1))
    lower = np.maximum.accumulate(rising[half:], axis=0)
    upper = np.maximum.accumulate(rising[half::-1], axis=0)[::-1]
    risen = np.concatenate([upper, lower[1:]])
    return np.minimum(np.where(risen > -1, risen, tone), 1).astype(np.float32)


def _crest(smooth: Floats, off: NDArray[np.float64], gap: Opening) -> float:
    """Return the level of the plating beside the gap where it is brightest across, 0 where no gap is resolved."""
    clear = gap.thickness > RESOLVED
    if clear.sum() < 20:
        return 0.0
    beyond = off[:, clear] - gap.thickness[clear] / 2
    return float(np.median(np.where((beyond > 0) & (beyond < FAR[0]), smooth[:, clear], 0).max(axis=0)))
