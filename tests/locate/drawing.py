"""Sections drawn in closed form: parts are bounded by signed distances, a pixel's coverage is 0.5 - distance.

Nothing here comes from the package's own drawings: a mistake there must not hide one in the measurement. Two
parts never overlap, so their coverages add up exactly, also where they touch or the gap is thinner than a px.

The section's own axes: ``u`` along the faying line from its middle, ``v`` downwards from the lower part's
facing surface. The upper part's facing surface lies ``apart(u)`` above it.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.capture.scale import Scale
from xsect.pipeline import SectionResult, measure_micrograph
from xsect.quantities import Measurement

Floats = NDArray[np.float64]
Level = tuple[float, ...]

MOUNT, COPPER, TIN = (0.14, 0.15, 0.16), (0.80, 0.58, 0.46), (0.80, 0.80, 0.82)


@dataclass(frozen=True)
class Drawing:
    """One section in px. Levels are of full scale, one a channel.

    ``bonds``: (left, right) notches along the line; from each the gap opens by ``slope`` px a px, up to
    ``standoff``; with ``arc`` it bends on with that radius, as beside a rounded projection. ``voids``:
    (left, right, opening) inside bonds, with square ends. ``plating``: thickness on each facing surface;
    the bonds are then where base metals touch, and at least ``filled`` px beyond each notch hold expelled
    plating from surface to surface. ``film``: (left, right, thickness) of plating inside a bond.
    ``ends_upper``, ``ends_lower``: where the parts end along the line. ``size``: (rows, columns).
    ``centre``: (x, y) of the middle of the line against the middle of the picture. ``blur``: standard
    deviation in px; ``noise``: of full scale.
    """

    bonds: tuple[tuple[float, float], ...] = ((-100.0, 100.0),)
    slope: float = 0.12
    standoff: float = 24.0
    arc: float = 0.0
    flanks: tuple[float, float] | None = None
    voids: tuple[tuple[float, float, float], ...] = ()
    film: tuple[tuple[float, float, float], ...] = ()
    plating: float = 0.0
    filled: float = 0.0
    upper: float = 110.0
    lower: float = 110.0
    ends_upper: tuple[float, float] = (-math.inf, math.inf)
    ends_lower: tuple[float, float] = (-math.inf, math.inf)
    size: tuple[int, int] = (320, 720)
    centre: tuple[float, float] = (0.0, 0.0)
    tilt_deg: float = 0.0
    mount: Level = (0.15,)
    metal: Level = (0.75,)
    tin: Level = TIN
    blur: float = 1.0
    noise: float = 0.004
    bits: int = 8

    def apart(self, u: Floats) -> Floats:
        """Distance between the base metals."""
        outside = np.clip(self._outside(u), 0, None)
        rise = self.slope * outside + (outside**2 / (2 * self.arc) if self.arc else 0)
        if self.flanks:
            rise = np.minimum(rise, self.flanks[1] * np.clip(np.abs(u) - self.flanks[0], 0, None))
        out = np.minimum(rise, self.standoff + 2 * self.plating)
        for left, right, height in (*self.voids, *self.film):
            out = np.where((u > left) & (u < right), height, out)
        return out

    def gap(self, u: Floats) -> Floats:
        """Open part of the distance: what neither metal nor plating fills."""
        if not self.plating:
            return self.apart(u)
        return np.where(self._outside(u) > self.filled, np.clip(self.apart(u) - 2 * self.plating, 0, None), 0)

    def _outside(self, u: Floats) -> Floats:
        """Distance from the nearest bond, negative inside it; far where there is none."""
        if not self.bonds:
            return np.full(u.shape, 1e6)
        return np.asarray(np.min([np.maximum(left - u, u - right) for left, right in self.bonds], axis=0))

    def notches(self) -> list[tuple[tuple[float, float], tuple[float, float]]]:
        """(x, y) in the picture of the left and the right notch of each bond."""
        c, s = math.cos(math.radians(self.tilt_deg)), math.sin(math.radians(self.tilt_deg))
        x, y = self._middle()
        return [((x + a * c, y + a * s), (x + b * c, y + b * s)) for a, b in self.bonds]

    def _middle(self) -> tuple[float, float]:
        rows, columns = self.size
        return (columns - 1) / 2 + self.centre[0], (rows - 1) / 2 + self.centre[1]

    def ideal(self) -> Floats:
        """Levels (rows, columns, channels) of a perfect picture: no blur, no noise."""
        rows, columns = self.size
        x0, y0 = self._middle()
        y, x = np.mgrid[0:rows, 0:columns].astype(float)
        c, s = math.cos(math.radians(self.tilt_deg)), math.sin(math.radians(self.tilt_deg))
        u, v = (x - x0) * c + (y - y0) * s, (y - y0) * c - (x - x0) * s
        apart, gap = self.apart(u), self.gap(u)
        film = (apart - gap) / 2
        below = _covers(v - self.lower) * _between(u, self.ends_lower)
        above = _covers(-v - apart - self.upper) * _between(u, self.ends_upper)
        lower_face, upper_face = _covers(-v), _covers(v + apart)
        out = np.ones((rows, columns, 1)) * np.asarray(self.mount)
        out += (lower_face * below + upper_face * above)[..., None] * (np.asarray(self.metal) - self.mount)
        if self.plating or self.film:
            # from the base metal's surface to the layer's: the difference of two half-planes
            on_lower = (_covers(-v - film) - lower_face) * below
            on_upper = (_covers(v + apart - film) - upper_face) * above
            out += (on_lower + on_upper)[..., None] * (np.asarray(self.tin) - self.mount)
        return out

    def pixels(self, seed: int = 0) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """The picture, (rows, columns) or (rows, columns, 3)."""
        out = gaussian_filter(self.ideal(), (self.blur, self.blur, 0))
        out += np.random.default_rng(seed).normal(0, self.noise, out.shape)
        full = 2**self.bits - 1
        out = np.clip(np.rint(out * full), 0, full).astype(np.uint8 if self.bits == 8 else np.uint16)
        return out[..., 0] if out.shape[2] == 1 else out

    def micrograph(self, seed: int = 0, **options: Any) -> Micrograph:
        """The picture with its scale."""
        return micrograph(self.pixels(seed), **options)


def _covers(distance: Floats) -> Floats:
    """Share of each pixel that lies where the signed distance is negative."""
    return np.clip(0.5 - distance, 0, 1)


def _between(u: Floats, ends: tuple[float, float]) -> Floats:
    return _covers(ends[0] - u) * _covers(u - ends[1])


def micrograph(
    pixels: NDArray[np.uint8] | NDArray[np.uint16], *, um_per_px: float = 1.0, u_relative: float = 0.001
) -> Micrograph:
    """A picture of square pixels with a stated scale."""
    return Micrograph(pixels, Scale(um_per_px, um_per_px, u_relative, "lot sheet"), "0" * 64)


def sheet_row(**columns: Any) -> SheetRow:
    """A lot sheet's row."""
    return SheetRow(2, "s1", Path("s1.png"), "s1.png", **columns)


@functools.cache
def result_of(drawing: Drawing, *, seed: int = 0, turned: bool = False, **columns: Any) -> SectionResult:
    """Measure a drawing at 1 µm/px; ``turned``: the picture transposed; ``columns``: of the lot sheet's
    row.
    """
    pixels = drawing.pixels(seed)
    picture = micrograph(np.ascontiguousarray(pixels.swapaxes(0, 1)) if turned else pixels)
    return measure_micrograph(picture, sheet_row(**columns))


def find(result: SectionResult, quantity: str, segment: int | None = None) -> Measurement:
    """The measurement of a quantity."""
    (one,) = (m for m in result.measurements if m.quantity == quantity and m.segment == segment)
    return one


def codes(result: SectionResult) -> set[str]:
    """Codes of a result's findings."""
    return {finding.code for finding in result.findings}
