"""The exact quantities of a design, from its tables: what a perfect measurement would read."""

from __future__ import annotations

import math

import numpy as np

from xsect.synth.coverage import to_picture
from xsect.synth.design import Contact, SectionDesign
from xsect.synth.profile import Floats, Profile
from xsect.synth.truth import Truth

LEVEL_STRETCH = 0.04
"""Share of the picture's width over which a plateau must be seen on a side for its height to count."""

THIN_FILM_UM = 0.2
"""Residual plating thinner than this does not count as coverage."""


def reckon(design: SectionDesign, profile: Profile, row: dict[str, str | float]) -> Truth:
    """Return the truth of ``design``; quantities that the picture does not show are absent."""
    inside = _in_picture(design, profile)
    quantities = {**_plateau_quantities(design, profile, inside), **_thicknesses(design, profile, inside)}
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


def _in_picture(design: SectionDesign, profile: Profile) -> Floats:
    """Whether the faying line's place at each u lies in the picture (with a margin of 10 px), as 0 or 1."""
    coarse = profile.u[::64]
    x, y = np.transpose([to_picture(design, float(u), 0.0) for u in coarse])
    seen = (x > 10) & (x < design.width_px - 11) & (y > 10) & (y < design.height_px - 11)
    seen &= (coarse > max(design.upper.left, design.lower.left)) & (
        coarse < min(design.upper.right, design.lower.right)
    )
    return np.interp(profile.u, coarse, seen.astype(float)) > 0.5


def _plateau_quantities(design: SectionDesign, profile: Profile, inside: Floats) -> dict[str, float]:
    """Standoff, collapse and free plating, from the sides whose plateau is seen."""
    flat = np.abs(profile.opening - profile.standoff) < 1e-9 * profile.standoff
    needed = LEVEL_STRETCH * design.width_px * design.um_per_px
    step = profile.u[1] - profile.u[0]
    heights = []
    for side in (profile.u < design.contacts[0].left, profile.u > design.contacts[-1].right):
        level = flat & side & inside
        if level.sum() * step >= needed:
            heights.append(float(np.mean((profile.lower_coat - profile.upper_coat)[level])))
    if not heights:
        return {}
    standoff = float(np.mean(heights))
    found = {"standoff": standoff}
    if math.isfinite(design.projection_height):
        found["collapse"] = (design.projection_height - standoff) / design.projection_height
    return found


def _thicknesses(design: SectionDesign, profile: Profile, inside: Floats) -> dict[str, float]:
    """Thickness of each part (plating included) where both of its faces are seen, and its electrode mark."""
    found = {}
    coat = design.plating.outer if design.plating is not None else 0.0
    level = inside & (np.abs(profile.opening - profile.standoff) < 0.02 * profile.standoff)
    for name, part, faces in (
        ("upper", design.upper, (profile.upper_outer, profile.upper_coat)),
        ("lower", design.lower, (profile.lower_coat, profile.lower_outer)),
    ):
        outer = faces[0] if name == "upper" else faces[1]
        shown = _seen(design, profile.u, outer)
        outside = level if name == "upper" else inside & (profile.opening > 0)
        outside = outside & (np.abs(profile.u) > max(1.3 * part.mark_width if part.indentation else 0, 0))
        if (outside & shown).sum() * (
            profile.u[1] - profile.u[0]
        ) >= LEVEL_STRETCH * design.width_px * design.um_per_px:
            found[f"{name}_thickness"] = float(np.median((faces[1] - faces[0])[outside & shown])) + coat
        if part.indentation and not part.dent and shown[np.abs(profile.u) < 1.3 * part.mark_width].all():
            found[f"indentation_{name}"] = part.indentation
    if design.plating is not None:
        found["plating_free_thickness"] = (design.plating.upper + design.plating.lower) / 2
    return found


def _seen(design: SectionDesign, u: Floats, v: Floats) -> Floats:
    """Whether each place (u, v) lies in the picture."""
    coarse = slice(None, None, 64)
    x, y = np.transpose(
        [to_picture(design, a, b) for a, b in zip(u[coarse].tolist(), v[coarse].tolist(), strict=True)]
    )
    seen = (x > 3) & (x < design.width_px - 4) & (y > 3) & (y < design.height_px - 4)
    return np.interp(u, u[coarse], seen.astype(float)) > 0.5


def _segment(design: SectionDesign, profile: Profile, contact: Contact, inside: Floats) -> dict[str, float]:
    """Quantities of one bond segment: lengths by arc length of the line, thicknesses by quadrature."""
    span = _span(profile, contact)
    step = profile.u[1] - profile.u[0]
    stretch = np.hypot(1, np.gradient(profile.line, step))
    width = float(_between(profile.u, stretch, contact.left, contact.right))
    gaps = [(f.start, f.end) for f in contact.films if f.material == "open"]
    residue = np.where(_inside_any(profile.u, gaps), 0.0, profile.opening)[span]
    lengths = [float(_between(profile.u, stretch, a, b)) for a, b in gaps]
    covered = float((residue > 0).sum() * step)
    found = {
        "bond_width": width,
        "bonded_length": width - sum(lengths) - covered,
        "largest_opening": max(lengths, default=0.0),
    }
    found["continuity"] = found["bonded_length"] / width
    axis = _axis(profile, contact, inside)
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


def _inside_any(u: Floats, spans: list[tuple[float, float]]) -> Floats:
    inside = np.zeros(u.shape, dtype=bool)
    for start, end in spans:
        inside |= (u > start) & (u < end)
    return inside


def _axis(profile: Profile, contact: Contact, inside: Floats) -> float:
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
    menisci = [place for place, _, _ in profile.fill_until]
    start = max(place for place in menisci if place <= contact.left)
    end = min(place for place in menisci if place >= contact.right)
    outside = ((profile.u >= start) & (profile.u < contact.left)) | (
        (profile.u > contact.right) & (profile.u <= end)
    )
    return float(profile.opening[outside].sum() * step)


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
    from xsect.synth.nugget import outline

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
