"""Structure of a nugget after etching: columns, dendrites, fine grains, or none to be seen."""

from __future__ import annotations

import cv2
import numpy as np

from xsect.synth.design import Nugget
from xsect.synth.grains import cells, shade
from xsect.synth.look import Grains, Look
from xsect.synth.noise import Image, smooth


def structure(
    nugget: Nugget, u: Image, v: Image, radius: Image, pixel: float, look: Look, rng: np.random.Generator
) -> Image:
    """Return the nugget's brightness (rows, columns, 3) against its parent's mean, wherever it may lie.

    ``u`` and ``v``: places in the weld frame (µm); ``radius``: 1 on the rim; ``pixel``: µm a pixel.
    """
    grains = Grains(
        max(look.nugget_grain * nugget.half_width, 4 * pixel), look.nugget_contrast, boundary=0.35, tint=0.15
    )
    if look.nugget_style == "columnar":
        texture = _columns(nugget, u, v, radius, grains, pixel, rng)
    elif look.nugget_style == "dendritic":
        texture = _dendrites(u, v, grains, pixel, rng)
    elif look.nugget_style == "fine":
        texture = shade(cells(u, v, grains.size, pixel, rng), grains, pixel, rng)
    else:
        texture = 1 + np.float32(0.4 * look.nugget_contrast) * smooth(u.shape, 2, rng)[..., None]
    tint = np.float32(look.nugget_shade) * np.asarray(look.nugget_tint, np.float32)
    return np.asarray(texture * tint, np.float32)


def _columns(
    nugget: Nugget, u: Image, v: Image, radius: Image, grains: Grains, pixel: float, rng: np.random.Generator
) -> Image:
    """Columns grown along the heat flow: steep in the middle, leaning towards the rim at the ends."""
    upper = v < np.float32(nugget.centre_v)
    height = np.where(upper, nugget.half_height_upper, nugget.half_height_lower).astype(np.float32)
    lean = np.clip((u - np.float32(nugget.centre_u)) / np.float32(nugget.half_width), -1, 1)
    foot = u + lean * (height - np.abs(v - np.float32(nugget.centre_v))) * np.float32(0.6)
    # Upper and lower columns are different grains: they meet at mid-plane and do not run through.
    along = np.where(upper, radius, np.float32(2.6) - radius) * height * np.float32(0.22)
    labels = cells(foot, along, grains.size, pixel, rng)
    arms = cv2.GaussianBlur(rng.standard_normal(u.shape, dtype=np.float32), (0, 0), 0.8, sigmaY=4.0)
    return shade(labels, grains, pixel, rng) * (1 + np.float32(0.25) * arms)[..., None]


def _dendrites(u: Image, v: Image, grains: Grains, pixel: float, rng: np.random.Generator) -> Image:
    """Colonies of arms that run along one of two directions, light arms between dark seams."""
    colonies = cells(u, v, 5 * grains.size, pixel, rng)
    count = int(colonies.max()) + 1
    upright = (rng.random(count) < 0.6).astype(np.float32)[colonies]
    arm = max(0.25 * grains.size / pixel, 0.8)
    fields = []
    for sigma_x, sigma_y in ((arm, 5 * arm), (5 * arm, arm)):
        noise = rng.standard_normal(u.shape, dtype=np.float32)
        field = cv2.GaussianBlur(noise, (0, 0), sigma_x, sigmaY=sigma_y)
        fields.append(field / max(float(field.std()), 1e-6))
    arms = np.tanh(1.5 * (upright * fields[0] + (1 - upright) * fields[1]))
    level = 1 + 0.5 * grains.contrast * rng.standard_normal(count).astype(np.float32)
    return np.asarray((level[colonies] + np.float32(grains.contrast) * arms)[..., None], np.float32)
