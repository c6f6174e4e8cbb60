"""Base metal as polished or etched: its colour in each pixel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from xsect.synth.coverage import Coverage
from xsect.synth.design import SectionDesign
from xsect.synth.grains import Labels, cells, shade, twinned
from xsect.synth.look import Grains, Look
from xsect.synth.noise import Image, fractal, grinding_lines, smooth
from xsect.synth.nugget import Zone


def paint(
    design: SectionDesign, cover: Coverage, look: Look, rng: np.random.Generator
) -> tuple[Image, Image]:
    """Return the colour (rows, columns, 3) of the upper and of the lower metal, wherever they would lie."""
    shape = cover.u.shape
    field = np.ones((*shape, 1), np.float32)
    if look.grains_upper is not None and look.grains_lower is not None:
        field = _structure(design, cover, look, look.grains_upper, look.grains_lower, rng)
    if look.metal_mottle:
        field = field * (1 + np.float32(look.metal_mottle) * fractal(shape, shape[1] / 8, rng))[..., None]
    if look.lay:
        field = field * (1 + np.float32(look.lay) * grinding_lines(shape, rng))[..., None]
    colours = [np.asarray(colour, np.float32) * field for colour in dict.fromkeys((look.upper, look.lower))]
    if design.nugget is not None or design.heat is not None:
        make = Zone.heated if design.nugget is None else Zone.of
        zone = make(design, cover.u, cover.v, look, rng)
        colours = [zone.over(colour) for colour in colours]
    return colours[0], colours[-1]


def _structure(
    design: SectionDesign, cover: Coverage, look: Look, upper: Grains, lower: Grains, rng: np.random.Generator
) -> Image:
    """Brightness of both parts' grains, which meet at the faying line or have grown across it."""
    above = _pressed_cells(design, cover, upper, rng)
    below = _pressed_cells(design, cover, lower, rng) + int(above.max()) + 1
    size = upper.size / design.um_per_px
    inside = np.full(cover.u.shape, -np.inf, np.float32)
    for contact in design.contacts:
        inside = np.maximum(inside, np.minimum(cover.u - contact.left, contact.right - cover.u))
    side = cover.v < 0
    if upper.grown:
        # Over a share of the bond the two structures' boundary leaves the line by about half a grain.
        wander = smooth(cover.u.shape, 0.7 * size, rng) * np.float32(0.5 * upper.size)
        where = smooth((1, cover.u.shape[1]), 4 * size, rng) > np.float32(1.3 * (1 - 2 * upper.grown))
        side = cover.v < wander * where * np.clip(inside / np.float32(3 * upper.size), 0, 1)
    labels = np.where(side, above, below)
    outside = (inside < 0) & (np.abs(cover.v) < 2 * design.um_per_px)
    return shade(labels, upper, design.um_per_px, rng, quiet=outside)


def _pressed_cells(
    design: SectionDesign, cover: Coverage, grains: Grains, rng: np.random.Generator
) -> Labels:
    """Grains of one part, pressed flat towards the faying line, with twins."""
    reach = np.float32(6 * grains.size)
    pressed = np.float32(grains.flatten - 1) * reach * (1 - np.exp(-np.abs(cover.v) / reach))
    y = np.asarray(cover.v + np.sign(cover.v) * pressed, np.float32)
    labels = cells(cover.u, y, grains.size, design.um_per_px, rng)
    return twinned(labels, cover.u, y, grains, rng) if grains.twins else labels


def traces(
    design: SectionDesign,
    thickness: NDArray[np.float64],
    line: NDArray[np.float64],
    u: NDArray[np.float64],
    cover: Coverage,
) -> Image:
    """Return each pixel's share of a dark line of ``thickness`` (µm) about ``line``, tables over ``u``."""
    index = np.clip(np.rint((cover.u - u[0]) / (u[1] - u[0])).astype(np.int32), 0, len(u) - 1)
    half = (thickness / 2 / design.um_per_px).astype(np.float32)[index]
    offset = (cover.v - line.astype(np.float32)[index]) / np.float32(design.um_per_px)
    share = np.clip(0.5 + half - offset, 0, 1) - np.clip(0.5 - half - offset, 0, 1)
    return np.asarray(share, np.float32)
