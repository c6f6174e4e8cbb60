"""Parts: where metal and mount are, on a coarse copy of the picture, and how far the parts are tilted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.micrograph import Micrograph
from xsect.locate.coating import find_coating
from xsect.locate.tone import (
    Floats,
    Image,
    blurred,
    coarse_copy,
    luminance,
    project,
    separating_axis,
    some,
)
from xsect.reasons import Refusal

MIN_SHARE = 0.02
"""Metal and mount must each cover this share of the picture for a section to be there at all."""

MAX_TILT_DEG = 26

MIN_SEPARATION = 2.3
"""Separation below which the two populations may well be one: a resin, a grain structure, a photograph."""


@dataclass(frozen=True)
class Parts:
    """Metal and mount on the coarse copy; rows run across the parts, columns along them.

    ``turned``: the picture was transposed first, because the parts stand side by side. ``step``: full-resolution
    pixels to a coarse one. ``weights``: channel weights of the tone (None for grey). ``relative``: tone with mount
    at 0 and the local metal level at 1. ``metal``: cleaned mask. ``known``: False under burned-in marks.
    ``slope``: rows to a column by which the parts lean (tangent of the tilt).
    ``mount_tone``, ``metal_tone``: typical tone of the two; ``texture``: spread of the metal's relative tone.
    ``separation``: distance between metal and mount in units of their spreads, grain averaged out. ``edge_blur``:
    standard deviation in full-resolution px of the steeper part of the metal's border.
    """

    turned: bool
    step: float
    weights: NDArray[np.float64] | None
    relative: Floats
    metal: NDArray[np.bool_]
    known: NDArray[np.bool_]
    slope: float
    mount_tone: float
    metal_tone: float
    texture: float
    separation: float
    edge_blur: float


def turn(pixels: Image, turned: bool) -> Image:
    """Return the pixels transposed when the parts stand side by side: the left part becomes the upper one."""
    if not turned:
        return pixels
    return cast("Image", np.ascontiguousarray(pixels.swapaxes(0, 1)))


def find_parts(micrograph: Micrograph, *, turned: bool, plated: bool = False) -> Parts:
    """Tell metal from mount and estimate the tilt. On ``plated`` parts the plating counts as mount where it can be
    told from the base metal, so that the line is found between the base metals.

    Refuses with ``no_section_found`` when the picture does not fall into a bright and a dark population.
    """
    pixels = turn(micrograph.pixels, turned)
    coarse, step = coarse_copy(pixels)
    known = np.ones(coarse.shape[:2], bool)
    if micrograph.burned_in is not None:
        mask = micrograph.burned_in.T if turned else micrograph.burned_in
        covered = cv2.resize(mask.astype(np.float32), known.shape[1::-1], interpolation=cv2.INTER_AREA)
        known = covered < 0.02
    weights: NDArray[np.float64] | None = None
    tone = coarse
    if coarse.ndim == 3:
        # every other pixel tells the colours apart as well
        some_known, some_pixels = known[::2, ::2], np.ascontiguousarray(coarse[::2, ::2])
        bright = _bright(luminance(some_pixels), some_known)
        weights = separating_axis(some_pixels, bright & some_known, ~bright & some_known)
        tone = project(coarse, weights)
    bright = _bright(tone, known)
    relative, mount_tone, metal_tone = _relative(tone, bright, known)
    texture = _texture(relative, bright & known)
    metal = _clean(_calm(relative, texture) > 0.45, known)
    _check_share(metal)
    if plated:
        dark = known & ~bright
        mount = np.atleast_1d(np.median(some(coarse, dark), axis=0)).astype(np.float64)
        coating = find_coating(coarse, relative, metal, known, mount)
        if coating.any():
            # a blurred edge between plating and mount passes through the metal's level: no part is that thin
            ring = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7))
            metal = cv2.morphologyEx((metal & ~coating).astype(np.uint8), cv2.MORPH_OPEN, ring).astype(bool)
            metal = _clean(metal, known)
        relative = np.where(coating, np.float32(0), relative)
        _check_share(metal)
    parted = separation(relative, metal, known)
    if parted < MIN_SEPARATION:
        detail = f"metal and mount differ by only {parted:.1f} times their own spread"
        raise Refusal("no_section_found", detail=detail)
    return Parts(
        turned=turned,
        step=step,
        weights=weights,
        relative=relative,
        metal=metal,
        known=known,
        slope=lean(metal),
        mount_tone=mount_tone,
        metal_tone=metal_tone,
        texture=texture,
        separation=parted,
        edge_blur=step * _edge_blur(relative, metal, known),
    )


def _check_share(metal: NDArray[np.bool_]) -> None:
    share = float(metal.mean())
    if not MIN_SHARE < share < 1 - MIN_SHARE / 10:
        raise Refusal("no_section_found", detail=f"metal would cover {share:.1%} of the picture")


def separation(relative: Floats, metal: NDArray[np.bool_], known: NDArray[np.bool_]) -> float:
    """Return how far metal and mount are apart, in units of the sum of their spreads over a few grains.

    Splitting a single population in two gives about 2; sections worth measuring give 3 to 50.
    """
    smooth = blurred(relative, 3.0)
    inner = cv2.erode(metal.astype(np.uint8), np.ones((9, 9), np.uint8)).astype(bool) & known
    outer = cv2.erode((~metal).astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool) & known
    if inner.sum() < 50 or outer.sum() < 50:
        return 0.0
    (bright, bright_spread), (dark, dark_spread) = (_middle(some(smooth, mask)) for mask in (inner, outer))
    return (bright - dark) / (bright_spread + dark_spread + 1e-3)


def _middle(values: NDArray[np.floating]) -> tuple[float, float]:
    median = float(np.median(values))
    return median, 1.4826 * float(np.median(np.abs(values - median)))


def _edge_blur(relative: Floats, metal: NDArray[np.bool_], known: NDArray[np.bool_]) -> float:
    """Return the blur of the metal's border in coarse px: a blurred step's slope is 1 / (σ √2π)."""
    across, down = (cv2.Sobel(relative, cv2.CV_32F, *order, ksize=3) / 8 for order in ((1, 0), (0, 1)))
    border = cv2.morphologyEx(metal.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0
    border &= known
    steep = float(np.quantile(np.hypot(across, down)[border], 0.75)) if border.any() else 0.0
    return 1 / (float(np.sqrt(2 * np.pi)) * max(steep, 1e-3))


def _bright(tone: Floats, known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Split the tone into metal (bright) and mount (dark).

    Otsu's threshold fits where both cover much of the picture. Where the mount is only a slim gap, Otsu parts
    light grains from dark ones instead, which shows as a ragged border: then the darkest tone is the mount's and
    the threshold lies a third of the way up from it. Or Otsu parts a dark metal from a light one: then most of its
    dark side is lighter than that, and what is darker forms a gap that runs out of the picture.
    """
    closed = cv2.morphologyEx(tone, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    smooth = blurred(closed, 2.0)
    values = some(smooth, known, 200_000)
    low, high = np.percentile(values, (0.3, 99.5))
    if high - low < max(0.04 * high, 0.002):  # a 12-bit picture may fill only a sixteenth of its file's range
        raise Refusal("no_section_found", detail="the picture is uniform")
    levels = np.clip((values - low) / (high - low) * 255, 0, 255).astype(np.uint8)
    threshold, _ = cv2.threshold(levels.reshape(-1, 1), 0, 255, cv2.THRESH_OTSU)
    otsu = smooth > low + (threshold + 0.5) / 255 * (high - low)
    typical = float(np.median(values[values > (low + high) / 2]))
    dim = low + 0.36 * (typical - low)
    third = smooth > dim
    masks = [mask for mask in (otsu, third) if MIN_SHARE < float(mask[known].mean()) < 1 - MIN_SHARE / 4]
    if not masks:
        raise Refusal("no_section_found", detail="the picture does not fall into metal and mount")
    best = masks[0]
    for mask in masks[1:]:
        between_metals = (
            mask is third and float(np.median(smooth[~best & known])) > dim and _is_gap(~mask & known)
        )
        if between_metals or _border(mask) < 0.5 * _border(best):
            best = mask
    return np.asarray(best)


def _is_gap(dark: NDArray[np.bool_]) -> bool:
    """Whether most of what is dark are long areas that run out of the picture, and no slim lines or specks."""
    solid = cv2.morphologyEx(dark.astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(solid, connectivity=4)
    cut = np.zeros(count, bool)
    for edge in (labels[0], labels[-1], labels[:, 0], labels[:, -1]):
        cut[edge] = True
    long = stats[:, cv2.CC_STAT_WIDTH] > 0.1 * dark.shape[1]
    cut[0] = False
    return bool(stats[cut & long, cv2.CC_STAT_AREA].sum() > 0.5 * max(int(dark.sum()), 1))


def _texture(relative: Floats, metal: NDArray[np.bool_]) -> float:
    """Spread of the metal's relative tone about its local mean."""
    values = some(relative - blurred(relative, 8.0), metal)
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) if values.size else 1.0


def _calm(relative: Floats, texture: float) -> Floats:
    """Smooth the tone as far as the metal's texture asks: grain boundaries must not look like gaps."""
    if texture < 0.08:
        return blurred(relative, 0.8)
    closed = cv2.morphologyEx(relative, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    return blurred(closed, float(np.clip(8 * texture, 1.0, 2.5)))


def _border(mask: NDArray[np.bool_]) -> int:
    """Length of a mask's border in px."""
    return int((mask[1:] != mask[:-1]).sum() + (mask[:, 1:] != mask[:, :-1]).sum())


def _relative(
    tone: Floats, bright: NDArray[np.bool_], known: NDArray[np.bool_]
) -> tuple[Floats, float, float]:
    """Return (relative tone, mount level, metal level), uneven light taken out of the metal level.

    The light is a quadratic in x and y fitted to the metal, kept within a factor of 2.5 so that two metals of
    different brightness are not taken for one metal under uneven light.
    """
    rows, columns = tone.shape
    y, x = np.linspace(-1, 1, rows, dtype=np.float32)[:, None], np.linspace(-1, 1, columns, dtype=np.float32)
    mount_tone = float(np.median(some(tone, ~bright & known)))
    inner = cv2.erode((bright & known).astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    if inner.sum() < 200:
        inner = bright & known
    picks = np.flatnonzero(inner)[:: max(1, int(inner.sum()) // 20000)]
    at_y, at_x = y[picks // columns, 0].astype(np.float64), x[picks % columns].astype(np.float64)
    design = np.stack([np.ones(at_x.size), at_x, at_y, at_x**2, at_x * at_y, at_y**2], axis=-1)
    values = tone.ravel()[picks].astype(np.float64)
    metal_tone = float(np.median(values))
    weights = np.ones_like(values)
    for _ in range(3):
        fit, *_rest = np.linalg.lstsq(design * weights[:, None], values * weights, rcond=None)
        residual = values - design @ fit
        scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-6
        weights = 1 / np.sqrt(1 + (residual / (2 * scale)) ** 2)
    contrast = metal_tone - mount_tone
    c, cx, cy, cxx, cxy, cyy = fit.astype(np.float32)
    light = (c + cx * x + cxx * x * x) + (cy + cxy * x) * y + cyy * y * y
    light = np.clip(light, mount_tone + contrast / 2.5, mount_tone + contrast * 2.5)
    return ((tone - mount_tone) / (light - mount_tone)).astype(np.float32), mount_tone, metal_tone


def _clean(metal: NDArray[np.bool_], known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Drop specks of metal (fillers, glints, labels) and fill small holes (pores, inclusions, dark grains)."""
    area = metal.size
    out = metal & known
    count, labels, stats, _ = cv2.connectedComponentsWithStats(out.astype(np.uint8), connectivity=4)
    keep = np.zeros(count, bool)
    keep[1:] = stats[1:, cv2.CC_STAT_AREA] >= 0.004 * area
    out = keep[labels]
    count, labels, stats, _ = cv2.connectedComponentsWithStats((~out).astype(np.uint8), connectivity=4)
    small = stats[:, cv2.CC_STAT_AREA] < 0.0006 * area
    extent = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    fill = small & (extent < 0.06 * max(metal.shape))
    fill[0] = False
    return np.asarray(out | fill[labels])


def lean(metal: NDArray[np.bool_]) -> float:
    """Return the slope (rows to a column) along which the mask's edges line up best.

    For each slope the signed edges are summed along it; the sums' energy peaks where edges are parallel to it.
    """
    scale = min(1.0, 320 / metal.shape[1])
    small = cv2.resize(metal.astype(np.float32), None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    edges = np.diff(small, axis=0)
    rows, columns = edges.shape
    x = np.arange(columns) - columns / 2
    where = np.nonzero(np.abs(edges) > 0.05)
    strength = edges[where]
    if strength.size == 0:
        return 0.0
    slopes = np.tan(np.radians(np.linspace(-MAX_TILT_DEG, MAX_TILT_DEG, 4 * MAX_TILT_DEG + 1)))
    energy = np.empty(slopes.size)
    for index, slope in enumerate(slopes):
        level = np.rint(where[0] - slope * x[where[1]] + columns).astype(np.intp)
        sums = np.bincount(level, weights=strength, minlength=rows + 2 * columns)
        energy[index] = float(np.sum((sums[:-1] + sums[1:]) ** 2))
    return float(slopes[int(np.argmax(energy))])
