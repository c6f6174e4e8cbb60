"""What preparation leaves in a picture: scratches, pits, comet tails, stains, bubbles, glints, shrinkage
gaps."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.synth.coverage import Coverage, to_picture
from xsect.synth.design import SectionDesign
from xsect.synth.look import Look
from xsect.synth.noise import Image, fractal, smooth

_SHIFT = 4
"""cv2 draws with 1/16 px positions."""


def scratches(shape: tuple[int, int], look: Look, tilt_deg: float, rng: np.random.Generator) -> Image:
    """Return a factor (rows, columns) below 1 on polishing scratches in one or two directions."""
    dark = np.zeros(shape, np.float32)
    main = rng.uniform(0, 180, 2)
    for i in range(look.scratches + look.scratches_along):
        along = i >= look.scratches
        angle = math.radians((tilt_deg if along else main[i % 2]) + rng.normal(0, 1.5))
        _streak(dark, rng.uniform(0, 1, 2) * shape[::-1], angle, rng.uniform(0.1, 0.9) * shape[1], rng)
    return 1 - np.clip(dark, -0.3, 0.7)


def _streak(
    dark: Image, centre: NDArray[np.float64], angle: float, length: float, rng: np.random.Generator
) -> None:
    """Add one scratch: a bent line one or two pixels wide, dark or now and then bright."""
    half = np.array([math.cos(angle), math.sin(angle)]) * length / 2
    bend = np.array([-half[1], half[0]]) * rng.normal(0, 0.02)
    points = np.array([centre - half, centre + bend, centre + half])
    mask = np.zeros(dark.shape, np.uint8)
    cv2.polylines(mask, [np.rint(points * 2**_SHIFT).astype(np.int32)], False, 255, 1, cv2.LINE_AA, _SHIFT)
    y0, x0 = np.maximum(points.min(axis=0)[::-1].astype(int) - 3, 0)
    y1, x1 = points.max(axis=0)[::-1].astype(int) + 4
    part = mask[y0:y1, x0:x1].astype(np.float32) / 255
    if part.size:
        dark[y0:y1, x0:x1] += part * np.float32(
            rng.choice([-0.5, 1.0], p=[0.25, 0.75]) * rng.uniform(0.06, 0.30)
        )


def pits(shape: tuple[int, int], look: Look, rng: np.random.Generator) -> Image:
    """Return a factor below 1 on small pits and inclusions, some with a comet tail."""
    dark = np.zeros(shape, np.float32)
    tail = rng.uniform(0, 2 * math.pi)
    for i in range(look.pits + look.comets):
        x, y = rng.uniform(0, 1, 2) * shape[::-1]
        radius = rng.uniform(0.6, 2.2) if i < look.pits else rng.uniform(1.2, 3.0)
        if i >= look.pits:
            for k in range(14):
                _spot(
                    dark,
                    x + 2.2 * k * math.cos(tail),
                    y + 2.2 * k * math.sin(tail),
                    radius,
                    0.3 * (1 - k / 14),
                )
        _spot(dark, x, y, radius, rng.uniform(0.4, 0.95))
    return 1 - np.clip(dark, 0, 0.95)


def _spot(image: Image, x: float, y: float, radius: float, strength: float) -> None:
    """Add a soft-edged disc to ``image`` in place."""
    reach = int(radius + 2)
    x0, y0 = max(int(x) - reach, 0), max(int(y) - reach, 0)
    part = image[y0 : int(y) + reach + 1, x0 : int(x) + reach + 1]
    if part.size:
        yy, xx = np.ogrid[y0 : y0 + part.shape[0], x0 : x0 + part.shape[1]]
        disc = np.clip(radius + 0.5 - np.hypot(xx - x, yy - y), 0, 1)
        part += (strength * disc).astype(np.float32)


def stains(design: SectionDesign, cover: Coverage, look: Look, rng: np.random.Generator) -> Image:
    """Return a factor (rows, columns, 3) near 1: brown or dark drying stains, half of them about a notch."""
    factor = np.ones((*cover.u.shape, 3), np.float32)
    for i in range(look.stains):
        contact = design.contacts[int(rng.integers(len(design.contacts)))]
        place = contact.left if rng.random() < 0.5 else contact.right
        at = (place + rng.normal(0, 40), rng.normal(0, 25))
        if i % 2:
            at = (rng.uniform(cover.u.min(), cover.u.max()), rng.uniform(cover.v.min(), cover.v.max()))
        size = rng.uniform(0.02, 0.08) * design.width_px * design.um_per_px
        ragged = fractal(cover.u.shape, max(0.8 * size / design.um_per_px, 8), rng) * np.float32(0.2)
        away = np.hypot(cover.u - np.float32(at[0]), cover.v - np.float32(at[1])) / np.float32(size)
        # A drying drop leaves most of what it carried at its rim.
        inside = 1 - away + ragged
        film, rim = np.clip(1.5 * inside, 0, 0.7), np.exp(-((inside / np.float32(0.12)) ** 2))
        weight = (film + np.float32(0.35) * rim) * np.float32(rng.uniform(0.06, 0.28))
        factor *= 1 - weight[..., None] * np.array([0.7, 0.9, 1.1], np.float32)
    return factor


def mount_texture(cover: Coverage, look: Look, rng: np.random.Generator) -> Image:
    """Return the mount's brightness (rows, columns) about 1: mottling, filler grains, air bubbles."""
    shape = cover.u.shape
    field = np.ones(shape, np.float32)
    if look.mount_mottle:
        field += np.float32(look.mount_mottle) * fractal(shape, shape[1] / 40, rng)
    for _ in range(look.fillers):
        x, y = rng.uniform(0, 1, 2) * shape[::-1]
        axes = rng.uniform(1.5, 1.5 + shape[1] / 150, 2)
        level = float(rng.uniform(1.3, 3.5))
        cv2.ellipse(
            field, ((x, y), (2 * axes[0], 2 * axes[1]), float(rng.uniform(0, 180))), level, -1, cv2.LINE_AA
        )
    for _ in range(look.bubbles):
        x, y = (rng.uniform(0, 1, 2) * shape[::-1]).astype(int).tolist()
        radius = int(rng.uniform(4, 4 + shape[1] / 45))
        cv2.circle(field, (x, y), radius, 0.45, -1, cv2.LINE_AA)
        cv2.circle(field, (x, y), radius, 2.2, max(radius // 10, 1), cv2.LINE_AA)
        cv2.circle(field, (x - radius // 3, y - radius // 3), max(radius // 6, 1), 3.0, -1, cv2.LINE_AA)
    return np.clip(field, 0.1, 6)


def gap_colour(
    design: SectionDesign, cover: Coverage, look: Look, mount: Image, rng: np.random.Generator
) -> Image:
    """Return the colour (rows, columns, 3) of the gap between the parts.

    Its own level with mottling, passing into the mount at a part's end; the walls' glow from below the plane
    of polish; glints of trapped polish and smears of metal, in the brightness of the metal.
    """
    shape, pixel = cover.u.shape, np.float32(design.um_per_px)
    field = np.ones(shape, np.float32)
    if look.gap_mottle:
        field += np.float32(look.gap_mottle) * np.abs(fractal(shape, 12, rng))
    own = np.asarray(look.gap, np.float32) * field[..., None]
    ends = [e for part in (design.upper, design.lower) for e in (part.left, part.right) if math.isfinite(e)]
    ripple = smooth(shape, 10, rng)
    for end in ends:
        away = np.abs(cover.u - np.float32(end)) / (np.float32(0.03 * design.width_px) * pixel)
        weight = np.clip(1 - away + np.float32(0.3) * ripple, 0, 1)[..., None]
        own = own + (mount - own) * weight
    shine = np.zeros(shape, np.float32)
    if look.wall_glow:
        shine += np.float32(look.wall_glow) * np.exp(-np.maximum(-cover.depth, 0) / (4 * pixel))
    for i in range(look.glints + look.smears):
        _glint(shine, design, look, i < look.glints, rng)
    return own + np.clip(shine, 0, 0.9)[..., None] * np.asarray(look.upper, np.float32)


def _glint(shine: Image, design: SectionDesign, look: Look, small: bool, rng: np.random.Generator) -> None:
    """Add a glint, or a larger smear of metal across the gap, well away from the notches."""
    contact = design.contacts[int(rng.integers(len(design.contacts)))]
    away = (0.04 + rng.exponential(0.12)) * design.width_px * design.um_per_px
    place = contact.left - away if rng.random() < 0.5 else contact.right + away
    x, y = to_picture(design, place, rng.normal(0, 3))
    axes = (rng.uniform(3, 26), rng.uniform(1.0, 3.5)) if small else (rng.uniform(8, 40), rng.uniform(4, 12))
    angle = design.tilt_deg + float(rng.normal(0, 12))
    spot = np.zeros(shine.shape, np.float32)
    cv2.ellipse(spot, ((x, y), axes, angle), float(rng.uniform(0.15, 0.7)), -1, cv2.LINE_AA)
    shine += spot if small else spot * np.clip(0.7 + 0.5 * smooth(shine.shape, 4, rng), 0, 1.3)


def shrinkage(cover: Coverage, look: Look, pixel: float, rng: np.random.Generator) -> Image:
    """Return (rows, columns) 0 to 1: where the resin has shrunk away from the parts' outer faces."""
    width = np.float32(look.shrinkage_um) * np.clip(0.6 + 0.6 * smooth(cover.u.shape, 90, rng), 0, 2)
    share = np.clip(0.5 + (width + cover.depth) / np.float32(pixel), 0, 1)
    return np.asarray(share * cover.mount, np.float32)
