"""Pictures that no one should measure: no section at all, or one spoilt past reading."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.bench.second_look.camera import Camera, take
from tests.bench.second_look.layout import lay_out
from tests.bench.second_look.looks import METALS, look
from tests.bench.second_look.paint import paint
from tests.bench.second_look.plans import plan
from tests.bench.second_look.resin import RESINS, resin
from tests.bench.second_look.texture import Image, field, grains

Pixels = NDArray[np.uint8] | NDArray[np.uint16]
SCENES = ("blank", "photo", "text", "resin", "metal", "defocus", "saturated", "noise", "drawing")


def unusable(scene: str, difficulty: str, rng: np.random.Generator, width_px: int) -> Pixels:
    """Return a picture of one of SCENES."""
    shape = (round(width_px * 0.72), width_px)
    if scene == "photo":
        return _photo(rng, shape)
    if scene in ("defocus", "saturated"):
        return _spoilt(scene, difficulty, rng, width_px)
    camera = Camera(blur=0.8, noise=0.02, tilt_light=(0.2, -0.1), colour=bool(rng.random() < 0.5))
    return take(_flat(scene, rng, shape), camera, rng)


def _flat(scene: str, rng: np.random.Generator, shape: tuple[int, int]) -> Image:
    if scene == "resin":
        return resin(rng, shape, str(rng.choice(list(RESINS))), 1.0)
    if scene == "metal":
        shade, boundary = grains(rng, shape, 30, twins=0.5)
        tone = 1 + 0.12 * shade - 0.2 * boundary
        return tone[..., None] * np.array(METALS[str(rng.choice(list(METALS)))], np.float32) * 0.9
    if scene == "noise":
        return np.repeat((0.5 + 0.2 * field(rng, shape, 4))[..., None], 3, axis=2)
    page = np.full((*shape, 3), 237 if rng.random() < 0.8 else 80, np.uint8)
    if scene == "text":
        words = ["weld", "lot", "section", "width", "plating", "reading", "no.", "0.42", "mm", "report"]
        for y in range(60, shape[0] - 30, 34):
            line = " ".join(rng.choice(words, 12))
            cv2.putText(page, line, (50, y), cv2.FONT_HERSHEY_SIMPLEX, 0.8, (25, 25, 25), 2, cv2.LINE_AA)
    if scene == "drawing":
        for _ in range(14):
            ends = rng.integers(0, min(shape), 4)
            ink = (40, 40, 40)
            if rng.random() < 0.5:
                cv2.line(
                    page, (int(ends[0]), int(ends[1])), (int(ends[2]), int(ends[3])), ink, 2, cv2.LINE_AA
                )
            else:
                cv2.circle(page, (int(ends[0]), int(ends[1])), int(ends[2]) // 4 + 5, ink, 2, cv2.LINE_AA)
    return page.astype(np.float32) / 255


def _photo(rng: np.random.Generator, shape: tuple[int, int]) -> Pixels:
    """Return one of the pictures that scikit-image brings along."""
    import skimage.data

    name = str(
        rng.choice(
            ["camera", "coins", "astronaut", "page", "moon", "coffee", "text", "chelsea", "brick", "grass"]
        )
    )
    picture = getattr(skimage.data, name)()
    return np.asarray(
        cv2.resize(picture, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC), dtype=np.uint8
    )


def _spoilt(scene: str, difficulty: str, rng: np.random.Generator, width_px: int) -> Pixels:
    """Return a real layout out of focus by far, or with the light so strong that everything is white."""
    kind = str(rng.choice(["unetched", "etched"]))
    layout = plan(kind, difficulty, rng, width_px)
    seen = look(kind, difficulty, rng)
    if scene == "defocus":
        camera = replace(seen.camera, blur=rng.uniform(16, 30) * width_px / 1400, sharpen=0.0)
    else:
        # Overexposed by a few stops: metal, tin and part of the gap run into white, and light spills over.
        camera = replace(
            seen.camera,
            exposure=rng.uniform(4, 12),
            haze=rng.uniform(0.05, 0.4),
            gamma=1.0,
            blur=rng.uniform(2, 4),
        )
    return take(paint(layout, lay_out(layout), seen, rng), camera, rng)
