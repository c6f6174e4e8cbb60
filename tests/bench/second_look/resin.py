"""Looks of the mount: hot-pressed and cast resins, and what fills the gap between the parts."""

from __future__ import annotations

import cv2
import numpy as np

from tests.bench.second_look.texture import Image, field, spots

RESINS = {
    "black phenolic": (0.055, 0.052, 0.055),
    "red phenolic": (0.30, 0.09, 0.07),
    "green": (0.09, 0.20, 0.13),
    "blue-grey": (0.19, 0.23, 0.28),
    "clear epoxy": (0.15, 0.14, 0.12),
    "glass-filled": (0.13, 0.13, 0.14),
    "light grey": (0.38, 0.38, 0.37),
}


def resin(
    rng: np.random.Generator, shape: tuple[int, int], name: str, liveliness: float, *, brightest: float = 1.0
) -> Image:
    """Return (rows, columns, 3) display values 0 to 1 of one resin; ``liveliness`` 0 is plain, 1 is busy.

    ``brightest``: mean brightness that the resin keeps below, so that it stays darker than the metal in it.
    """
    base = np.array(RESINS[name], np.float32) * rng.uniform(0.8, 1.2)
    base *= min(1.0, brightest / float(base.mean()))
    mottle = field(rng, shape, rng.uniform(20, 90)) * 0.06 + field(rng, shape, rng.uniform(2.5, 7)) * 0.08
    turn = rng.uniform(0, 2 * np.pi)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    ramp = (x * np.cos(turn) + y * np.sin(turn)) / max(shape) * rng.uniform(0, 0.7)
    out = base * (1 + liveliness * (mottle + ramp - ramp.mean()))[..., None]
    if name == "clear epoxy":
        out += _bubbles(rng, shape, int(rng.integers(1, 3 + int(14 * liveliness))))[..., None]
    if name in ("glass-filled", "light grey"):
        fibres = _fibres(rng, shape, int(60 + 260 * liveliness))
        out += fibres[..., None] * rng.uniform(0.10, 0.25)
    if name in ("black phenolic", "green"):
        filler = spots(rng, shape, int(200 * liveliness), (1.0, 5.0), stretch=3)
        out += filler[..., None] * base * rng.uniform(0.4, 1.6)
    return np.clip(out, 0, 1).astype(np.float32)


def _bubbles(rng: np.random.Generator, shape: tuple[int, int], number: int) -> Image:
    """Return bright rims and dark hearts of air bubbles, in display values to be added."""
    rim, heart = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    for _ in range(number):
        at = (int(16 * rng.uniform(0, shape[1])), int(16 * rng.uniform(0, shape[0])))
        radius = int(16 * np.exp(rng.uniform(np.log(4), np.log(40))))
        cv2.circle(heart, at, radius, 255, -1, cv2.LINE_AA, 4)
        cv2.circle(rim, at, radius, int(rng.uniform(90, 255)), int(rng.integers(1, 4)), cv2.LINE_AA, 4)
        glint = (at[0] - radius // 3, at[1] - radius // 3)
        cv2.circle(rim, glint, max(radius // 6, 12), 200, -1, cv2.LINE_AA, 4)
    return rim.astype(np.float32) / 255 * 0.35 - heart.astype(np.float32) / 255 * 0.05


def _fibres(rng: np.random.Generator, shape: tuple[int, int], number: int) -> Image:
    """Return short fibres seen lengthwise and round ones seen end on, 0 to 1."""
    canvas = np.zeros(shape, np.uint8)
    for _ in range(number):
        x, y, turn = rng.uniform(0, shape[1]), rng.uniform(0, shape[0]), rng.uniform(0, np.pi)
        half = rng.uniform(1, 22) if rng.random() < 0.6 else 0.5
        ends = [
            (int(16 * (x + k * half * np.cos(turn))), int(16 * (y + k * half * np.sin(turn))))
            for k in (-1, 1)
        ]
        cv2.line(canvas, ends[0], ends[1], int(rng.uniform(60, 255)), int(rng.integers(2, 5)), cv2.LINE_AA, 4)
    return canvas.astype(np.float32) / 255
