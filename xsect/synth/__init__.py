"""Sections drawn from known geometry: the demo images and the truth bench."""

from __future__ import annotations

import zlib
from dataclasses import replace

import numpy as np

from xsect.synth.design import SectionDesign
from xsect.synth.draws import REFERENCE_PX, Draws
from xsect.synth.fusion import BASE, fusion_scene
from xsect.synth.joint_flaws import flaw_quantities, marked_parts, with_flaws
from xsect.synth.look import Look
from xsect.synth.looks import look_scene
from xsect.synth.picture import render
from xsect.synth.profile import unroll
from xsect.synth.reckon import reckon
from xsect.synth.scenes import design_scene
from xsect.synth.sheet import sheet_row
from xsect.synth.truth import DrawnSection, Truth
from xsect.synth.unusable import WAYS, spoil

KINDS: tuple[str, ...] = (
    "unetched", "etched", "plated", "plated_residual", "plated_grey", "segments", "no_bond", "dissimilar",
    "steel_fusion", "bse", "unusable", "flawed",
    "fusion", "mixed", "heat_affected", "reflow",
)  # fmt: skip

SHOWN = {"unusable": ("unetched", "etched", "plated"), "flawed": ("unetched", "etched", "steel_fusion")}
"""What kinds that are none of their own show."""

DIFFICULTIES: tuple[str, ...] = ("easy", "fair", "hard")

__all__ = ["DIFFICULTIES", "KINDS", "DrawnSection", "Look", "SectionDesign", "Truth", "draw", "render"]


def draw(kind: str, difficulty: str, seed: int, *, width_px: int = 1600) -> DrawnSection:
    """Draw a random section of ``kind``; the same arguments give the same picture and truth.

    ``width_px`` changes the sampling only: the scene stays the same. Raises ValueError for a name that is not
    in KINDS or DIFFICULTIES.
    """
    if kind not in KINDS:
        raise ValueError(f"kind = {kind!r}: must be one of {', '.join(KINDS)}")
    if difficulty not in DIFFICULTIES:
        raise ValueError(f"difficulty = {difficulty!r}: must be one of {', '.join(DIFFICULTIES)}")
    rng = np.random.default_rng([zlib.crc32(f"{kind}/{difficulty}".encode()), seed])
    level = DIFFICULTIES.index(difficulty)
    shown = str(rng.choice(SHOWN[kind])) if kind in SHOWN else BASE.get(kind, kind)
    design = design_scene(shown, level, rng, width_px)
    look = look_scene(shown, level, rng, design)
    if kind in BASE:
        design, look = fusion_scene(kind, level, rng, design, look)
    if kind == "flawed":
        draws = Draws(rng, level, design.um_per_px * width_px / REFERENCE_PX)
        design = marked_parts(draws, design)
        design = with_flaws(draws, design, unroll(design))
    profile = unroll(design)
    truth = reckon(design, profile, sheet_row(design, look, shown, rng))
    if kind == "flawed":
        found, flaws = flaw_quantities(design, profile)
        truth = replace(truth, quantities={**truth.quantities, **found}, flaws=flaws)
    texture = int(rng.integers(2**32))
    if kind == "unusable":
        look = replace(look, bits=8)
        way = WAYS[int(rng.integers(len(WAYS)))]
        pixels = spoil(way, render(design, look, texture, profile=profile), rng)
        nothing = Truth(design.um_per_px, {}, bond_kind="none", usable=False, row=truth.row)
        return DrawnSection(pixels, nothing, kind, difficulty, seed)
    return DrawnSection(render(design, look, texture, profile=profile), truth, kind, difficulty, seed)
