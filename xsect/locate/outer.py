"""Outer contour: where each part's outer face lies along the faying line, to a fraction of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.micrograph import Micrograph
from xsect.locate.parts import turn
from xsect.locate.section import Located
from xsect.locate.tone import luminance, project

PITCH = 3
"""Stations from one place at which the face is read to the next."""

BEYOND = 2
"""Stands in the metal's mask for what lies outside the picture."""

Places = NDArray[np.float64]


@dataclass(frozen=True)
class OuterFace:
    """One part's outer face: ``stations`` (k,) it was read at, ``points`` (k, 2) = (x, y) px of the turned picture.

    ``points`` are NaN where the face lies outside the picture, under marks, or shows no step of brightness.
    """

    stations: NDArray[np.intp]
    points: Places


def read_outer(located: Located, micrograph: Micrograph, sign: int) -> OuterFace:
    """Read the outer face of the upper part (``sign`` -1) or the lower one (+1) along the line's normals."""
    parts, strip = located.parts, located.strip
    stations = np.arange(0, len(strip.points), PITCH)
    base, normal = strip.points[stations], sign * strip.normals[stations]
    step, (rows, columns) = parts.step, parts.metal.shape
    facing = located.surfaces.centre[stations] * sign + located.surfaces.thickness[stations] / 2
    along = facing[:, None] + 4 * step + np.arange(0, math.hypot(rows, columns))[None, :] * step
    begin = ((base + 0.5) / step - 0.5).astype(np.float32)
    climb = (normal / step).astype(np.float32)
    x, y = (begin[:, i, None] + along.astype(np.float32) * climb[:, i, None] for i in (0, 1))
    looked = cv2.remap(
        parts.metal.astype(np.uint8), x, y, cv2.INTER_NEAREST,
        borderMode=cv2.BORDER_CONSTANT, borderValue=BEYOND,
    )  # fmt: skip
    outside, inside = looked == 0, looked != BEYOND
    # a pore or a crack is no outer face: what lies outside stays outside for a while
    lasting = outside & np.roll(outside, -2, axis=1) & np.roll(outside, -4, axis=1)
    first = np.argmax(lasting, axis=1)
    at = np.arange(stations.size)
    seen = lasting.any(axis=1) & inside[at, np.minimum(first + 2, along.shape[1] - 1)]
    rough = along[at, first]
    edge = _sharpen(located, micrograph, base, normal, np.where(seen, rough, 0.0))
    return OuterFace(stations, base + np.where(seen, edge, np.nan)[:, None] * normal)


def _sharpen(located: Located, micrograph: Micrograph, base: Places, normal: Places, rough: Places) -> Places:
    """Return the distances at which the tone, integrated across the edge, puts a sharp step; NaN without a step."""
    pixels = turn(micrograph.pixels, located.parts.turned)
    reach = 10 + 3 * max(located.gap.blur, 1.0) + 2 * located.parts.step
    offsets = np.arange(-reach, reach + 0.25, 0.5)
    at = rough[:, None] + offsets
    map_x = (base[:, :1] + at * normal[:, :1]).astype(np.float32)
    map_y = (base[:, 1:] + at * normal[:, 1:]).astype(np.float32)
    values = np.asarray(
        cv2.remap(pixels, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32
    ) / np.float32(np.iinfo(pixels.dtype).max)
    tone = luminance(values) if located.parts.weights is None else project(values, located.parts.weights)
    fifth = offsets.size // 5
    metal, mount = np.median(tone[:, :fifth], axis=1), np.median(tone[:, -fifth:], axis=1)
    contrast = metal - mount
    share = np.clip((tone - mount[:, None]) / np.maximum(contrast, 1e-3)[:, None], -0.2, 1.2)
    edge = at[:, 0] - 0.25 + share.sum(axis=1) * 0.5
    rows, columns = pixels.shape[:2]
    in_view = (map_x.min(axis=1) >= 0) & (map_x.max(axis=1) <= columns - 1)
    in_view &= (map_y.min(axis=1) >= 0) & (map_y.max(axis=1) <= rows - 1)
    typical = located.parts.metal_tone - located.parts.mount_tone
    return np.where((contrast > 0.3 * typical) & in_view, edge, np.nan)
