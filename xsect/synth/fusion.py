"""Random scenes about fusion: nuggets of many looks, small ones in a solid-state bond, heat without a nugget,
and bonds held by re-melted plating."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xsect.synth.design import Film, Nugget, SectionDesign
from xsect.synth.draws import Draws
from xsect.synth.look import BRASS, BRONZE, COPPER, STEEL, Grains, Look, NuggetStyle
from xsect.synth.scene_bond import nugget

BASE = {
    "fusion": "steel_fusion", "mixed": "steel_fusion", "heat_affected": "steel_fusion",
    "reflow": "plated_residual",
}  # fmt: skip
"""The kind of scene from which each of these is made."""

STYLES: tuple[NuggetStyle, ...] = ("columnar", "dendritic", "fine", "plain")


def fusion_scene(
    kind: str, level: int, rng: np.random.Generator, design: SectionDesign, look: Look
) -> tuple[SectionDesign, Look]:
    """Return design and look of a scene of BASE[kind] changed into one of ``kind``."""
    d = Draws(rng, level, design.um_per_px * design.width_px / 1600)
    if kind == "reflow":
        return _held_by_plating(d, design), look
    look = _nugget_look(d, _metal(d, look))
    if kind == "heat_affected":
        look = replace(look, heat=d.uni(0.12, 0.35) * (1 if rng.random() < 0.7 else -0.6))
        return replace(design, nugget=None, heat=design.nugget), look
    chosen = _small(d, design) if kind == "mixed" else _large(d, design)
    return replace(design, nugget=chosen), _told_apart(look, chosen)


def _told_apart(look: Look, nugget: Nugget) -> Look:
    """Return the look with grains small enough for the nugget to be told among them."""
    most = 0.25 * nugget.half_width
    upper, lower = (
        None if grains is None else replace(grains, size=min(grains.size, most))
        for grains in (look.grains_upper, look.grains_lower)
    )
    return replace(look, grains_upper=upper, grains_lower=lower)


def _held_by_plating(d: Draws, design: SectionDesign) -> SectionDesign:
    row = []
    for contact in design.contacts:
        thick = max(d.log(3, 8) * d.pixel, 2.0)
        row.append(replace(contact, films=(Film(contact.left - 1, contact.right + 1, thick, fullness=12),)))
    return replace(design, contacts=tuple(row))


def _large(d: Draws, design: SectionDesign) -> Nugget:
    """A nugget pulled to one side of the line and along it, its rim ragged by the grains it grew from."""
    one = nugget(d, design)
    pulled = d.uni(-0.4, 0.4) * min(one.half_height_upper, one.half_height_lower)
    middle = (design.contacts[0].left + design.contacts[0].right) / 2
    spare = (design.contacts[0].right - design.contacts[0].left) / 2 - one.half_width
    ragged = tuple((n, d.uni(0.2, 1) * d.by_level(0.002, 0.004, 0.006), d.uni(0, 6.28)) for n in (13, 21, 34))
    return replace(
        one,
        centre_v=pulled,
        centre_u=middle + d.uni(-0.6, 0.6) * spare,
        rim_waves=(*one.rim_waves, (2, d.uni(0, 0.03), d.uni(0, 6.28)), *ragged),
    )


def _small(d: Draws, design: SectionDesign) -> Nugget:
    """Fusion has begun: a nugget well inside the bond, across the line."""
    one = _large(d, design)
    contact = design.contacts[0]
    bond = contact.right - contact.left
    width = bond * d.uni(0.15, 0.4) / 2
    heights = [min(width * d.uni(0.35, 0.9), 0.5 * part.thickness) for part in (design.upper, design.lower)]
    middle = (contact.left + contact.right) / 2 + d.uni(-0.15, 0.15) * bond
    return replace(
        one,
        centre_u=middle,
        centre_v=d.uni(-0.3, 0.3) * min(heights),
        half_width=width,
        half_height_upper=heights[0],
        half_height_lower=heights[1],
        voids=(),
    )


def _metal(d: Draws, look: Look) -> Look:
    """Steel, or a copper alloy with larger, twinned grains."""
    if d.rng.random() < 0.5:
        return look
    base = (COPPER, BRASS, BRONZE, STEEL)[int(d.rng.integers(4))]
    scale, twins = d.log(0.8, 3.0), d.uni(0.2, 0.7)

    def other(grains: Grains | None) -> Grains | None:
        if grains is None:
            return None
        return replace(grains, size=grains.size * scale, twins=twins, contrast=1.2 * grains.contrast)

    return replace(
        look,
        upper=base,
        lower=base,
        grains_upper=other(look.grains_upper),
        grains_lower=other(look.grains_lower),
    )


def _nugget_look(d: Draws, look: Look) -> Look:
    """Darker, lighter or (where its structure shows) of the parent's shade; with or without a rim line."""
    style = STYLES[int(d.rng.choice(4, p=(0.4, 0.25, 0.2, 0.15)))]
    contrast = d.uni(0.06, 0.16) if style in ("columnar", "dendritic") else d.uni(0.02, 0.06)
    dark, light = d.uni(0.6, d.by_level(0.8, 0.84, 0.88)), d.uni(d.by_level(1.14, 1.11, 1.08), 1.3)
    tint = [d.uni(0.96, 1.04) for _ in range(3)]
    return replace(
        look,
        nugget_style=style,
        nugget_grain=d.log(0.015, 0.06),
        nugget_contrast=contrast,
        nugget_shade=dark if d.rng.random() < 0.6 else light,
        nugget_tint=(tint[0], tint[1], tint[2]),
        nugget_rim=d.uni(0.1, 0.5) if d.rng.random() < 0.3 else 0.0,
        heat=d.uni(-0.08, 0.3),
        heat_reach=d.uni(0.2, 1.5),
        heat_grains=d.uni(1.6, 3.0) if d.chance(0.3, 0.4, 0.5) else 0.0,
    )
