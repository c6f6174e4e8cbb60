"""A second, independent way to draw sections of known geometry, so that measuring is not fitted to one look.

Shapes are polygons along a faying line measured by its arc length, rasterised by their exact area in each
pixel; metal, resin and camera are other ones than in the package's own drawings.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.bench.second_look.camera import take
from tests.bench.second_look.cuts import choose_cuts, flaw_truth
from tests.bench.second_look.layout import lay_out
from tests.bench.second_look.looks import look
from tests.bench.second_look.paint import paint
from tests.bench.second_look.plans import plan
from tests.bench.second_look.truths import truth_of
from tests.bench.second_look.unusable import SCENES, unusable
from tests.bench.second_look.weld import BASE, welded
from xsect.synth.truth import DrawnSection, Truth

KINDS = (
    "unetched", "etched", "plated", "plated_residual", "plated_grey", "segments", "no_bond", "dissimilar",
    "steel_fusion", "bse", "unusable", "fusion", "mixed", "heat_affected",
    "flawed",
)  # fmt: skip
DIFFICULTIES = ("easy", "fair", "hard")


def draw(kind: str, difficulty: str, seed: int, *, width_px: int = 1400) -> DrawnSection:
    """Return one drawn section; the same kind, difficulty and seed give the same picture."""
    if kind not in KINDS or difficulty not in DIFFICULTIES:
        raise ValueError(
            f"kind = {kind!r}, difficulty = {difficulty!r}: must be of {KINDS} and {DIFFICULTIES}"
        )
    rng = np.random.default_rng([seed, KINDS.index(kind), DIFFICULTIES.index(difficulty)])
    if kind == "unusable":
        pixels = unusable(SCENES[seed % len(SCENES)], difficulty, rng, width_px)
        truth = Truth(1.0, {}, bond_kind="none", usable=False, row={"um_per_px": 1.0})
        return DrawnSection(pixels, truth, kind, difficulty, seed)
    base = str(rng.choice(["unetched", "etched"])) if kind == "flawed" else BASE.get(kind, kind)
    layout = plan(base, difficulty, rng, width_px)
    seen = look(base, difficulty, rng)
    if kind in BASE:
        layout, seen = welded(kind, difficulty, layout, seen, rng)
    shapes = lay_out(layout)
    cuts = choose_cuts(layout, shapes, rng) if kind == "flawed" else ()
    pixels = take(paint(layout, shapes, seen, rng, cuts), seen.camera, rng)
    truth = truth_of(layout, shapes)
    if kind == "flawed":
        quantities = {**truth.quantities, **flaw_truth(layout, cuts)}
        truth = replace(truth, quantities=quantities, flaws=tuple(cut.truth for cut in cuts))
    return DrawnSection(pixels, truth, kind, difficulty, seed)
