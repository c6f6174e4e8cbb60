"""Truth of a layout: every quantity that its shapes fix, in µm."""

from __future__ import annotations

import numpy as np

from tests.bench.second_look.layout import (
    LEVEL_PX,
    Layout,
    Lens,
    Part,
    Shapes,
    inside_picture,
    length,
    level_stretches,
    within,
)
from xsect.synth.truth import Truth


def truth_of(layout: Layout, shapes: Shapes) -> Truth:
    """Return the truth of a laid-out section; a quantity that cannot be read from the picture is left out."""
    bonded = layout.least_gap == 0
    segments = tuple(_segment(layout, shapes, i) for i in range(len(layout.contacts))) if bonded else ()
    whole: dict[str, float] = {"bond_width": 0.0, "bonded_length": 0.0}
    for name in ("bond_width", "bonded_length", "expelled_plating_area"):
        if any(name in segment for segment in segments):
            whole[name] = sum(segment[name] for segment in segments)
    if bonded:
        whole["continuity"] = whole["bonded_length"] / whole["bond_width"]
        for name in ("largest_opening", "plating_in_bond_max"):
            if name in segments[0]:
                whole[name] = max(segment[name] for segment in segments)
        for name in ("plating_in_bond_mean", "plating_coverage"):
            if name in segments[0]:
                parts = [segment[name] * segment["bond_width"] for segment in segments]
                whole[name] = sum(parts) / whole["bond_width"]
        if layout.nugget is not None:
            whole |= _nugget(layout)
    whole |= _gaps(layout, shapes) | _thicknesses(layout, shapes)
    notches = tuple(
        (_point(shapes, left), _point(shapes, right)) for left, right in (layout.contacts if bonded else ())
    )
    kind = _kind(layout) if bonded else "none"
    height = layout.row.get("projection_height_um")
    if isinstance(height, float) and "standoff" in whole:
        whole["collapse"] = (height - whole["standoff"]) / height
    return Truth(layout.um_per_px, whole, segments, notches, kind, True, dict(layout.row))


def _kind(layout: Layout) -> str:
    if layout.nugget is None:
        return "solid_state"
    left, right = layout.contacts[0]
    return "fusion" if layout.nugget.width > 0.5 * (right - left) else "mixed"


def _point(shapes: Shapes, s: float) -> tuple[float, float]:
    x, y = shapes.at(s, 0.0)[0]
    return float(x), float(y)


def _inside(lenses: tuple[Lens, ...], contact: tuple[float, float]) -> list[Lens]:
    return [lens for lens in lenses if contact[0] <= lens.left and lens.right <= contact[1]]


def _segment(layout: Layout, shapes: Shapes, i: int) -> dict[str, float]:
    left, right = layout.contacts[i]
    um, width = layout.um_per_px, right - left
    films, voids = _inside(layout.films, (left, right)), _inside(layout.voids, (left, right))
    open_ = [lens.right - lens.left for lens in voids]
    plated = sum(lens.right - lens.left for lens in films)
    values = {
        "bond_width": width * um,
        "bonded_length": (width - sum(open_) - plated) * um,
        "continuity": 1 - (sum(open_) + plated) / width,
        "largest_opening": max(open_, default=0.0) * um,
    }
    if layout.tin is not None:
        here = (shapes.s >= left) & (shapes.s <= right)
        film = shapes.opening - shapes.gap
        values["plating_in_bond_mean"] = length(shapes, here, film) / width * um
        values["plating_in_bond_max"] = max((lens.thickness for lens in films), default=0.0) * um
        values["plating_coverage"] = plated / width
        fill = ((shapes.s >= left - layout.tin.fill[0]) & (shapes.s <= left)) | (
            (shapes.s >= right) & (shapes.s <= right + layout.tin.fill[1])
        )
        values["expelled_plating_area"] = length(shapes, fill, film) * um**2
    return values | (_nugget(layout) if layout.nugget is not None else {})


def _nugget(layout: Layout) -> dict[str, float]:
    """Return the sizes of the nugget's outline, traced finely."""
    nugget, um = layout.nugget, layout.um_per_px
    assert nugget is not None
    s, n = nugget.outline(72000)
    crossing = s[np.flatnonzero(np.diff(np.signbit(n), append=np.signbit(n[0])))]
    return {
        "nugget_width": float(np.ptp(crossing)) * um,
        "nugget_height": float(np.ptp(n)) * um,
        "penetration_upper": float(n.max()) / layout.upper.thickness,
        "penetration_lower": float(-n.min()) / layout.lower.thickness,
    }


def _gaps(layout: Layout, shapes: Shapes) -> dict[str, float]:
    """Return standoff and free plating, read where the gap is level and in view."""
    sides = [side for side in level_stretches(layout, shapes) if length(shapes, side) >= LEVEL_PX]
    if not sides:
        return {}
    um = layout.um_per_px
    values = {
        "standoff": float(np.mean([length(shapes, w, shapes.gap) / length(shapes, w) for w in sides])) * um
    }
    if layout.tin is not None:
        plating = (shapes.opening - shapes.gap) / 2
        total = sum(length(shapes, where, plating) for where in sides)
        values["plating_free_thickness"] = total / sum(length(shapes, where) for where in sides) * um
        if layout.tin.compound:
            deep = np.concatenate([layout.tin.compound_at(shapes.s)[where] for where in sides])
            values["imc_mean"], values["imc_max"] = float(deep.mean()) * um, float(deep.max()) * um
    return values


def _thicknesses(layout: Layout, shapes: Shapes) -> dict[str, float]:
    """Return each part's thickness (plating counted in) where both its faces are level and in view."""
    values, um = {}, layout.um_per_px
    reach = [layout.flanks[0][0].reach, layout.flanks[-1][1].reach]
    outside = (shapes.s <= layout.contacts[0][0] - reach[0]) | (shapes.s >= layout.contacts[-1][1] + reach[1])
    for name, part, facing, outer in (
        ("upper", layout.upper, shapes.upper_tin, shapes.upper_outer),
        ("lower", layout.lower, shapes.lower_tin, shapes.lower_outer),
    ):
        seen = outside & within(part, shapes.s) & _off_dent(part, shapes)
        seen &= inside_picture(shapes, layout.shape, facing) & inside_picture(shapes, layout.shape, outer)
        if length(shapes, seen) >= LEVEL_PX:
            thickness = length(shapes, seen, np.abs(outer - facing)) / length(shapes, seen)
            if layout.tin is not None and layout.tin.outside:
                thickness += (layout.tin.lower + layout.tin.upper) / 2
            values[f"{name}_thickness"] = thickness * um
            if part.dent[2] > 0:
                values[f"indentation_{name}"] = part.dent[2] * um
    return values


def _off_dent(part: Part, shapes: Shapes) -> np.ndarray:
    centre, half, depth = part.dent
    return np.abs(shapes.s - centre) > (half if depth > 0 else 0)
