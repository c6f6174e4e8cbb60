"""Thickness of each part as imaged, from its facing surface to its outer contour: a check on scale and cut."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.micrograph import Micrograph
from xsect.locate.parts import turn
from xsect.locate.section import Located
from xsect.locate.tone import luminance, project
from xsect.measure.standoff import Level
from xsect.quantities import Component, Measurement, measured, not_measured

RAYS = 60
"""Number of places at which a thickness is read."""

FEWEST = 8
"""Fewest readings that make a value."""

STEEPEST = 0.35
"""Slope of the outer surface against the faying line from which it is taken for an end face."""

NEIGHBOURS = 10
"""Neighbouring readings that are as good as one, for they share grains, dirt and blur."""

EDGE_PX = 0.7
"""Standard uncertainty in px of a thickness from the reference levels of its two edges."""


def measure_thickness(located: Located, micrograph: Micrograph, levels: list[Level]) -> list[Measurement]:
    """Measure upper and lower thickness along the line's normals beside the projection, plating included."""
    stations = [place for level in levels for place in range(level.first, level.last + 1)]
    if not stations:
        why = "the gap is not level anywhere in the picture"
        return [not_measured("upper_thickness", why), not_measured("lower_thickness", why)]
    chosen = np.array(stations)[np.linspace(0, len(stations) - 1, min(RAYS, len(stations))).astype(int)]
    pixels = turn(micrograph.pixels, located.parts.turned)
    out = []
    for name, sign in (("upper_thickness", -1), ("lower_thickness", 1)):
        readings = _readings(located, pixels, chosen, sign)
        out.append(_result(name, readings, micrograph.scale.um_per_px, micrograph.scale.u_relative))
    return out


def _result(name: str, readings: NDArray[np.float64], um_per_px: float, u_scale: float) -> Measurement:
    if readings.size < FEWEST:
        return not_measured(name, "the part's outer surface is not in the picture beside the projection")
    value = float(np.median(readings)) * um_per_px
    spread = 1.4826 * float(np.median(np.abs(readings - np.median(readings)))) * um_per_px
    independent = max(readings.size / NEIGHBOURS, 1)
    parts = (
        Component("readings", spread / math.sqrt(independent), max(independent - 1, 1)),
        Component("edges", EDGE_PX * um_per_px),
        Component("scale", u_scale * value),
    )
    return measured(name, value, parts, method="distance along the normal, median")


def _readings(
    located: Located, pixels: NDArray[np.uint8] | NDArray[np.uint16], chosen: NDArray[np.intp], sign: int
) -> NDArray[np.float64]:
    """Return the thickness in px at each chosen station whose outer edge is in the picture."""
    parts, strip = located.parts, located.strip
    base = strip.points[chosen]
    normal = sign * strip.normals[chosen]
    facing = located.surfaces.centre[chosen] * sign + located.surfaces.thickness[chosen] / 2
    step, rows, columns = parts.step, *parts.metal.shape
    reach = np.arange(0, math.hypot(rows, columns))[None, :] * step
    along = facing[:, None] + 3 * step + reach
    x = (base[:, :1] + along * normal[:, :1] + 0.5) / step - 0.5
    y = (base[:, 1:] + along * normal[:, 1:] + 0.5) / step - 0.5
    inside = (x >= 0) & (x <= columns - 1) & (y >= 0) & (y <= rows - 1)
    row = np.clip(np.rint(y), 0, rows - 1).astype(int)
    column = np.clip(np.rint(x), 0, columns - 1).astype(int)
    # a surface behind a data bar is not in view, and the bar's own edge is none
    inside &= cv2.erode(parts.known.astype(np.uint8), np.ones((9, 9), np.uint8))[row, column] > 0
    metal = parts.metal[row, column]
    leaves = inside & ~metal
    first = np.argmax(leaves, axis=1)
    seen = leaves.any(axis=1)
    seen &= ~np.array([(~row[: stop + 1]).any() for row, stop in zip(inside, first, strict=True)])
    rough = along[np.arange(chosen.size), first]
    if seen.sum() > 1:
        # a ray that leaves through the part's end face, or beside one that does, has met no outer surface
        slope = np.gradient(rough[seen], chosen[seen].astype(float))
        seen[seen] = np.abs(slope) < STEEPEST
    if not seen.any():
        return np.empty(0)
    outer = _sharpen(located, pixels, base[seen], normal[seen], rough[seen])
    readings = outer - facing[seen]
    return np.asarray(readings[np.isfinite(readings) & (readings > 8)])


def _sharpen(
    located: Located,
    pixels: NDArray[np.uint8] | NDArray[np.uint16],
    base: NDArray[np.float64],
    normal: NDArray[np.float64],
    rough: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the outer edges to sub-pixel: where the tone, integrated across the edge, puts a sharp step."""
    reach = 14 + 6 * located.gap.blur + 2 * located.parts.step
    offsets = np.arange(-reach, reach + 0.25, 0.5)
    at = rough[:, None] + offsets
    map_x = (base[:, :1] + at * normal[:, :1]).astype(np.float32)
    map_y = (base[:, 1:] + at * normal[:, 1:]).astype(np.float32)
    values = np.asarray(
        cv2.remap(pixels.astype(np.float32), map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        / np.iinfo(pixels.dtype).max,
        dtype=np.float32,
    )
    tone = luminance(values) if located.parts.weights is None else project(values, located.parts.weights)
    quarter = offsets.size // 5
    metal = np.median(tone[:, :quarter], axis=1)
    mount = np.median(tone[:, -quarter:], axis=1)
    contrast = metal - mount
    share = np.clip((tone - mount[:, None]) / np.maximum(contrast, 1e-3)[:, None], -0.2, 1.2)
    edge = at[:, 0] - 0.25 + share.sum(axis=1) * 0.5
    typical = located.parts.metal_tone - located.parts.mount_tone
    return np.where(contrast > 0.3 * typical, edge, np.nan)
