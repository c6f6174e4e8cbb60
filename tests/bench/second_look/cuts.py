"""Cuts: cracks and voids in the metal near the joint, as polygons whose areas and lengths are known.

Cracks are lines broken again and again at displaced midpoints, widest in the middle; voids are lumps of a few
bulges. Both are rasterised by their exact area in each pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.bench.second_look.coverage import coverage
from tests.bench.second_look.layout import Floats, Layout, Shapes, inside_picture
from tests.bench.second_look.texture import Image

ZONE = 0.1
"""Height of the bond zone to each side of the line, as a share of the contact's width."""


@dataclass(frozen=True)
class Cut:
    """One flaw: its ``polygon`` (k, 2) in px, the share of the metal's light it takes, and what is true of it."""

    polygon: Floats
    contrast: float
    truth: dict[str, Any]


def choose_cuts(layout: Layout, shapes: Shapes, rng: np.random.Generator) -> tuple[Cut, ...]:
    """Return cracks and voids about the first contact, none near another, a film, the line's gap or a face."""
    taken = [shapes.at(np.linspace(lens.left, lens.right, 9), 0.0) for lens in (*layout.films, *layout.voids)]
    cuts: list[Cut] = []
    makers = [_crack] * int(rng.integers(0, 3)) + [_void] * int(rng.integers(0, 7))
    for make in makers:
        for _ in range(25):
            cut = make(layout, shapes, rng)
            if cut is None:
                continue
            room = 10.0 if make is _void else 22.0
            away = [np.hypot(*(cut.polygon[:, None] - one[None]).transpose(2, 0, 1)).min() for one in taken]
            if min(away, default=np.inf) > room:
                taken.append(cut.polygon)
                cuts.append(cut)
                break
    return tuple(cuts)


def _in_metal(layout: Layout, shapes: Shapes, s: Floats, n: Floats, margin: float) -> bool:
    """Whether all places lie in metal and in the picture, off every face by ``margin`` px."""
    tables = (shapes.lower_outer, shapes.lower, shapes.upper, shapes.upper_outer)
    low_outer, low, high, high_outer = (np.interp(s, shapes.s, table) for table in tables)
    inside = np.where(n < 0, (n > low_outer + margin) & (n < low), (n > high) & (n < high_outer - margin))
    for part, side in ((layout.lower, n < 0), (layout.upper, n > 0)):
        inside &= ~side | ((s > part.left + margin + part.corner) & (s < part.right - margin - part.corner))
    seen = inside_picture(shapes, layout.shape, np.interp(shapes.s, np.sort(s), n[np.argsort(s)]))
    return bool(inside.all() and seen[(shapes.s >= s.min()) & (shapes.s <= s.max())].all())


def _void(layout: Layout, shapes: Shapes, rng: np.random.Generator) -> Cut | None:
    left, right = layout.contacts[0]
    width = right - left
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    size = float(np.exp(rng.uniform(np.log(3.0), np.log(20.0))))
    radius = np.ones_like(turn)
    for _ in range(int(rng.integers(2, 5))):
        bulge = np.cos(turn - rng.uniform(0, 2 * np.pi))
        radius += rng.uniform(0.05, 0.35) * np.exp(3 * (bulge - 1))
    s0, n0 = left + width * rng.uniform(0.12, 0.88), rng.uniform(-0.8, 0.8) * ZONE * width
    s, n = s0 + size * radius * np.cos(turn), n0 + size * radius * np.sin(turn)
    if np.abs(n0) < size * radius.max() + 3 or not _in_metal(layout, shapes, s, n, 8):
        return None  # a hole across the line would be told as an opening of the bond
    polygon = shapes.at(s, n)
    x, y = polygon.T
    area = 0.5 * abs(float(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))))
    apart = np.hypot(*(polygon[:, None] - polygon[None]).transpose(2, 0, 1))
    um = layout.um_per_px
    truth = {"kind": "void", "x": float(x.mean()), "y": float(y.mean())}
    return Cut(polygon, 1.0, {**truth, "area": area * um**2, "feret": float(apart.max()) * um})


def _crack(layout: Layout, shapes: Shapes, rng: np.random.Generator) -> Cut | None:
    left, right = layout.contacts[0]
    width, length = right - left, float(rng.uniform(60, 220))
    up = float(rng.choice([-1, 1]))
    begins = str(rng.choice(["notch", "nugget"]))
    if begins == "notch":
        side = float(rng.choice([-1, 1]))
        start = np.array([left if side < 0 else right, up * 0.5])
        heading = np.arctan2(up * rng.uniform(0.5, 1.0), -side * rng.uniform(-0.4, 0.7))
    else:
        start = np.array([left + width * rng.uniform(0.25, 0.75), up * rng.uniform(6, 0.1 * width + 7)])
        heading = np.arctan2(up * rng.uniform(0.0, 1.0), rng.uniform(-1, 1))
    line = np.array([start, start + length * np.array([np.cos(heading), np.sin(heading)])])
    for level in range(4):
        middle = (line[1:] + line[:-1]) / 2
        step = np.diff(line, axis=0)
        aside = np.stack([-step[:, 1], step[:, 0]], axis=1) * rng.normal(
            0, 0.16 / (1 + 0.3 * level), (len(step), 1)
        )
        line = np.insert(line, np.arange(1, len(line)), middle + aside, axis=0)
    s, n = line[2:].T
    if np.any(up * n < 2) or not _in_metal(layout, shapes, s, n, 14):
        return None
    mean = float(np.exp(rng.uniform(np.log(1.0), np.log(4.0))))
    t = np.linspace(0, 1, len(line))
    half = mean / 2 * 1.15 * np.sqrt(np.sin(np.pi * (0.06 + 0.88 * t)))
    tangent = np.gradient(line, axis=0)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1) / np.hypot(*tangent.T)[:, None]
    rim = np.vstack([line + half[:, None] * normal, (line - half[:, None] * normal)[::-1]])
    path = shapes.at(*line.T)
    um, contrast = layout.um_per_px, float(rng.uniform(0.3, 1.0))
    truth = {
        "kind": "crack", "paths": [path.tolist()], "length": float(np.hypot(*np.diff(path, axis=0).T).sum()) * um,
        "width": mean * um, "contrast": contrast, "begins": begins,
    }  # fmt: skip
    return Cut(shapes.at(*rim.T), contrast, truth)


def cut_out(face: Image, cuts: tuple[Cut, ...], filling: Image, shape: tuple[int, int]) -> Image:
    """Return the face (rows, columns, 3) with the cuts filled as the gap is."""
    for cut in cuts:
        weight = (coverage(cut.polygon, shape) * np.float32(cut.contrast))[..., None]
        face = face * (1 - weight) + filling * weight
    return face


def flaw_truth(layout: Layout, cuts: tuple[Cut, ...]) -> dict[str, float]:
    """Return void fraction, largest void and crack length of a section with one contact."""
    left, right = layout.contacts[0]
    um, width = layout.um_per_px, right - left
    # a lens of the form (1 - |x|^4)^0.5 fills 0.8740 of its box
    islands = [
        (0.8740 * (one.right - one.left) * one.thickness * um**2, (one.right - one.left) * um)
        for one in layout.voids
    ]
    voids = [(cut.truth["area"], cut.truth["feret"]) for cut in cuts if cut.truth["kind"] == "void"] + islands
    zone = width * um**2 * sum(min(ZONE * width, part.thickness) for part in (layout.upper, layout.lower))
    return {
        "void_fraction": sum(area for area, _ in voids) / zone,
        "largest_void": max((feret for _, feret in voids), default=0.0),
        "crack_length": sum(cut.truth["length"] for cut in cuts if cut.truth["kind"] == "crack"),
    }
