"""Base metal as polished or etched: its colour in each pixel."""

from __future__ import annotations

import cv2
import numpy as np

from xsect.synth.coverage import Coverage
from xsect.synth.design import SectionDesign
from xsect.synth.grains import cells, shade, twinned
from xsect.synth.look import Colour, Grains, Look
from xsect.synth.noise import Image, fractal, smooth
from xsect.synth.nugget import depth as nugget_depth


def paint(
    design: SectionDesign, cover: Coverage, look: Look, rng: np.random.Generator
) -> tuple[Image, Image]:
    """Return the colour (rows, columns, 3) of the upper and of the lower base metal, wherever they would lie."""
    upper = _etched(design, cover, look.upper, look.grains_upper, rng)
    lower = _etched(design, cover, look.lower, look.grains_lower, rng)
    if look.grains_upper is not None and look.grains_upper.grown:
        upper, lower = _grown_across(design, cover, look, upper, lower, rng)
    if look.metal_mottle:
        field = 1 + np.float32(look.metal_mottle) * fractal(cover.u.shape, cover.u.shape[1] / 25, rng)
        upper, lower = upper * field[..., None], lower * field[..., None]
    if design.nugget is not None:
        zone = _fused(design, cover, look, rng)
        upper, lower = zone(upper), zone(lower)
    return upper, lower


def _etched(
    design: SectionDesign, cover: Coverage, colour: Colour, grains: Grains | None, rng: np.random.Generator
) -> Image:
    """One part's metal: plain, or its grains pressed flat towards the faying line."""
    if grains is None:
        return np.broadcast_to(np.asarray(colour, np.float32), (*cover.u.shape, 3))
    reach = np.float32(6 * grains.size)
    pressed = np.float32(grains.flatten - 1) * reach * (1 - np.exp(-np.abs(cover.v) / reach))
    y = cover.v + np.sign(cover.v) * pressed
    labels = cells(cover.u, y, grains.size, design.um_per_px, rng)
    if grains.twins:
        labels = twinned(labels, cover.u, y, grains, rng)
    return shade(labels, grains, design.um_per_px, rng) * np.asarray(colour, np.float32)


def _grown_across(
    design: SectionDesign, cover: Coverage, look: Look, upper: Image, lower: Image, rng: np.random.Generator
) -> tuple[Image, Image]:
    """Let the boundary between the two grain structures wander off the line over a share of the bond."""
    assert look.grains_upper is not None
    size = look.grains_upper.size / design.um_per_px
    wander = smooth(cover.u.shape, 0.7 * size, rng) * np.float32(0.5 * look.grains_upper.size)
    where = smooth(cover.u.shape, 5 * size, rng) > np.float32(1.3 * (1 - 2 * look.grains_upper.grown))
    inside = np.zeros(cover.u.shape, np.float32)
    for contact in design.contacts:
        edge = np.float32(3 * look.grains_upper.size)
        inside = np.maximum(
            inside,
            np.clip((cover.u - contact.left) / edge, 0, 1) * np.clip((contact.right - cover.u) / edge, 0, 1),
        )
    upper_side = (cover.v < wander * inside * where)[..., None]
    near = (np.abs(cover.v) < 2 * look.grains_upper.size)[..., None] & (inside > 0)[..., None]
    merged = np.where(upper_side, upper, lower)
    return np.where(near, merged, upper), np.where(near, merged, lower)


def _fused(design: SectionDesign, cover: Coverage, look: Look, rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """Return a function that paints nugget and heat-affected zone over a metal colour."""
    assert design.nugget is not None
    nugget = design.nugget
    radius, angle = nugget_depth(nugget, cover.u, cover.v)
    pixel = np.float32(design.um_per_px)
    # Columns grow along the heat flow: steep, and leaning away from the middle.
    height = np.where(cover.v < nugget.centre_v, nugget.half_height_upper, nugget.half_height_lower).astype(
        np.float32
    )
    lean = np.clip((cover.u - np.float32(nugget.centre_u)) / np.float32(nugget.half_width), -1, 1)
    column = np.float32(max(0.03 * nugget.half_width, 4 * pixel))
    foot = cover.u + lean * (height - np.abs(cover.v - np.float32(nugget.centre_v))) * 0.6
    y = np.where(cover.v < nugget.centre_v, radius, 2.6 - radius) * height * np.float32(0.22)
    grains = Grains(float(column), contrast=0.07, boundary=0.35, boundary_um=0.8, tint=0.15)
    labels = cells(foot.astype(np.float32), y.astype(np.float32), grains.size, float(pixel), rng)
    texture = shade(labels, grains, float(pixel), rng)
    arms = cv2.GaussianBlur(rng.standard_normal(cover.u.shape).astype(np.float32), (0, 0), 0.8, sigmaY=4.0)
    texture = texture * (1 + np.float32(0.25) * arms)[..., None] * np.float32(look.nugget_shade)
    # Signed distance to the rim from the relative radius and its local gradient.
    gy, gx = np.gradient(radius)
    inside = np.clip(0.5 - (radius - 1) / np.maximum(np.hypot(gx, gy), 1e-6), 0, 1)[..., None]
    reach = np.float32(0.35 * nugget.half_width / np.mean([nugget.half_width, nugget.half_height_upper]))
    haze = 1 - np.float32(look.heat) * np.exp(-np.maximum(radius - 1, 0) / (0.6 * reach + 0.15))
    voids = np.zeros(cover.u.shape, np.float32)
    for u, v, a, b in nugget.voids:
        r = np.hypot((cover.u - np.float32(u)) / np.float32(a), (cover.v - np.float32(v)) / np.float32(b))
        voids = np.maximum(voids, np.clip(0.5 - (r - 1) * np.float32(min(a, b)) / pixel, 0, 1))

    def over(metal: Image) -> Image:
        base = metal.mean(axis=(0, 1)) * texture
        mixed = metal * haze[..., None] * (1 - inside) + base * inside
        return mixed * (1 - np.float32(0.93) * voids[..., None])

    return over
