"""Random parts: thicknesses, ends inside the picture, a dimple's hollow, an electrode's mark."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xsect.synth.design import Part, SectionDesign
from xsect.synth.draws import Draws
from xsect.synth.profile import outer_opening
from xsect.synth.scene_bond import plainly_open


def parts(d: Draws, design: SectionDesign, kind: str, field: float) -> tuple[Part, Part]:
    """Return the upper and the lower part; the hollow lies behind whichever carries the projection."""
    first, last = design.contacts[0].left, design.contacts[-1].right
    upper_t = float(np.clip(field * d.uni(0.10, 0.35), 200, 1500))
    lower_t = float(np.clip(upper_t * d.uni(0.8, 2.2), 200, 1500))
    stamped = len(design.contacts) == 1 and kind != "steel_fusion" and d.rng.random() < 0.5
    upper = Part(upper_t, **_ends(d, design, field), corner=d.uni(5, 0.1 * upper_t))
    lower = Part(lower_t, **_ends(d, design, field), corner=d.uni(5, 0.1 * lower_t))
    if stamped and design.lower_share < 0.5:
        upper = _dented(d, upper, design.standoff_left, last - first)
    elif stamped:
        lower = _dented(d, lower, design.standoff_left, last - first)
    return _marked(d, upper, 0.5, last - first), _marked(d, lower, 0.3, last - first)


def _dented(d: Draws, part: Part, standoff: float, width: float) -> Part:
    """A stamped dimple leaves a hollow in the outer face, about as deep as the projection was high."""
    depth = min(d.uni(0.5, 1.2) * standoff + d.uni(0, 60), 0.55 * part.thickness)
    return replace(part, dent=depth, dent_width=width * d.uni(0.35, 0.6))


def _marked(d: Draws, part: Part, share: float, width: float) -> Part:
    """At times an electrode has left its mark."""
    if part.dent or d.rng.random() > share:
        return part
    depth = d.uni(0.01, 0.08) * part.thickness
    return replace(part, indentation=depth, mark_width=width * d.uni(0.5, 0.9))


def _ends(d: Draws, design: SectionDesign, field: float) -> dict[str, float]:
    """A part may end inside the picture, a tenth of it or more from the bond and where the gap is open."""
    first, last = design.contacts[0].left, design.contacts[-1].right
    spare = (field - (last - first)) / 2
    ends: dict[str, float] = {}
    if spare > 0.15 * field and d.chance(0.1, 0.25, 0.35):
        reach = d.uni(max(0.11 * field, 0.55 * spare), 0.95 * spare)
        side = d.rng.random()
        gap = outer_opening(design, np.array([first - reach, last + reach]))
        wide = gap >= plainly_open(d, design)
        if side < 0.6 and wide[0]:
            ends["left"] = first - reach
        if side > 0.4 and wide[1]:
            ends["right"] = last + reach
    return ends
