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
from xsect.synth.demo import draw_weld
from xsect.synth.demo_scenes import Weld

FAMILIES = ("synth", "second")
_LOOKS = (("unetched", "fair"), ("etched", "fair"), ("unetched", "easy"))
_DESIGN = 4


def draw(family: str, number: int, folder: Path) -> Path:
    """Draw section ``number`` of one design into a JPEG file, unless it is there; return its path."""
    path = folder / f"{family}-{number:05d}.jpg"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        write(path, (_package_look if family == "synth" else _second_look)(number), quality=90)
    return path


def _package_look(number: int) -> np.ndarray:
    """Bond, tilt and texture each its own; every third etched, every fifth grey."""
    rng = np.random.default_rng([77, number])
    weld = Weld(
        f"S{number}", "jpg", float(rng.normal(905, 20)), 0, float(rng.normal(0, 15)), float(rng.normal(73, 3)),
        tilt_deg=float(rng.normal(0, 1.5)), etched=number % 3 == 2, grey=number % 5 == 4,
    )  # fmt: skip
    return draw_weld(weld, 50000 + number)[0]


def _second_look(number: int) -> np.ndarray:
    """One plan for all; tilt, bond, roughness and all that is on the face each its own; three ways of preparation."""
    kind, difficulty = _LOOKS[number % len(_LOOKS)]
    rng = np.random.default_rng([78, number])
    layout = plan("unetched", "fair", np.random.default_rng([_DESIGN, 0]), 1400)
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
