"""Pictures that a careful person refuses to measure."""

from __future__ import annotations

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from xsect.synth.burn import Pixels
from xsect.synth.noise import fractal, smooth

WAYS = ("blurred", "saturated", "only resin", "only metal", "text page", "dark")
"""What is wrong with the picture; the first, second and last spoil a real section."""


def spoil(way: str, pixels: Pixels, rng: np.random.Generator) -> Pixels:
    """Turn a drawn section (8 bit) into an unusable picture of the same size."""
    rows, columns = pixels.shape[:2]
    if way == "blurred":
        return cv2.GaussianBlur(pixels, (0, 0), float(rng.uniform(0.012, 0.022)) * columns)  # type: ignore[return-value]
    if way == "saturated":
        return np.clip(pixels.astype(float) * rng.uniform(5, 9) + 60, 0, 255).astype(np.uint8)
    if way == "dark":
        noise = rng.normal(0, 2.0, pixels.shape)
        return np.clip(pixels.astype(float) * 0.02 + 4 + noise, 0, 255).astype(np.uint8)
    if way == "text page":
        return _page(rows, columns, rng)
    level, grain = (35, 0.15) if way == "only resin" else (170, 0.03)
    field = level * (
        1 + grain * fractal((rows, columns), columns / 30, rng) + 0.05 * smooth((rows, columns), columns, rng)
    )
    noisy = field + rng.normal(0, 2, field.shape)
    return np.clip(np.repeat(noisy[..., None], 3, axis=2), 0, 255).astype(np.uint8)


def _page(rows: int, columns: int, rng: np.random.Generator) -> Pixels:
    """A page of a report photographed or exported in place of the micrograph."""
    page = Image.new("RGB", (columns, rows), (250, 250, 248))
    draw = ImageDraw.Draw(page)
    font = ImageFont.load_default(columns / 60)
    letters = np.array(list("aeiounrstlmdcpg      "))
    for i in range(int(rows / columns * 34)):
        text = "".join(rng.choice(letters, int(rng.integers(20, 75))))
        draw.text((0.08 * columns, (0.05 + 0.027 * i) * columns), text, (25, 25, 30), font)
    return np.asarray(page, np.uint8)
