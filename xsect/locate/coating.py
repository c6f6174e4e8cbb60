"""Coating: which coarse pixels of a plated section are plating, so that tin is not taken for base metal."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.locate.tone import Floats, blurred, luminance, project, some

RIM = (1, 6)
"""Coarse px inside the metal's border between which plating shows: past the edge's blur, before the base metal."""

SURFACE, SLIM = 8, 15
"""Coarse px from the metal's border up to which all that looks like plating may be it; along the parts, px that it must
cover beyond."""

ODD = 4.0
"""How many spreads of the base metal a pixel must differ by to be something else."""

BLOTCH = 3.0
"""Spreads of the base metal below which its own blotches and grains would be painted."""


def find_coating(
    coarse: Floats,
    relative: Floats,
    metal: NDArray[np.bool_],
    known: NDArray[np.bool_],
    mount: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Return the mask (rows, columns) of plating; empty where none can be told from the base metal.

    ``coarse``: grey or (rows, columns, 3) copy; ``relative``: its tone with base metal at 1; ``mount``: level of the
    mount in each channel. Plating lies on surfaces, so its look is learned at the metal's border.
    """
    feature = _feature(coarse, relative, metal & known, mount)
    away = np.sqrt(project(feature * feature, np.ones(3)) if coarse.ndim == 3 else feature[:, :, 0] ** 2)
    border = (~metal).astype(np.uint8)
    rim = _grown(border, RIM[1]) & ~_grown(border, RIM[0]) & metal & known
    odd = metal & known & (away > ODD)
    empty = np.zeros_like(metal)
    on_rim = odd & rim
    if coarse.ndim == 2:
        # a blurred edge is darker than the metal without any plating: what is brighter says more
        bright = on_rim & (feature[:, :, 0] > 0)
        if bright.sum() > max(40, 0.04 * rim.sum()):
            on_rim = odd = bright
    seeds = on_rim if on_rim.sum() > max(40, 0.08 * rim.sum()) else _drop_specks(odd, 60)
    if seeds.sum() < 40:
        return empty
    look = np.median(feature[seeds], axis=0)
    size = float(np.linalg.norm(look))
    if size < ODD:
        return empty
    along = feature @ (look / size)
    across = np.sqrt(np.clip(away**2 - along**2, 0, None))
    coating = metal & known & (along > max(0.5 * size, BLOTCH)) & (across < 0.7 * size)
    coating = _drop_blotches(coating, border)
    return coating if coating.sum() < 0.35 * metal.sum() else empty


def _feature(
    coarse: Floats, relative: Floats, metal: NDArray[np.bool_], mount: NDArray[np.float64]
) -> Floats:
    """Return (rows, columns, k) difference from the base metal in units of its spread: hue, or grey level."""
    if coarse.ndim == 3:
        light = blurred(np.maximum(_each_channel(coarse, offset=-mount), np.float32(1e-3)), 1.0)
        ratio = _each_channel(light, factor=1 / np.median(some(light, metal), axis=0))
        hue = np.asarray(cv2.divide(ratio, cv2.merge([luminance(ratio)] * 3)), np.float32)
        difference = _each_channel(hue, offset=-np.median(some(hue, metal), axis=0))
    else:
        difference = blurred(relative, 1.0)[:, :, None]
        difference = difference - np.median(some(difference, metal), axis=0)
    spread = 1.4826 * np.median(np.abs(some(difference, metal)), axis=0)
    return np.asarray(difference / np.float32(max(spread.max(), 0.012)), dtype=np.float32)


def _each_channel(
    image: Floats, *, factor: NDArray[np.floating] | None = None, offset: NDArray[np.floating] | None = None
) -> Floats:
    """Return ``factor * image + offset``, both (3,); plain arithmetic takes ten times as long over three channels."""
    matrix = np.zeros((3, 4), np.float32)
    matrix[:, :3] = np.diag(np.ones(3) if factor is None else factor)
    matrix[:, 3] = 0 if offset is None else offset
    return np.asarray(cv2.transform(image, matrix), np.float32)


def _grown(mask: NDArray[np.uint8], reach: int) -> NDArray[np.bool_]:
    return cv2.dilate(
        mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    ).astype(bool)


def _drop_blotches(coating: NDArray[np.bool_], border: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Keep what lies on a surface, or is a layer caught in the joint.

    Such a layer is long and slim, unlike a grain or a stain, and runs along the parts, unlike most scratches.
    """
    flags = coating.astype(np.uint8)
    # a scratch that runs into the metal from a surface is slim along the parts
    flags &= _grown(border, SURFACE) | (
        cv2.morphologyEx(flags, cv2.MORPH_OPEN, np.ones((1, SLIM), np.uint8)) > 0
    )
    count, labels, stats, _ = cv2.connectedComponentsWithStats(flags, connectivity=8)
    on_surface = np.zeros(count, bool)
    on_surface[np.unique(labels[_grown(border, 4)])] = True
    width, height, area = (stats[:, key] for key in (cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT, cv2.CC_STAT_AREA))
    caught = (width > 25) & (width > 1.6 * height) & (width**2 > 4 * area)
    keep = (area >= 25) & (on_surface | caught)
    keep[0] = False
    return np.asarray(keep[labels])


def _drop_specks(mask: NDArray[np.bool_], smallest: int) -> NDArray[np.bool_]:
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    keep = stats[:, cv2.CC_STAT_AREA] >= smallest
    keep[0] = False
    return np.asarray(keep[labels])
