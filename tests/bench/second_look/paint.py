"""Paint: the shapes of a section become the polished face, each pixel by its exact shares of material."""

from __future__ import annotations

import cv2
import numpy as np

from tests.bench.second_look.coverage import coverage
from tests.bench.second_look.cuts import Cut, cut_out
from tests.bench.second_look.layout import FAR_PX, Layout, Shapes
from tests.bench.second_look.looks import Look
from tests.bench.second_look.resin import resin
from tests.bench.second_look.texture import Image, field, grains, spots, strokes
from tests.bench.second_look.weld import heated, weld


def shares(layout: Layout, shapes: Shapes) -> dict[str, Image]:
    """Return the share of each pixel that is base metal of the lower and upper part, and plating."""
    s = shapes.s
    on = {
        name: (s >= part.left) & (s <= part.right)
        for name, part in (("lower", layout.lower), ("upper", layout.upper))
    }
    bands = {
        "lower": (shapes.lower_outer, shapes.lower, on["lower"]),
        "upper": (shapes.upper, shapes.upper_outer, on["upper"]),
    }
    out = {
        name: coverage(shapes.band(a, b, where=where), layout.shape) for name, (a, b, where) in bands.items()
    }
    if layout.tin is None:
        return out
    layers = [
        (shapes.lower, shapes.lower_tin, on["lower"]),
        (shapes.upper_tin, shapes.upper, on["upper"]),
    ]
    if layout.tin.outside:
        layers += [
            (shapes.lower_outer - layout.tin.lower, shapes.lower_outer, on["lower"]),
            (shapes.upper_outer, shapes.upper_outer + layout.tin.upper, on["upper"]),
        ]
    out["tin"] = np.sum(
        [coverage(shapes.band(a, b, where=on_), layout.shape) for a, b, on_ in layers], axis=0
    )
    if layout.tin.compound:
        deep = layout.tin.compound_at(s)
        low = (shapes.lower, np.minimum(shapes.lower + deep, shapes.lower_tin), on["lower"])
        high = (np.maximum(shapes.upper - deep, shapes.upper_tin), shapes.upper, on["upper"])
        for name, (a, b, on_) in (("compound", low), ("compound_upper", high)):
            out[name] = np.minimum(coverage(shapes.band(a, b, where=on_), layout.shape), out["tin"])
    return out


def paint(
    layout: Layout, shapes: Shapes, look: Look, rng: np.random.Generator, cuts: tuple[Cut, ...] = ()
) -> Image:
    """Return the face (rows, columns, 3) in display values 0 to 1."""
    shape = layout.shape
    share = shares(layout, shapes)
    metal = share["lower"] + share["upper"]
    solid = np.minimum(metal + share.get("tin", 0.0), 1)
    tone = _tone(layout, shapes, look, share, rng)
    face = _mount(layout, shapes, look, rng, 1 - solid) * (1 - solid)[..., None]
    for name, colour in (("lower", look.lower), ("upper", look.upper)):
        face += (share[name] * tone)[..., None] * np.array(colour, np.float32)
    if "compound" in share:
        # Cu6Sn5 shines between copper and tin, nearer to tin; it is part of the plating
        for part, base in (("compound", look.lower), ("compound_upper", look.upper)):
            towards = [a + 0.61 * (b - a) for a, b in zip(base, look.tin, strict=True)]
            face += share[part][..., None] * np.array(towards, np.float32)
            share["tin"] = share["tin"] - share[part]
    if "tin" in share:
        soft = 1 + field(rng, shape, 3.0) * 0.02
        face += (share["tin"] * soft)[..., None] * np.array(look.tin, np.float32)
    if cuts:
        face = cut_out(face, cuts, _mount(layout, shapes, look, rng, solid), shape)
    wear = _wear(layout, shapes, look, solid, rng)
    face *= wear[..., None]
    if look.stain > 0:
        face *= 1 - _stain(layout, shapes, rng)[..., None] * look.stain * np.array(
            [0.6, 1.0, 1.6], np.float32
        )
    if look.smear > 0:
        _smear(face, layout, shapes, look, rng)
    return np.clip(face, 0, 1)


def _tone(
    layout: Layout, shapes: Shapes, look: Look, share: dict[str, Image], rng: np.random.Generator
) -> Image:
    """Return the metal's brightness pixel by pixel against its mean: mottling, grains, nugget, bond line."""
    shape = layout.shape
    tone = (
        1
        + field(rng, shape, 25) * np.float32(look.mottle)
        + field(rng, shape, 2) * np.float32(look.mottle / 2)
    )
    if look.grain_px > 0:
        tone *= _etch(layout, shapes, look, share, rng)
    line = _line(layout, shapes, look, rng)
    if layout.nugget is not None:
        tone, line = weld(layout, shapes, look, tone, line, rng)
    if layout.heat is not None:
        tone = heated(layout, shapes, look, tone, rng)
    return np.asarray(tone * (1 - line), dtype=np.float32)


def _etch(
    layout: Layout, shapes: Shapes, look: Look, share: dict[str, Image], rng: np.random.Generator
) -> Image:
    shape = layout.shape
    make = [
        grains(rng, shape, look.grain_px * k, aspect=look.flat, angle=layout.tilt, twins=look.twins)
        for k in (1.0, rng.uniform(0.7, 1.4))
    ]
    upper = share["upper"] > share["lower"]
    if look.across and layout.least_gap == 0:
        # Grains of the upper part reach a little into the lower one, and the other way round.
        sway = field(rng, shape, look.grain_px) * np.float32(look.grain_px * 0.5)
        upper = _above(layout, shapes) > sway
    shade, boundary = (np.where(upper, one, other) for one, other in zip(make[0], make[1], strict=True))
    tone = 1 + shade * np.float32(look.grain_contrast) - boundary * np.float32(look.boundary * 0.5)
    if look.pearlite > 0:
        patches = np.clip((field(rng, shape, look.grain_px * 0.45) - 1.3 + 2 * look.pearlite) * 4, 0, 1)
        tone -= patches * (0.22 + 0.08 * field(rng, shape, 1.5))
    if look.pits > 0:
        eaten = spots(rng, shape, int(500 * look.pits), (0.6, 2.2))
        tone -= eaten * np.clip(boundary * 3 + 0.2, 0, 1) * 0.6
    return np.clip(tone, 0.05, 1.5)


def _above(layout: Layout, shapes: Shapes) -> Image:
    """Return roughly how far each pixel lies above the faying line (px)."""
    y, x = np.mgrid[: layout.shape[0], : layout.shape[1]].astype(np.float32)
    inside = np.abs(shapes.points[:, 0] - layout.shape[1] / 2) < layout.shape[1]
    height = np.interp(x[0], shapes.points[inside, 0], shapes.points[inside, 1])
    return np.asarray(height[None, :] - y, dtype=np.float32)


def _line(layout: Layout, shapes: Shapes, look: Look, rng: np.random.Generator) -> Image:
    """Return how much the bonded faying line is darkened: not at all, a faint line, or a row of dots."""
    canvas = np.zeros(layout.shape, np.uint8)
    if look.line == "absent" or layout.least_gap > 0:
        return canvas.astype(np.float32)
    for left, right in layout.contacts:
        s = np.arange(left, right, 2.0)
        xy = shapes.at(s, np.interp(s, s[::6], rng.normal(0, 0.35, len(s[::6]))))
        if look.line == "faint":
            cv2.polylines(canvas, [np.int32(np.round(xy * 16))], False, 255, 1, cv2.LINE_AA, 4)
        else:
            for point in xy[rng.random(len(xy)) < rng.uniform(0.08, 0.3)]:
                at = (int(16 * point[0]), int(16 * point[1]))
                axes = (int(16 * rng.uniform(0.6, 3.0)), int(16 * rng.uniform(0.4, 0.9)))
                cv2.ellipse(canvas, at, axes, layout.tilt, 0, 360, 255, -1, cv2.LINE_AA, 4)
    return canvas.astype(np.float32) / 255 * np.float32(look.line_strength)


def _mount(layout: Layout, shapes: Shapes, look: Look, rng: np.random.Generator, free: Image) -> Image:
    """Return the mount, and between the parts what fills the gap (another brightness, glints)."""
    shape = layout.shape
    darkest = min(float(np.mean(look.lower)), float(np.mean(look.upper)))
    out = resin(rng, shape, look.resin, look.liveliness, brightest=0.48 * darkest)
    left = max(layout.upper.left, layout.lower.left) + 20
    right = min(layout.upper.right, layout.lower.right) - 20
    on = (shapes.s >= left) & (shapes.s <= right)
    between = coverage(shapes.band(shapes.lower - 12, shapes.upper + 12, where=on), shape)
    if abs(left) < FAR_PX / 2 or abs(right) < FAR_PX / 2:
        between = cv2.GaussianBlur(between, (0, 0), 8)
    filling = out * np.float32(look.gap_tint)
    out += (filling - out) * between[..., None]
    if look.glints:
        # Strewn over the band along the line only, or few would ever fall into the gap.
        many = int(look.glints * between.size / max(float((between * free).sum()), 1.0))
        out += (spots(rng, shape, min(many, 1500), (0.5, 2.5)) * between)[..., None] * rng.uniform(0.15, 0.6)
    return np.clip(out, 0, 1)


def _wear(layout: Layout, shapes: Shapes, look: Look, solid: Image, rng: np.random.Generator) -> Image:
    """Return what preparation did to the metal, as a factor: scratches, inclusions, rims along the edges."""
    shape = layout.shape
    factor = np.ones(shape, np.float32)
    if look.scratches:
        main = rng.uniform(0, 180)
        factor += strokes(rng, shape, look.scratches, main, 4.0) * np.float32(look.scratch_strength)
    if look.scratch_along:
        lane = np.zeros(shape, np.uint8)
        s = np.arange(shapes.s[0], shapes.s[-1], 8.0)
        away = rng.choice([-1, 1]) * rng.uniform(8, 40)
        xy = shapes.at(s, away + 0.002 * (s - s.mean()) * rng.normal())
        cv2.polylines(lane, [np.int32(np.round(xy * 16))], False, 255, 1, cv2.LINE_AA, 4)
        factor -= lane.astype(np.float32) / 255 * rng.uniform(0.08, 0.3)
    if look.inclusions:
        factor -= spots(rng, shape, look.inclusions, (0.5, 2.6), stretch=3) * 0.75
    if look.halo:
        inside = cv2.GaussianBlur(solid, (0, 0), look.rim_px)
        factor += np.float32(2 * look.halo) * np.clip(1 - inside, 0, 0.5)
    return 1 + (factor - 1) * solid


def _stain(layout: Layout, shapes: Shapes, rng: np.random.Generator) -> Image:
    """Return 0 to 1: blots that bled out of the gap around some notches."""
    rows, columns = (side // 8 for side in layout.shape)
    blot = np.zeros((rows, columns), np.float32)
    for contact in layout.contacts:
        for s in contact:
            x, y = shapes.at(s, 0.0)[0] / 8
            axes = (int(rng.uniform(3, 12)), int(rng.uniform(2, 8)))
            cv2.ellipse(blot, (int(x), int(y)), axes, rng.uniform(0, 180), 0, 360, rng.uniform(0, 1), -1)
    blot = cv2.GaussianBlur(blot, (0, 0), 2.5)
    return np.clip(cv2.resize(blot, (layout.shape[1], layout.shape[0]), interpolation=cv2.INTER_CUBIC), 0, 1)


def _smear(face: Image, layout: Layout, shapes: Shapes, look: Look, rng: np.random.Generator) -> None:
    """Drag a thin veil of metal over parts of the gap just outside the notches: dimmer, never closed."""
    for left, right in layout.contacts:
        for s0, way in ((left, -1), (right, 1)):
            if rng.random() < 0.5:
                continue
            begin, end = sorted((s0 + way * rng.uniform(3, 10), s0 + way * rng.uniform(20, 60)))
            on = (shapes.s >= begin) & (shapes.s <= end)
            veil = coverage(shapes.band(shapes.lower_tin, shapes.upper_tin, where=on), layout.shape)
            streak = np.clip(0.5 + field(rng, layout.shape, 2.0, aspect=6, angle=layout.tilt) * 0.5, 0, 1)
            weight = (veil * streak * np.float32(look.smear))[..., None]
            face += (np.array(look.upper, np.float32) * 0.8 - face) * weight
