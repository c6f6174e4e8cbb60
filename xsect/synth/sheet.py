"""What a lot sheet would say about a drawn section: nominal values, as a supplier's drawing gives them."""

from __future__ import annotations

import numpy as np

from xsect.synth.design import SectionDesign
from xsect.synth.look import Look


def sheet_row(
    design: SectionDesign, look: Look, kind: str, rng: np.random.Generator
) -> dict[str, str | float]:
    """Return lot-sheet columns; nominal thicknesses differ from the drawn ones by about half a percent."""
    coat = design.plating.outer if design.plating is not None else 0.0
    etched = look.grains_upper is not None and look.grains_upper.boundary > 0.15
    contact = design.contacts[0]
    # a nugget in a small part of the bond only is none that the drawing asked for
    fused = design.nugget is not None and 4 * design.nugget.half_width > contact.right - contact.left
    materials = ("steel", "steel") if kind == "steel_fusion" else ("copper alloy", "copper alloy")
    row: dict[str, str | float] = {
        "weld_type": "fusion" if fused else "solid_state",
        "upper_material": materials[0],
        "lower_material": materials[1],
        "upper_thickness_um": round((design.upper.thickness + coat) * float(rng.normal(1, 0.005)), 1),
        "lower_thickness_um": round((design.lower.thickness + coat) * float(rng.normal(1, 0.005)), 1),
        "projection_height_um": design.projection_height,
        "plating": "none" if design.plating is None else "tin",
        "view": "backscatter" if kind == "bse" else "brightfield",
        "etchant": "as etched" if etched else "",
    }
    if design.plating is not None:
        row["plating_um"] = round((design.plating.upper + design.plating.lower) / 2, 1)
    return row
