"""Sections of one design for the audit's bench, each its own specimen, by both ways of drawing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from tests.bench.second_look.camera import take
from tests.bench.second_look.layout import lay_out
from tests.bench.second_look.looks import look
from tests.bench.second_look.paint import paint
from tests.bench.second_look.plans import plan
from xsect.synth.demo_scenes import WIDTH_PX, Weld, design_weld, look_of
from xsect.synth.picture import render

FAMILIES = ("synth", "second")
_LOOKS = (("unetched", "fair"), ("etched", "fair"), ("unetched", "easy"))
_DESIGN = 4


def draw(family: str, number: int, folder: Path, *, width_px: int = WIDTH_PX) -> Path:
    """Draw section ``number`` of one design into a JPEG file, unless it is there; return its path."""
    size = "" if width_px == WIDTH_PX else f"{width_px}px-"
    path = folder / f"{family}-{size}{number:05d}.jpg"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        write(path, (_package_look if family == "synth" else _second_look)(number, width_px), quality=90)
    return path


def _package_look(number: int, width_px: int) -> np.ndarray:
    """Bond, tilt and texture each its own; every third etched, every fifth grey."""
    rng = np.random.default_rng([77, number])
    weld = Weld(
        f"S{number}", "jpg", float(rng.normal(905, 20)), 0, float(rng.normal(0, 15)), float(rng.normal(73, 3)),
        tilt_deg=float(rng.normal(0, 1.5)), etched=number % 3 == 2, grey=number % 5 == 4,
    )  # fmt: skip
    seed, k = 50000 + number, width_px / WIDTH_PX
    rng = np.random.default_rng(seed)
    design = design_weld(weld, rng)
    x, y = design.origin
    design = replace(
        design, um_per_px=design.um_per_px / k, width_px=width_px, height_px=round(design.height_px * k),
        origin=(x * k, y * k),
    )  # fmt: skip
    return render(design, look_of(weld, rng), seed)


def _second_look(number: int, width_px: int) -> np.ndarray:
    """One plan for all; tilt, bond, roughness and all that is on the face each its own; three ways of preparation."""
    kind, difficulty = _LOOKS[number % len(_LOOKS)]
    rng = np.random.default_rng([78, number])
    layout = plan("unetched", "fair", np.random.default_rng([_DESIGN, 0]), width_px)
    wider = rng.normal(0, 0.02)
    contacts = tuple(
        (left - wider * (right - left), right + wider * (right - left)) for left, right in layout.contacts
    )
    layout = replace(
        layout, tilt=layout.tilt + rng.normal(0, 1.0), contacts=contacts,
        rough=(*layout.rough[:2], int(rng.integers(2**31))),
    )  # fmt: skip
    seen = look(kind, difficulty, np.random.default_rng([_DESIGN, 1 + number % len(_LOOKS)]))
    camera = replace(seen.camera, bits=8)
    return np.asarray(take(paint(layout, lay_out(layout), seen, rng, ()), camera, rng), np.uint8)


def write(path: Path, pixels: np.ndarray, *, quality: int) -> None:
    """Write RGB or grey pixels."""
    ordered = pixels if pixels.ndim == 2 else pixels[..., ::-1]
    cv2.imwrite(str(path), ordered, [cv2.IMWRITE_JPEG_QUALITY, quality])


def read(path: Path) -> np.ndarray:
    """Read RGB or grey pixels."""
    stored = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    return stored if stored.ndim == 2 else np.ascontiguousarray(stored[..., ::-1])
