"""Random designs: the geometry of each kind of scene at each difficulty, over broad ranges."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from xsect.synth import scene_bond, scene_parts
from xsect.synth.design import Part, SectionDesign
from xsect.synth.draws import REFERENCE_PX, Draws
from xsect.synth.profile import outer_opening


def design_scene(kind: str, level: int, rng: np.random.Generator, width_px: int) -> SectionDesign:
    """Return a random design of ``kind`` at difficulty ``level`` (0 to 2)."""
    plated = kind.startswith("plated") or kind == "bse"
    plated = plated or (kind in ("segments", "no_bond") and rng.random() < 0.3)
    bond = float(np.exp(rng.uniform(np.log(300), np.log(1600 if plated else 3000))))
    field = bond * float(rng.uniform(1.6, 2.9)) * (1.2 if plated else 1.0)
    d = Draws(rng, level, field / REFERENCE_PX)
    design = _placed(_facing(d, kind, bond, field, plated), width_px, d)
    upper, lower = scene_parts.parts(d, design, kind, field)
    design = replace(design, upper=upper, lower=lower)
    if kind == "steel_fusion":
        design = replace(design, nugget=scene_bond.nugget(d, design))
    design = scene_bond.with_films(d, design, kind)
    reached = (design.standoff_left + design.standoff_right) / 2 + design.clearance
    return replace(design, projection_height=reached / d.uni(0.08, 0.7))


def _facing(d: Draws, kind: str, bond: float, field: float, plated: bool) -> SectionDesign:
    """Contacts, gap and plating, in a picture not yet sized whose parts are still to come."""
    count = int(d.rng.integers(2, 5)) if kind == "segments" else 1
    standoff = min(max(d.log(20, 400), d.by_level(16, 11, 7) * d.pixel), 0.22 * field)
    plating = scene_bond.plating(d, kind) if plated else None
    tin = 0.0 if plating is None else plating.upper + plating.lower
    if plating is not None:
        standoff = max(standoff, 2.5 * tin + 8 * d.pixel)
    between = standoff * (d.uni(0.5, 1.0) if count > 1 else 1.0)
    if plating is not None:
        plating = replace(plating, fill=min(plating.fill, max(0.6 * between / tin, 1.0)))
    clearance = scene_bond.clearance(d) + 1.2 * tin if kind == "no_bond" else 0.0
    roughness = d.uni(0, d.by_level(0.3, 0.7, 1.2)) * d.pixel
    design = SectionDesign(
        um_per_px=d.pixel,
        width_px=REFERENCE_PX,
        height_px=REFERENCE_PX,
        origin=(0.0, 0.0),
        contacts=scene_bond.contacts(d, bond, count, standoff, field),
        upper=Part(1.0),
        lower=Part(1.0),
        standoff_left=standoff,
        standoff_right=standoff * (1 + (d.uni(-0.08, 0.08) if d.level else 0)),
        standoff_between=between,
        clearance=clearance,
        lower_share=float(d.rng.choice([0.0, d.uni(0, 0.3), d.uni(0.7, 1.0)])),
        tilt_deg=d.uni(-1, 1) * d.by_level(3, 8, 20),
        bow_radius=_bow(d, field),
        waves=_waves(d),
        # Parts that do not touch must not seem to: roughness stays far below the gap.
        roughness=min(roughness, clearance / 25) if clearance else roughness,
        rough_length=d.uni(4, 25) * d.pixel,
        rough_seed=int(d.rng.integers(2**31)),
        plating=plating,
    )
    return scene_bond.opened(d, design, field)


def _bow(d: Draws, field: float) -> float:
    sag = d.uni(-1, 1) * d.by_level(0.004, 0.012, 0.03) * field
    return field**2 / (8 * sag) if abs(sag) > 1e-4 * field else math.inf


def _waves(d: Draws) -> tuple[tuple[float, float, float], ...]:
    size = d.by_level(0.0, 0.6, 1.2) * d.pixel
    return tuple(
        (size * d.uni(0.3, 1), d.uni(60, 250) * d.pixel, d.uni(0, 6.28)) for _ in range(2 if size else 0)
    )


def _placed(design: SectionDesign, width_px: int, d: Draws) -> SectionDesign:
    """Size the picture, put the projection's axis at u = 0 and the bond near the picture's middle."""
    field = REFERENCE_PX * d.pixel
    first, last = design.contacts[0].left, design.contacts[-1].right
    u = np.linspace(first - 3 * field, last + 3 * field, 6001)
    half = (design.standoff_left + design.standoff_right) / 4 + design.clearance / 2
    high = outer_opening(design, u) >= half
    left, right = u[high & (u < first)], u[high & (u > last)]
    axis = (first + last) / 2
    if len(left) and len(right):
        axis = float(left.max() + right.min()) / 2
    contacts = tuple(replace(c, left=c.left - axis, right=c.right - axis) for c in design.contacts)
    pixel = field / width_px
    height_px = round(width_px * float(d.rng.choice([0.625, 0.667, 0.75])))
    middle = (contacts[0].left + contacts[-1].right) / 2 / pixel
    angle = math.radians(design.tilt_deg)
    spare = max(field - (last - first), 0) / field
    x = width_px * (0.5 + spare * d.uni(-1, 1) * d.by_level(0.04, 0.08, 0.14))
    y = height_px * (0.5 + d.uni(-1, 1) * d.by_level(0.05, 0.09, 0.13))
    origin = (x - middle * math.cos(angle), y - middle * math.sin(angle))
    return replace(
        design, um_per_px=pixel, width_px=width_px, height_px=height_px, origin=origin, contacts=contacts
    )
