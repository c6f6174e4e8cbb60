"""The nugget: its rim, a superellipse with gentle waves, and how it and the metal around it look."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from xsect.synth.design import Nugget, SectionDesign
from xsect.synth.grains import cells, shade
from xsect.synth.look import Look
from xsect.synth.noise import Image, smooth
from xsect.synth.nugget_texture import structure

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
    """Nugget and heat-affected zone, painted: (rows, columns), ``texture`` and ``grown`` (rows, columns, 3)."""

    inside: Image
    texture: Image
    haze: Image
    voids: Image
    grown: Image | None = None
    affected: Image | None = None

    @staticmethod
    def of(design: SectionDesign, u: Image, v: Image, look: Look, rng: np.random.Generator) -> Zone:
        """Paint the nugget (its structure, its rim, round voids) and the heat-affected zone about it."""
        nugget = design.nugget
        assert nugget is not None
        pixel = np.float32(design.um_per_px)
        radius = relative_radius(nugget, u, v)
        # Signed distance to the rim from the relative radius and its local gradient.
        gy, gx = np.gradient(radius)
        distance = (radius - 1) / np.maximum(np.hypot(gx, gy), 1e-6)
        inside = np.clip(0.5 - distance, 0, 1)
        broad = np.float32(0.15 + 0.25 * look.heat_reach)
        haze = 1 - np.float32(look.heat) * np.exp(-np.maximum(radius - 1, 0) / broad)
        voids = np.zeros_like(u)
        for at, up, a, b in nugget.voids:
            r = np.hypot((u - np.float32(at)) / np.float32(a), (v - np.float32(up)) / np.float32(b))
            voids = np.maximum(voids, np.clip(0.5 - (r - 1) * np.float32(min(a, b)) / pixel, 0, 1))
        texture = structure(nugget, u, v, radius, float(pixel), look, rng)
        if look.nugget_rim:
            texture = (
                texture * (1 - np.float32(look.nugget_rim) * np.exp(-((distance / 1.5) ** 2)))[..., None]
            )
        return Zone(inside, texture, haze, voids, *_grown(nugget, u, v, radius, broad, pixel, look, rng))

    @staticmethod
    def heated(design: SectionDesign, u: Image, v: Image, look: Look, rng: np.random.Generator) -> Zone:
        """Paint a heat-affected zone without a nugget: shade that fades smoothly from its middle outward."""
        assert design.heat is not None
        pixel = np.float32(design.um_per_px)
        radius = relative_radius(design.heat, u, v)
        broad = np.float32(0.7 + 0.5 * look.heat_reach)
        haze = 1 - np.float32(look.heat) * np.exp(-((radius / broad) ** 2))
        nothing = np.zeros_like(u)
        texture = np.ones((*u.shape, 3), np.float32)
        return Zone(
            nothing, texture, haze, nothing, *_grown(design.heat, u, v, radius, broad, pixel, look, rng)
        )

    def over(self, metal: Image) -> Image:
        """Lay the zone over a metal's colour (rows, columns, 3)."""
        mean = metal.mean(axis=(0, 1))
        base = mean * self.texture
        if self.grown is not None and self.affected is not None:
            share = self.affected[..., None]
            metal = metal * (1 - share) + mean * self.grown * share
        inside = self.inside[..., None]
        mixed = metal * self.haze[..., None] * (1 - inside) + base * inside
        return np.asarray(mixed * (1 - np.float32(0.93) * self.voids[..., None]), np.float32)


def _grown(
    nugget: Nugget,
    u: Image,
    v: Image,
    radius: Image,
    broad: np.float32,
    pixel: np.float32,
    look: Look,
    rng: np.random.Generator,
) -> tuple[Image, Image] | tuple[None, None]:
    """Grains that the heat has coarsened, and the share of each pixel that is one: fewer further out."""
    parent = look.grains_upper
    if not look.heat_grains or parent is None:
        return None, None
    grains = replace(parent, size=parent.size * look.heat_grains)
    grown = shade(cells(u, v, grains.size, float(pixel), rng), grains, float(pixel), rng)
    reach = np.exp(-np.maximum(radius - 1, 0) / broad)
    ragged = smooth(u.shape, grains.size / float(pixel), rng)
    return grown, np.clip((reach + np.float32(0.25) * ragged - np.float32(0.55)) * 6, 0, 1)
