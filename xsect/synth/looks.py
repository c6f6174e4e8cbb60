"""Random looks: materials, etch, preparation, light and camera of each kind of scene at each difficulty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xsect.synth.design import SectionDesign
from xsect.synth.draws import Draws
from xsect.synth.imc import inner_colour
from xsect.synth.look import (
    BRASS,
    BRONZE,
    COPPER,
    NICKEL,
    RESINS,
    STEEL,
    TIN,
    TIN_COPPER,
    Colour,
    Grains,
    Look,
)

# Backscatter coefficients after Castaing's rule for phases (eta, mass-weighted) and from memory for resin.
BACKSCATTER = {"copper": 0.302, "tin": 0.413, "reaction": 0.379, "cu3sn": 0.345, "resin": 0.064, "void": 0.02}


def look_scene(kind: str, level: int, rng: np.random.Generator, design: SectionDesign) -> Look:
    """Return a random look for ``kind`` at difficulty ``level`` (0 to 2)."""
    d = Draws(rng, level, design.um_per_px * design.width_px / 1600)
    look = _materials(kind, d)
    upper, lower = _etch(kind, d)
    look = _prepared(replace(look, grains_upper=upper, grains_lower=lower), kind, d, design)
    look = _camera(look, kind, d)
    if kind == "no_bond" and design.clearance:
        # The thinnest gap stays wider than two blur widths: thinner ones nobody can tell from a line.
        look = replace(look, blur_px=min(look.blur_px, design.clearance / d.pixel / 2.2), rim_blur_px=0.0)
    return _electron(look, d) if kind == "bse" else look


def _vary(colour: Colour, d: Draws, spread: float = 0.04) -> Colour:
    factors = d.rng.normal(1, spread) * d.rng.normal(1, spread / 3, 3)
    return tuple(float(c * f) for c, f in zip(colour, factors, strict=True))  # type: ignore[return-value]


def _materials(kind: str, d: Draws) -> Look:
    """Colours of metals, plating, mount and gap."""
    bases = {"copper": COPPER, "brass": BRASS, "nickel": NICKEL, "steel": STEEL, "bronze": BRONZE}
    name = (
        "copper" if kind.startswith("plated") else str(d.rng.choice(["copper", "copper", "brass", "bronze"]))
    )
    if kind == "steel_fusion":
        name = "steel"
    upper = lower = _vary(bases[name], d)
    if kind == "dissimilar":
        pair = [
            ("copper", "steel"),
            ("brass", "copper"),
            ("nickel", "copper"),
            ("copper", "nickel"),
            ("steel", "copper"),
        ]
        first, second = pair[int(d.rng.integers(len(pair)))]
        upper, lower = _vary(bases[first], d), _vary(bases[second], d)
    mount = _vary(RESINS[str(d.rng.choice(list(RESINS)))], d, 0.15)
    dark = d.uni(0.25, 1.0) if d.level else d.uni(0.6, 1.0)
    if d.level and d.rng.random() < 0.15:
        dark = d.uni(1.2, 1.8)
    gap: Colour = (mount[0] * dark, mount[1] * dark, mount[2] * dark)
    grey = kind in ("plated_grey", "bse") or (not kind.startswith("plated") and d.rng.random() < 0.4)
    look = Look(
        upper=upper,
        lower=lower,
        tin=_vary(TIN, d),
        reaction=_vary(TIN_COPPER, d),
        mount=mount,
        gap=gap,
        grey=grey,
    )
    look = replace(look, cu3sn=inner_colour(upper, look.reaction))
    if kind == "plated_grey":
        # In a grey picture tin shows by its own level only: brighter or, after some etchants, darker.
        base = float(np.dot(upper, (0.299, 0.587, 0.114)))
        step = d.by_level(0.22, 0.15, 0.10) * d.uni(1, 1.6) * (1 if d.rng.random() < 0.5 else -1)
        level = base * (1 + step)
        look = replace(look, tin=(level, level, level))
    return look


def _etch(kind: str, d: Draws) -> tuple[Grains | None, Grains | None]:
    """Grains of both parts: full contrast where etched, a hint of them at times where only polished."""
    etched = kind in ("etched", "steel_fusion")
    etched = etched or (kind in ("segments", "no_bond", "dissimilar", "plated") and d.chance(0, 0.15, 0.3))
    if not etched and not d.chance(0.2, 0.3, 0.4):
        return None, None
    steel = kind == "steel_fusion"
    strength = 1.0 if etched else d.uni(0.1, 0.3)
    contrast = d.uni(*((0.04, 0.09), (0.06, 0.13), (0.08, 0.17))[d.level]) * strength
    boundary = d.uni(*((0.2, 0.45), (0.3, 0.6), (0.4, 0.8))[d.level])
    upper = Grains(
        size=(d.log(5, 12) if steel else d.log(7, 45)) * d.pixel,
        contrast=0.8 * contrast if steel else contrast,
        boundary=boundary if etched else 0.4 * strength * boundary,
        boundary_um=d.uni(0.6, 1.6) * d.pixel,
        tint=d.uni(0.05, 0.35),
        twins=0.0 if steel else d.uni(0.2, 0.7),
        flatten=d.uni(1.0, 1.8),
        grown=d.uni(0, 0.8) if etched and kind != "dissimilar" else 0.0,
    )
    lower = replace(upper, size=upper.size * d.log(0.6, 1.6)) if d.level else upper
    return upper, lower


def _prepared(look: Look, kind: str, d: Draws, design: SectionDesign) -> Look:
    """Marks of polishing, mounting and drying."""
    n = d.rng.poisson
    etched = look.grains_upper is not None and look.grains_upper.boundary > 0.15
    return replace(
        look,
        metal_mottle=d.uni(0.002, d.by_level(0.006, 0.012, 0.025)),
        lay=d.uni(0.001, d.by_level(0.004, 0.010, 0.018)),
        mount_mottle=d.uni(0.05, d.by_level(0.15, 0.3, 0.5)),
        fillers=int(n(d.by_level(20, 60, 120))) if d.chance(0.3, 0.4, 0.5) else 0,
        bubbles=int(n(d.by_level(1, 3, 6))) if d.chance(0.2, 0.3, 0.4) else 0,
        glints=int(n(d.by_level(0.5, 2, 5))),
        smears=int(n(d.by_level(0, 0.3, 1.0))),
        wall_glow=d.uni(0, 0.08) if d.chance(0.0, 0.2, 0.35) else 0.0,
        gap_mottle=d.uni(0, d.by_level(0.1, 0.3, 0.6)),
        line_um=d.pixel * d.uni(0, d.by_level(0.12, 0.25, 0.4)) if kind != "dissimilar" else 0.05 * d.pixel,
        line_share=d.uni(0.1, 0.9),
        stringers=int(n(d.by_level(3, 10, 20))) if not etched else int(n(d.by_level(1, 4, 8))),
        heat=d.uni(0.1, 0.3) if kind == "steel_fusion" else 0.0,
        heat_reach=d.uni(0.2, 1.5),
        nugget_shade=float(d.rng.choice([d.uni(0.68, 0.86), d.uni(1.08, 1.2)])),
        scratches=int(n(d.by_level(6, 25, 60))),
        scratches_along=int(n(d.by_level(0, 1.0, 3.0))),
        comets=int(n(d.by_level(0, 2, 6))),
        pits=int(n(d.by_level(15, 50, 110))),
        stains=int(n(d.by_level(0, 0.6, 1.8))),
        relief=d.uni(0, d.by_level(0.05, 0.15, 0.3)) if design.plating is not None else 0.0,
        shrinkage_um=d.uni(1, 6) * d.pixel if d.chance(0.2, 0.3, 0.4) else 0.0,
        rim_blur_px=d.uni(0.8, d.by_level(1.5, 2.5, 4)) if d.chance(0.3, 0.5, 0.7) else 0.0,
        rim_um=d.uni(3, 12) * d.pixel,
    )


def _camera(look: Look, kind: str, d: Draws) -> Look:
    """Lens, light, sensor and file."""
    deep = d.rng.random() < 0.2
    cast = d.by_level(0.03, 0.08, 0.14)
    bar = ""
    if d.rng.random() < 0.25:
        bar = str(d.rng.choice(["lower right", "lower left", "lower right box", "upper left box"]))
    return replace(
        look,
        blur_px=d.uni(0.6, d.by_level(1.0, 1.7, 2.6)),
        astigmatism=d.uni(-1, 1) * d.by_level(0, 0.08, 0.15),
        tilt_light=d.uni(0, d.by_level(0.05, 0.12, 0.22)),
        vignette=d.uni(0, d.by_level(0.05, 0.12, 0.25)),
        tiles=int(d.rng.integers(2, 4)) if d.chance(0, 0.08, 0.15) else 0,
        exposure=d.uni(*((0.75, 0.9), (0.6, 0.92), (0.42, 0.95))[d.level]) / max(look.upper + look.lower),
        white_balance=tuple(d.rng.uniform(1 - cast, 1 + cast / 3, 3).tolist()),
        black_level=d.uni(0, 0.02),
        gamma=float(d.rng.choice([1.0, d.uni(0.6, 1.0)], p=[0.7, 0.3])) if d.level else 1.0,
        electrons=d.log(*((8000, 20000), (2500, 10000), (900, 4000))[d.level]),
        read_noise=d.uni(0.001, d.by_level(0.002, 0.005, 0.009)),
        sharpen=d.uni(0.2, 0.9) if d.chance(0.05, 0.2, 0.35) else 0.0,
        bits=16 if deep else 8,
        jpeg=0
        if deep or d.chance(0.7, 0.5, 0.4)
        else int(d.rng.integers(*((88, 96), (80, 95), (70, 92))[d.level])),
        bar=bar,
        arrow=d.chance(0, 0.04, 0.08),
        caption=str(d.rng.choice(["", "", "", "Sample 4 / B", "x100", "cut 2"])),
    )


def _electron(look: Look, d: Draws) -> Look:
    """Backscatter: grey levels by mean atomic number, contrast and brightness set by the operator."""

    def level(phase: str) -> Colour:
        value = BACKSCATTER[phase]
        return (value, value, value)

    gain = d.uni(1.5, 2.2)
    return replace(
        look,
        upper=level("copper"),
        lower=level("copper"),
        tin=level("tin"),
        reaction=level("reaction"),
        cu3sn=level("cu3sn"),
        mount=level("resin"),
        gap=level("void") if d.rng.random() < 0.5 else level("resin"),
        exposure=gain,
        black_level=-d.uni(0, 0.06) * gain,
        gamma=1.0,
        electrons=look.electrons / 4,
        stains=0,
        tilt_light=look.tilt_light / 3,
        vignette=0.0,
        mount_mottle=look.mount_mottle / 2,
        glints=0,
        smears=0,
        wall_glow=0.0,
        bar="",
        arrow=False,
        caption="",
        strip="black" if d.rng.random() < 0.6 else "",
    )
