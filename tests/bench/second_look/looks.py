"""Looks: the random choice of metals, etch, resin, preparation flaws and camera, by kind and difficulty."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.bench.second_look.camera import Camera
from tests.bench.second_look.plans import PLATED, log_uniform
from tests.bench.second_look.resin import RESINS

Colour = tuple[float, float, float]

METALS: dict[str, Colour] = {
    "copper": (0.80, 0.55, 0.45),
    "brass": (0.84, 0.74, 0.46),
    "bronze": (0.80, 0.63, 0.45),
    "nickel": (0.79, 0.76, 0.69),
    "steel": (0.66, 0.67, 0.68),
}
TIN: Colour = (0.86, 0.87, 0.85)
BACKSCATTER = {"copper": 0.47, "brass": 0.48, "bronze": 0.50, "nickel": 0.44, "steel": 0.40, "tin": 0.80}
"""Grey levels rise with mean atomic number; the values are the writer's choice."""


@dataclass(frozen=True)
class Look:
    """How the polished face looks, before the camera. Strengths are shares of the metal's own brightness."""

    upper: Colour
    lower: Colour
    tin: Colour
    resin: str
    liveliness: float
    gap_tint: float
    """Brightness of what fills the gap, against the mount."""
    glints: int = 0
    grain_px: float = 0.0
    """0: not etched."""
    grain_contrast: float = 0.0
    boundary: float = 0.0
    twins: float = 0.0
    flat: float = 1.0
    across: bool = False
    """Grains grew across the bond."""
    pearlite: float = 0.0
    line: str = "absent"
    line_strength: float = 0.0
    scratches: int = 0
    scratch_strength: float = 0.0
    scratch_along: bool = False
    inclusions: int = 0
    pits: float = 0.0
    halo: float = 0.0
    """Bright (positive) or dark (negative) rim along the metal's edges."""
    rim_px: float = 2.0
    stain: float = 0.0
    smear: float = 0.0
    mottle: float = 0.01
    nugget_tint: float = 1.0
    heat_tint: float = 0.0
    nugget_style: str = "columns"
    nugget_contrast: float = 0.7
    """Of the nugget's structure, against that of the grains."""
    rim_line: float = 0.0
    """How much the nugget's rim is darkened (negative: lightened)."""
    coarsened: float = 0.0
    """How many times larger the grains are next to the nugget; 0: no larger."""
    camera: Camera = field(default_factory=Camera)


GRADE = {"easy": 0.25, "fair": 0.6, "hard": 1.0}


def look(kind: str, difficulty: str, rng: np.random.Generator) -> Look:
    """Return how one section looks."""
    g = GRADE[difficulty]
    upper, lower = _metals(kind, rng)
    backscatter = kind == "bse"
    etched = kind in ("etched", "steel_fusion") or (
        kind in ("segments", "no_bond", "dissimilar") and rng.random() < 0.3
    )
    colours = [_tinted(METALS[name], rng) for name in (upper, lower)]
    if upper == lower:
        # One metal etches and shines alike in both parts, give or take a little.
        colours[1] = _scaled(colours[0], rng.normal(1, 0.02))
    tin = _tinted(TIN, rng)
    if backscatter:
        colours = [_grey(BACKSCATTER[name] * rng.uniform(0.95, 1.05)) for name in (upper, lower)]
        tin = _grey(BACKSCATTER["tin"] * rng.uniform(0.95, 1.1))
    resin = "black phenolic" if backscatter else str(rng.choice(list(RESINS)))
    if etched and kind != "steel_fusion":
        colours = [_scaled(colour, 0.88) for colour in colours]
    return Look(
        colours[0], colours[1], tin, resin,
        liveliness=g * rng.uniform(0.5, 1.0),
        gap_tint=rng.uniform(0.35, 1.35) if g > 0.5 else rng.uniform(0.7, 1.1),
        glints=int(rng.poisson(5 * g)) if g > 0.3 else 0,
        grain_px=_grain_px(kind, etched, rng),
        grain_contrast=_grain_contrast(kind, rng) + (0.0 if backscatter else 0.05 * g),
        boundary=rng.uniform(0.0, 0.5) * (0.4 + g) * (0.0 if backscatter else 1.0),
        twins=rng.uniform(0.2, 0.8) if "steel" not in (upper, lower) else 0.0,
        flat=rng.uniform(1.0, 2.6),
        across=bool(rng.random() < 0.4),
        pearlite=rng.uniform(0.05, 0.3) if "steel" in (upper, lower) and etched else 0.0,
        line=str(rng.choice(["absent", "faint", "dashed"])),
        line_strength=rng.uniform(0.1, 0.35) * (0.4 + g),
        scratches=int(rng.poisson(40 * g)),
        scratch_strength=rng.uniform(0.02, 0.05 + 0.05 * g),
        scratch_along=bool(rng.random() < 0.5 * g),
        inclusions=int(rng.poisson(60 * g * rng.uniform(0.1, 1.5))),
        pits=float(etched and rng.random() < g) * rng.uniform(0.3, 1.0),
        halo=rng.uniform(-0.16, 0.18) * g,
        rim_px=rng.uniform(1.5, 4.0),
        stain=rng.uniform(0, 0.22) * g if rng.random() < 0.5 else 0.0,
        smear=rng.uniform(0.2, 0.6) if g == 1.0 and rng.random() < 0.4 else 0.0,
        mottle=rng.uniform(0.003, 0.012 + 0.012 * g),
        nugget_tint=float(rng.choice([rng.uniform(0.78, 0.9), rng.uniform(1.06, 1.15)])),
        heat_tint=rng.uniform(-0.12, 0.05),
        camera=_camera(kind, g, rng),
    )  # fmt: skip


def _metals(kind: str, rng: np.random.Generator) -> tuple[str, str]:
    if kind == "steel_fusion":
        return "steel", "steel"
    if kind == "dissimilar":
        pairs = [("copper", "brass"), ("copper", "steel"), ("copper", "nickel"), ("brass", "steel")]
        one, other = pairs[int(rng.integers(len(pairs)))]
        return (one, other) if rng.random() < 0.5 else (other, one)
    if kind in PLATED:
        return "copper", "copper"
    name = str(rng.choice(["copper", "brass", "bronze", "nickel"], p=[0.5, 0.2, 0.2, 0.1]))
    return name, name


def _grain_px(kind: str, etched: bool, rng: np.random.Generator) -> float:
    if kind == "steel_fusion":
        return log_uniform(rng, (6, 22))
    if kind == "bse":
        return log_uniform(rng, (12, 60)) if rng.random() < 0.6 else 0.0
    return log_uniform(rng, (7, 70)) if etched else 0.0


def _grain_contrast(kind: str, rng: np.random.Generator) -> float:
    """Return the contrast between grains; backscatter shows only the little that lattice direction does."""
    bounds = {"bse": (0.008, 0.035), "steel_fusion": (0.02, 0.07)}
    return float(rng.uniform(*bounds.get(kind, (0.05, 0.12))))


def _tinted(colour: Colour, rng: np.random.Generator) -> Colour:
    r, g, b = np.array(colour) * rng.uniform(0.88, 1.04) * rng.normal(1, 0.015, 3)
    return (float(r), float(g), float(b))


def _scaled(colour: Colour, factor: float) -> Colour:
    return (colour[0] * factor, colour[1] * factor, colour[2] * factor)


def _grey(value: float) -> Colour:
    return (value, value, value)


def _camera(kind: str, g: float, rng: np.random.Generator) -> Camera:
    grey = kind in ("plated_grey", "bse") or (
        kind not in ("plated", "plated_residual") and rng.random() < 0.3
    )
    backscatter = kind == "bse"
    gamma = float(rng.choice([1.0, 0.7, 1 / 2.2], p=[0.5, 0.25, 0.25])) if not backscatter else 1.0
    stored = rng.choice(["plain", "jpeg", "twelve", "sixteen"], p=[0.4, 0.4, 0.1, 0.1])
    cast = rng.normal(1, 0.05 * g, 3)
    return Camera(
        colour=not grey,
        gamma=gamma,
        blur=rng.uniform(0.6, 0.8 + 1.1 * g),
        fringe=rng.uniform(0, 0.25) * g,
        noise=rng.uniform(0.3, 1.0) * (0.012 + 0.03 * g * (1.5 if backscatter else 1.0)),
        bayer=bool(rng.random() < 0.5),
        rows=rng.uniform(0, 0.004) * g if rng.random() < 0.3 or backscatter else 0.0,
        exposure=rng.uniform(0.75, 1.05),
        cast=(float(cast[0]), float(cast[1]), float(cast[2])),
        tilt_light=(rng.uniform(-0.35, 0.35) * g, rng.uniform(-0.35, 0.35) * g),
        vignette=rng.uniform(0, 0.3) * g,
        stripe=rng.uniform(0, 0.06) * g if rng.random() < 0.3 else 0.0,
        haze=rng.uniform(0, 0.04) * g,
        sharpen=rng.uniform(0.2, 0.9) * g if rng.random() < 0.3 else 0.0,
        zoom=rng.uniform(0.6, 0.85) if g > 0.5 and rng.random() < 0.2 else 1.0,
        jpeg=int(rng.uniform(95 - 35 * g, 96)) if stored == "jpeg" else 0,
        bits={"twelve": 12, "sixteen": 16}.get(str(stored), 8),
    )
