"""The exact quantities of a design's parts: standoff, thicknesses, marks and free plating, where the picture
shows them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from xsect.synth.coverage import to_picture
from xsect.synth.design import Part, SectionDesign
from xsect.synth.profile import Floats, Profile

Flags = NDArray[np.bool_]

LEVEL_STRETCH = 0.04
"""Share of the picture's width over which a level must be seen for it to count."""


def facing_in_picture(design: SectionDesign, profile: Profile) -> Flags:
    """Return (n,) whether the faying line lies in the picture there, with both parts beside it."""
    first = max(design.upper.left, design.lower.left)
    last = min(design.upper.right, design.lower.right)
    return _seen(design, profile.u, profile.line, 10) & (profile.u > first) & (profile.u < last)


def plateau_quantities(design: SectionDesign, profile: Profile, inside: Flags) -> dict[str, float]:
    """Return standoff and collapse, from the sides whose plateau is seen; {} where none is."""
    sides = (profile.u < design.contacts[0].left, profile.u > design.contacts[-1].right)
    gap = profile.lower_coat - profile.upper_coat
    levels = [profile.level & side & inside for side in sides]
    heights = [float(np.mean(gap[level])) for level in levels if _long_enough(design, profile, level)]
    if not heights:
        return {}
    standoff = float(np.mean(heights))
    found = {"standoff": standoff}
    if math.isfinite(design.projection_height):
        found["collapse"] = (design.projection_height - standoff) / design.projection_height
    return found


def part_quantities(design: SectionDesign, profile: Profile, inside: Flags) -> dict[str, float]:
    """Return each part's thickness (plating included) and electrode mark, where its faces are seen."""
    found = {}
    coat = design.plating.outer if design.plating is not None else 0.0
    level = inside & profile.level
    for name, part, upper_face, lower_face in (
        ("upper", design.upper, profile.upper_outer, profile.upper_coat),
        ("lower", design.lower, profile.lower_coat, profile.lower_outer),
    ):
        shown = _seen(design, profile.u, upper_face if name == "upper" else lower_face, 3)
        aside = np.abs(profile.u) > max(
            1.3 * part.mark_width * bool(part.indentation), 1.8 * part.dent_width * bool(part.dent)
        )
        level_and_shown = level & shown & aside
        if _long_enough(design, profile, level_and_shown):
            found[f"{name}_thickness"] = float(np.median((lower_face - upper_face)[level_and_shown])) + coat
        if part.indentation and not part.dent and _mark_shown(profile, part, shown):
            found[f"indentation_{name}"] = part.indentation
    return found


def _mark_shown(profile: Profile, part: Part, shown: Flags) -> bool:
    """Whether an electrode mark and some of its surroundings are seen on both sides."""
    about = np.abs(profile.u) < 1.5 * part.mark_width
    return (
        bool(shown[about].all()) and part.left < -1.5 * part.mark_width and part.right > 1.5 * part.mark_width
    )


def free_plating(design: SectionDesign, profile: Profile, inside: Flags) -> dict[str, float]:
    """Return the plating's thickness on the facing surfaces of the open gap, and its reaction layers'."""
    spans = [(contact.left, contact.right) for contact in design.contacts]
    open_gap = inside & (profile.lower_coat > profile.upper_coat) & ~inside_any(profile.u, spans)
    if design.plating is None or not _long_enough(design, profile, open_gap):
        return {}
    upper, lower = profile.upper_coat - profile.upper_face, profile.lower_face - profile.lower_coat
    found = {"plating_free_thickness": float(np.mean((upper + lower)[open_gap])) / 2}
    if design.plating.reaction:
        found["imc_mean"] = float(np.mean(profile.reaction[open_gap]))
        found["imc_max"] = float(np.max(profile.reaction[open_gap]))
    return found


def _long_enough(design: SectionDesign, profile: Profile, stretch: Flags) -> bool:
    """Whether a stretch is seen over enough of the picture's width to be read."""
    length = float(stretch.sum() * (profile.u[1] - profile.u[0]))
    return length >= LEVEL_STRETCH * design.width_px * design.um_per_px


def inside_any(u: Floats, spans: list[tuple[float, float]]) -> Flags:
    """Return (n,) whether each u lies inside one of the open intervals."""
    inside = np.zeros(u.shape, dtype=bool)
    for start, end in spans:
        inside |= (u > start) & (u < end)
    return inside


def _seen(design: SectionDesign, u: Floats, v: Floats, margin: float) -> Flags:
    """Whether each place (u, v) lies in the picture, ``margin`` px or more from its border."""
    coarse = slice(None, None, 64)
    places = [to_picture(design, a, b) for a, b in zip(u[coarse].tolist(), v[coarse].tolist(), strict=True)]
    x, y = np.transpose(places)
    seen = (
        (x > margin) & (x < design.width_px - 1 - margin) & (y > margin) & (y < design.height_px - 1 - margin)
    )
    return np.asarray(np.interp(u, u[coarse], seen.astype(float)) > 0.5)
