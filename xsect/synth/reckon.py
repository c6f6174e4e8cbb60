"""The exact quantities of a design, from its tables: what a perfect measurement would read.

Conventions where a definition leaves a choice: part thickness includes the plating, standoff is the gap between
the platings, mean of the sides whose plateau is seen. Residual plating counts the intermetallic layer. Expelled
plating is all plating between the base metals from a notch to the middle of its meniscus. The projection's axis
lies midway between the nearest places where the opening of the base metals is half its plateau. A film over a
whole contact leaves nothing joined: bond width 0, bond kind reflow.
"""

from __future__ import annotations

import math

import numpy as np

from xsect.synth.coverage import to_picture
from xsect.synth.design import Contact, SectionDesign
from xsect.synth.nugget import outline
from xsect.synth.profile import Floats, Profile
from xsect.synth.reckon_parts import (
    Flags,
    facing_in_picture,
    free_plating,
    inside_any,
    part_quantities,
    plateau_quantities,
)
from xsect.synth.truth import Truth

THIN_FILM_UM = 0.2
"""Residual plating thinner than this does not count as coverage."""


def reckon(design: SectionDesign, profile: Profile, row: dict[str, str | float]) -> Truth:
    """Return the truth of ``design``; quantities that the picture does not show are absent."""
    inside = facing_in_picture(design, profile)
    quantities = plateau_quantities(design, profile, inside)
    quantities.update(part_quantities(design, profile, inside))
    quantities.update(free_plating(design, profile, inside))
    touching = [
        c for c in design.contacts if not design.clearance and profile.joined[_span(profile, c)].any()
    ]
    segments = tuple(_segment(design, profile, contact, inside) for contact in touching)
    if not touching:
        quantities["bond_width"] = quantities["bonded_length"] = 0.0
        kind = "reflow" if design.contacts and design.plating is not None and not design.clearance else "none"
    else:
        quantities.update(_pooled(segments))
        kind = _bond_kind(design)
    notches = tuple((_place(design, profile, c.left), _place(design, profile, c.right)) for c in touching)
    return Truth(design.um_per_px, quantities, segments, notches, kind, True, row)


def _place(design: SectionDesign, profile: Profile, u: float) -> tuple[float, float]:
    return to_picture(design, u, float(np.interp(u, profile.u, profile.line)))


def _span(profile: Profile, contact: Contact) -> slice:
    return slice(*np.searchsorted(profile.u, (contact.left, contact.right)))


def _segment(design: SectionDesign, profile: Profile, contact: Contact, inside: Flags) -> dict[str, float]:
    """Quantities of one bond segment: lengths by arc length of the line, thicknesses by quadrature."""
    span = _span(profile, contact)
    step = profile.u[1] - profile.u[0]
    stretch = np.hypot(1, np.gradient(profile.line, step))
    width = float(_between(profile.u, stretch, contact.left, contact.right))
    gaps = [(f.start, f.end) for f in contact.films if f.material == "open"]
    residue = np.where(inside_any(profile.u, gaps), 0.0, profile.opening)[span]
    lengths = [float(_between(profile.u, stretch, a, b)) for a, b in gaps]
    covered = float((residue > 0).sum() * step)
    found = {
        "bond_width": width,
        "bonded_length": width - sum(lengths) - covered,
        "largest_opening": max(lengths, default=0.0),
    }
    found["continuity"] = found["bonded_length"] / width
    axis = _axis(profile, contact, inside) if len(design.contacts) == 1 else math.nan
    if math.isfinite(axis):
        found["bond_offset"] = (contact.left + contact.right) / 2 - axis
    if design.plating is not None:
        found["plating_in_bond_mean"] = float(residue.sum() * step) / width
        found["plating_in_bond_max"] = float(residue.max(initial=0.0))
        found["plating_coverage"] = float((residue > THIN_FILM_UM).sum() * step) / width
        found["expelled_plating_area"] = _expelled(profile, contact)
    if design.nugget is not None:
        found.update(_nugget(design, profile))
    return found


def _between(u: Floats, stretch: Floats, start: float, end: float) -> float:
    """Integral of ``stretch`` from ``start`` to ``end``."""
    total = np.concatenate([[0.0], np.cumsum((stretch[1:] + stretch[:-1]) / 2 * np.diff(u))])
    return float(np.interp(end, u, total) - np.interp(start, u, total))


def _axis(profile: Profile, contact: Contact, inside: Flags) -> float:
    """Middle between the nearest stations on either side where the gap reaches half its plateau."""
    high = profile.opening >= profile.standoff / 2
    left = np.flatnonzero(high & inside & (profile.u < contact.left))
    right = np.flatnonzero(high & inside & (profile.u > contact.right))
    if not len(left) or not len(right):
        return math.nan
    return float(profile.u[left[-1]] + profile.u[right[0]]) / 2


def _expelled(profile: Profile, contact: Contact) -> float:
    """Plating between the base metals from each notch to its meniscus."""
    step = profile.u[1] - profile.u[0]
    start = max(place for place, _, sign in profile.fill_until if sign < 0 and place <= contact.left + step)
    end = min(place for place, _, sign in profile.fill_until if sign > 0 and place >= contact.right - step)
    left = (profile.u >= start) & (profile.u < contact.left)
    right = (profile.u > contact.right) & (profile.u <= end)
    return float(profile.opening[left | right].sum() * step)


def _pooled(segments: tuple[dict[str, float], ...]) -> dict[str, float]:
    """Whole-section values: sums of lengths and areas, means weighted by width, largest of the largest."""
    names = {name for segment in segments for name in segment}
    width = sum(segment["bond_width"] for segment in segments)
    whole: dict[str, float] = {}
    for name in sorted(names):
        values = [segment.get(name, math.nan) for segment in segments]
        if name in ("bond_width", "bonded_length", "expelled_plating_area"):
            whole[name] = sum(values)
        elif name in ("continuity", "plating_in_bond_mean", "plating_coverage"):
            whole[name] = sum(s[name] * s["bond_width"] for s in segments) / width
        elif name in ("largest_opening", "plating_in_bond_max", "largest_void"):
            whole[name] = max(values)
        elif len(segments) == 1:
            whole[name] = values[0]
    return whole


def _bond_kind(design: SectionDesign) -> str:
    if design.nugget is None:
        return "solid_state"
    contact = design.contacts[0]
    return "fusion" if 2 * design.nugget.half_width > 0.5 * (contact.right - contact.left) else "mixed"


def _nugget(design: SectionDesign, profile: Profile) -> dict[str, float]:
    """Nugget sizes from its outline, traced finely."""
    assert design.nugget is not None
    u, v = outline(design.nugget)
    line = np.interp(u, profile.u, profile.line)
    crossing = np.flatnonzero(np.diff(np.sign(v - line)) != 0)
    at_line = u[crossing]
    area = 0.5 * abs(float(np.dot(u, np.roll(v, 1)) - np.dot(v, np.roll(u, 1))))
    voids = design.nugget.voids
    found = {
        "nugget_width": float(at_line.max() - at_line.min()),
        "nugget_height": float(v.max() - v.min()),
        "penetration_upper": float(-v.min()) / design.upper.thickness,
        "penetration_lower": float(v.max()) / design.lower.thickness,
        "void_fraction": sum(math.pi * a * b for _, _, a, b in voids) / area,
        "largest_void": 2 * max((max(a, b) for _, _, a, b in voids), default=0.0),
    }
    return found
