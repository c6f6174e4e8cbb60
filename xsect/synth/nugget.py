"""The nugget: its rim, a superellipse with gentle waves, and how it and the metal around it look."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.synth.design import Nugget, SectionDesign
from xsect.synth.grains import cells, shade
from xsect.synth.look import Grains, Look
from xsect.synth.noise import Image

Floats = NDArray[np.float64]


def outline(nugget: Nugget, points: int = 7200) -> tuple[Floats, Floats]:
    """Return the rim as (u, v), each (points,), µm."""
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    c, s = np.cos(angle), np.sin(angle)
    height = np.where(s < 0, nugget.half_height_upper, nugget.half_height_lower)
    p = nugget.squareness
    radius = _rim(nugget, angle) / (np.abs(c) ** p + np.abs(s) ** p) ** (1 / p)
    return nugget.centre_u + nugget.half_width * radius * c, nugget.centre_v + height * radius * s


def relative_radius(nugget: Nugget, u: Image, v: Image) -> Image:
    """Return how far places of the weld frame lie from the nugget's centre: 1 on the rim."""
    x = (u - np.float32(nugget.centre_u)) / np.float32(nugget.half_width)
    y = v - np.float32(nugget.centre_v)
    y = np.where(y < 0, y / np.float32(nugget.half_height_upper), y / np.float32(nugget.half_height_lower))
    p = np.float32(nugget.squareness)
    radius = (np.abs(x) ** p + np.abs(y) ** p) ** (1 / p)
    return np.asarray(radius / _rim(nugget, np.arctan2(y, x)), np.float32)


def _rim(nugget: Nugget, angle: NDArray[np.floating]) -> NDArray[np.floating]:
    """Radius factor of the rim at an angle: 1 plus its waves (order, relative amplitude, phase)."""
    waves = [a * np.cos(n * angle + phase) for n, a, phase in nugget.rim_waves]
    return 1 + sum(waves, np.zeros_like(angle))


@dataclass(frozen=True)
class Zone:
    """Nugget and heat-affected zone, painted: each (rows, columns) except ``texture`` (rows, columns, 3)."""

    inside: Image
    texture: Image
    haze: Image
    voids: Image

    @staticmethod
    def of(design: SectionDesign, u: Image, v: Image, look: Look, rng: np.random.Generator) -> Zone:
        """Paint the nugget: columnar grains from rim to mid-plane, dendrite arms, round voids."""
        nugget = design.nugget
        assert nugget is not None
        pixel = np.float32(design.um_per_px)
        radius = relative_radius(nugget, u, v)
        # Signed distance to the rim from the relative radius and its local gradient.
        gy, gx = np.gradient(radius)
        inside = np.clip(0.5 - (radius - 1) / np.maximum(np.hypot(gx, gy), 1e-6), 0, 1)
        broad = np.float32(0.15 + 0.25 * look.heat_reach)
        haze = 1 - np.float32(look.heat) * np.exp(-np.maximum(radius - 1, 0) / broad)
        voids = np.zeros_like(u)
        for at, up, a, b in nugget.voids:
            r = np.hypot((u - np.float32(at)) / np.float32(a), (v - np.float32(up)) / np.float32(b))
            voids = np.maximum(voids, np.clip(0.5 - (r - 1) * np.float32(min(a, b)) / pixel, 0, 1))
        return Zone(inside, _columns(nugget, u, v, radius, float(pixel), look, rng), haze, voids)

    def over(self, metal: Image) -> Image:
        """Lay the zone over a metal's colour (rows, columns, 3)."""
        base = metal.mean(axis=(0, 1)) * self.texture
        inside = self.inside[..., None]
        mixed = metal * self.haze[..., None] * (1 - inside) + base * inside
        return np.asarray(mixed * (1 - np.float32(0.93) * self.voids[..., None]), np.float32)


def _columns(
    nugget: Nugget, u: Image, v: Image, radius: Image, pixel: float, look: Look, rng: np.random.Generator
) -> Image:
    """Columns grown along the heat flow: steep in the middle, leaning towards the rim at the ends."""
    upper = v < np.float32(nugget.centre_v)
    height = np.where(upper, nugget.half_height_upper, nugget.half_height_lower).astype(np.float32)
    lean = np.clip((u - np.float32(nugget.centre_u)) / np.float32(nugget.half_width), -1, 1)
    foot = u + lean * (height - np.abs(v - np.float32(nugget.centre_v))) * np.float32(0.6)
    # Upper and lower columns are different grains: they meet at mid-plane and do not run through.
    along = np.where(upper, radius, np.float32(2.6) - radius) * height * np.float32(0.22)
    grains = Grains(max(0.03 * nugget.half_width, 4 * pixel), contrast=0.07, boundary=0.35, tint=0.15)
    labels = cells(foot, along, grains.size, pixel, rng)
    arms = cv2.GaussianBlur(rng.standard_normal(u.shape, dtype=np.float32), (0, 0), 0.8, sigmaY=4.0)
    texture = shade(labels, grains, pixel, rng) * (1 + np.float32(0.25) * arms)[..., None]
    return texture * np.float32(look.nugget_shade)
