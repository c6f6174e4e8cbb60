"""Welds: the structure of nuggets, the heat-affected zone about them or alone, and the kinds made of them."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from tests.bench.second_look.coverage import coverage
from tests.bench.second_look.layout import Layout, Shapes
from tests.bench.second_look.looks import METALS, Look
from tests.bench.second_look.texture import Image, columnar, field, grains

BASE = {"fusion": "steel_fusion", "mixed": "steel_fusion", "heat_affected": "steel_fusion"}
"""The kind from which each of these is made."""

STYLES = ("columns", "arms", "cells", "bare")


def welded(
    kind: str, difficulty: str, layout: Layout, look: Look, rng: np.random.Generator
) -> tuple[Layout, Look]:
    """Return layout and look of a section of BASE[kind] changed into one of ``kind``."""
    nugget = layout.nugget
    assert nugget is not None
    g = {"easy": 0.0, "fair": 0.5, "hard": 1.0}[difficulty]
    look = _look(look, g, rng)
    if kind == "heat_affected":
        look = replace(look, heat_tint=float(rng.choice([rng.uniform(-0.35, -0.12), rng.uniform(0.08, 0.2)])))
        row = {**layout.row, "weld_type": "solid_state"}
        return replace(layout, nugget=None, heat=nugget, row=row), look
    waves = tuple((n, rng.uniform(0, 0.02) / np.sqrt(n), rng.uniform(0, 6)) for n in (2, 3, 4, 7, 12, 19))
    if kind == "mixed":
        left, right = layout.contacts[0]
        width = (right - left) * rng.uniform(0.15, 0.4)
        depths = [min(width * rng.uniform(0.2, 0.5), 0.5 * p.thickness) for p in (layout.upper, layout.lower)]
        centre = (left + right) / 2 + rng.uniform(-0.2, 0.2) * (right - left)
        nugget = replace(nugget, centre=centre, width=width, upper=depths[0], lower=depths[1])
        # among grains as large as itself nobody could tell a nugget
        look = replace(look, grain_px=min(look.grain_px, 0.12 * width))
    shift = rng.uniform(-0.5, 0.5) * min(nugget.upper, nugget.lower)
    row = {**layout.row, "weld_type": "fusion" if kind == "fusion" else "solid_state"}
    return replace(layout, nugget=replace(nugget, shift=shift, ripple=waves), row=row), look


def _look(look: Look, g: float, rng: np.random.Generator) -> Look:
    if rng.random() < 0.5:
        name = str(rng.choice(["copper", "brass", "bronze", "steel"]))
        r, green, b = np.array(METALS[name]) * rng.uniform(0.8, 0.95)
        look = replace(
            look, upper=(r, green, b), lower=(r, green, b), pearlite=0.0, twins=rng.uniform(0, 0.7),
            grain_px=look.grain_px * rng.uniform(0.8, 2.5), grain_contrast=look.grain_contrast + 0.03,
        )  # fmt: skip
    dark, light = rng.uniform(0.62, 0.82 + 0.06 * g), rng.uniform(1.14 - 0.05 * g, 1.28)
    return replace(
        look,
        nugget_style=STYLES[int(rng.choice(4, p=(0.35, 0.3, 0.2, 0.15)))],
        nugget_tint=dark if rng.random() < 0.6 else light,
        nugget_contrast=rng.uniform(0.5, 1.5),
        rim_line=rng.uniform(-0.2, 0.45) if rng.random() < 0.35 else 0.0,
        heat_tint=rng.uniform(-0.25, 0.08),
        coarsened=rng.uniform(1.5, 2.6) if rng.random() < 0.4 else 0.0,
    )


def weld(
    layout: Layout, shapes: Shapes, look: Look, tone: Image, line: Image, rng: np.random.Generator
) -> tuple[Image, Image]:
    """Return the tone with the nugget and the heat-affected zone, and the bond line outside the nugget."""
    nugget = layout.nugget
    assert nugget is not None
    inside = coverage(shapes.at(*nugget.outline()), layout.shape)
    soft = cv2.GaussianBlur(inside, (0, 0), float(rng.uniform(0.6, 2.0)))
    x, y = shapes.at(nugget.centre, nugget.shift)[0]
    core = nugget.width * rng.uniform(0.15, 0.33)
    width = max(look.grain_px * rng.uniform(0.25, 0.6), 3.0)
    strength = np.float32(look.grain_contrast * look.nugget_contrast)
    if look.nugget_style == "columns":
        shade, boundary = columnar(rng, layout.shape, (float(x), float(y)), core, layout.tilt, width)
        cast = 1 + strength * shade - 0.2 * boundary * look.boundary
    elif look.nugget_style == "arms":
        cast = 1 + strength * _arms(layout, width, rng)
    elif look.nugget_style == "cells":
        shade, boundary = grains(rng, layout.shape, width * 1.3, kinds=6)
        cast = 1 + strength * shade - 0.3 * boundary * look.boundary
    else:
        cast = 1 + field(rng, layout.shape, 2.0) * np.float32(0.015)
    tone = _warmed(layout, look, tone, _near(inside, 0.12 * nugget.width), rng)
    tone = tone * (1 - soft) + look.nugget_tint * cast * soft
    if look.rim_line:
        tone = tone * (1 - np.float32(4 * look.rim_line) * soft * (1 - soft))
    return np.asarray(tone, np.float32), line * (1 - soft)


def heated(layout: Layout, shapes: Shapes, look: Look, tone: Image, rng: np.random.Generator) -> Image:
    """Return the tone with a heat-affected zone that fades from its middle and has no nugget in it."""
    assert layout.heat is not None
    core = replace(layout.heat, width=0.5 * layout.heat.width)
    inside = coverage(shapes.at(*core.outline()), layout.shape)
    near = _near(inside, layout.heat.width * float(rng.uniform(0.14, 0.25)))
    return _warmed(layout, look, tone, near / max(float(near.max()), 0.1), rng)


def _near(inside: Image, reach: float) -> Image:
    """Return 0 to 1, smoothly falling over ``reach`` px from inside a shape to outside."""
    small = cv2.resize(inside, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    wide = cv2.GaussianBlur(small, (0, 0), max(reach / 8, 1.0))
    near = cv2.resize(wide, inside.shape[::-1], interpolation=cv2.INTER_CUBIC)
    return np.asarray(np.clip(near, 0, 1), np.float32)


def _warmed(layout: Layout, look: Look, tone: Image, near: Image, rng: np.random.Generator) -> Image:
    """Return the tone changed by heat: shade, and here and there larger grains."""
    if look.coarsened:
        size = look.grain_px * look.coarsened
        shade, boundary = grains(rng, layout.shape, size, twins=look.twins)
        larger = 1 + shade * np.float32(look.grain_contrast) - boundary * np.float32(look.boundary * 0.5)
        share = np.clip((near - 0.5 + 0.25 * field(rng, layout.shape, size)) * 5, 0, 1)
        tone = tone * (1 - share) + larger * share
    return np.asarray(tone * (1 + np.float32(look.heat_tint) * near), np.float32)


def _arms(layout: Layout, width: float, rng: np.random.Generator) -> Image:
    """Return dendrites: arms along one of three directions in each of many colonies, -1 to 1."""
    best = np.full(layout.shape, -9, np.float32)
    out = np.zeros(layout.shape, np.float32)
    first = rng.uniform(0, 60)
    for turn in (0, 60, 120):
        colony = field(rng, layout.shape, 7 * width)
        arms = np.tanh(1.5 * field(rng, layout.shape, max(0.5 * width, 1.5), aspect=6, angle=first + turn))
        out = np.where(colony > best, arms, out)
        best = np.maximum(best, colony)
    return out
