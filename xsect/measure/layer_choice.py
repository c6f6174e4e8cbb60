"""Which stretch of a picture is the layer: the steadiest of several, and one of two that lie on each other."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.pixel_types import Pixels
from xsect.locate.band import Band, find_band
from xsect.locate.layer_profile import LayerProfile, read_layer
from xsect.reasons import Refusal

COARSE = 400_000
"""Pixels of the copy in which other stretches are looked for."""

STEADIER = 0.8
"""How much steadier than the first another stretch must be to be taken instead."""

FITTED = 0.25
"""Share of the readings of a steadier stretch whose edges must be steps."""

INSIDE_STEP = 0.2
"""Step inside the layer, of the largest step at its edges, that is another boundary."""


def find_steadiest(pixels: Pixels, burned_in: NDArray[np.bool_] | None, first: Band) -> Band | None:
    """Return the layer whose thickness wanders least for its size, where it is steadier than ``first``; else None.

    Beside porous or grainy neighbours the stretch that stands out most need not be the layer: it is looked for at
    other depths, in a copy of the picture of about half a megapixel.
    """
    step = max(1, round(math.sqrt(pixels.shape[0] * pixels.shape[1] / COARSE)))
    size = pixels.shape[1] // step, pixels.shape[0] // step
    coarse: Any = pixels if step == 1 else cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    hidden = None if burned_in is None else burned_in[::step, ::step][: coarse.shape[0], : coarse.shape[1]]
    middle = len(first.strip.points) // 2
    origin, across = first.strip.points[middle], first.strip.normals[middle]
    reach = max(pixels.shape[:2])
    rows = (first.upper + first.lower)[middle] / 2 - first.strip.half
    taken = [(rows - np.mean(first.lower - first.upper) / 2, rows + np.mean(first.lower - first.upper) / 2)]
    best, steadiest = wander(first) * STEADIER, None
    for depth in np.arange(-reach, reach, reach / 16):
        x, y = origin + depth * across
        inside = 0 < x < pixels.shape[1] - 1 and 0 < y < pixels.shape[0] - 1
        if not inside or any(top < depth < bottom for top, bottom in taken):
            continue
        try:
            found = find_band(coarse, hidden, at=((x + 0.5) / step - 0.5, (y + 0.5) / step - 0.5))
        except Refusal:
            continue
        half = step * float(np.mean(found.lower - found.upper)) / 2
        taken.append((depth - half / 2, depth + half))
        if wander(found) < best:
            at = len(found.strip.points) // 2
            place = found.strip.place(at, (found.upper + found.lower)[at] / 2 - found.strip.half)
            best, steadiest = wander(found), ((place[0] + 0.5) * step - 0.5, (place[1] + 0.5) * step - 0.5)
    if steadiest is None:
        return None
    band = find_band(pixels, burned_in, at=steadiest)
    return band if float(read_layer(band).fitted.mean()) > FITTED else None


def wander(band: Band) -> float:
    """Return the standard deviation of the borders' distance over its mean."""
    distance = band.lower - band.upper
    return float(np.std(distance)) / max(float(np.mean(distance)), 1.0)


def boundary_inside(band: Band, profile: LayerProfile) -> float | None:
    """Return how deep below the layer's upper edge, in px, another boundary runs all along inside it, else None.

    Two layers measured as one look like this: the rows between the edges, each averaged along the layer at the same
    share of its thickness, fall into two even stretches.
    """
    thick = float(np.median(profile.thickness))
    margin = 3 * (profile.blur if math.isfinite(profile.blur) else 2.0) + 1
    # places that are not known to a pixel would smear any boundary
    if thick < 2 * margin + 8 or float(profile.fitted.mean()) < 0.7:
        return None
    values = band.strip.values.reshape(*band.strip.values.shape[:2], -1)
    share = np.linspace(margin / thick, 1 - margin / thick, int(thick - 2 * margin))
    rows = np.rint(profile.upper[None, :] + share[:, None] * profile.thickness[None, :]).astype(int)
    columns = np.rint(profile.station).astype(int)[None, :]
    inside = values[np.clip(rows, 0, values.shape[0] - 1), columns].astype(np.float64)
    course = np.median(inside, axis=1)
    cuts = range(3, len(course) - 2)
    k = min(cuts, key=lambda cut: float(sum(_away(part).sum() for part in (course[:cut], course[cut:]))))
    step = float(np.abs(np.median(course[k:], axis=0) - np.median(course[:k], axis=0)).max())
    rough = float(np.concatenate([_away(course[:k]), _away(course[k:])]).mean())
    edges = float(np.abs(np.diff(profile.levels, axis=0)).max())
    return float(share[k]) * thick if step > max(INSIDE_STEP * edges, 6 * rough) else None


def _away(course: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.abs(course - np.median(course, axis=0)))


def part_of(band: Band, depth: float, at: tuple[float, float]) -> Band:
    """Return the part of a layer above or below a boundary ``depth`` px inside it, the one that holds ``at``."""
    nearest = int(np.argmin(np.hypot(*(band.strip.points - at).T)))
    row = float((np.asarray(at) - band.strip.points[nearest]) @ band.strip.normals[nearest]) + band.strip.half
    between = band.upper + depth / float(np.median(band.lower - band.upper)) * (band.lower - band.upper)
    if row < between[nearest]:
        return replace(band, lower=np.maximum(between, band.upper + 1))
    return replace(band, upper=np.minimum(between, band.lower - 1))
