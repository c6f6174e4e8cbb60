"""Nugget: width at the faying line, height, and penetration into each part, of each bond and of the section."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from xsect.capture.lot_sheet import SheetRow
from xsect.locate.nugget import Nugget, shows_structure
from xsect.locate.section import Located
from xsect.locate.view import NuggetView
from xsect.quantities import Component, Measurement, measured, not_measured, show
from xsect.reasons import Finding

RIM = (0.7, 0.035)
"""Standard uncertainty of the rim's place that the choices of the analysis do not show: px, and share of the nugget's
half height. Learned from drawn sections: the rim is ragged by the grains it grew from."""

DEPTH_RIM = 0.055
"""The same share over and under the line, where a heat-affected zone as dark as the nugget may hide its rim."""

STATED_SHARE = 0.02
"""Standard uncertainty of a thickness of the lot sheet, as a share of it: sheet tolerance, common practice."""

LOOSE_LINE = 0.07
"""Uncertainty of the faying line, as a share of the nugget's height, above which a person should look."""

LOOSE_DEPTH = 0.08
"""Relative standard uncertainty of a depth from which it is but a hint: the line or the rim is too uncertain for so
shallow a one."""

METHOD = "closed outline where the structure changes"

SHALLOW = "shallow against how well the rim and the faying line through the nugget can be placed"

NAMES = ("nugget_width", "nugget_height", "penetration_upper", "penetration_lower")

UNETCHED = "a nugget cannot be judged on an unetched section"


def measure_nugget(
    located: Located,
    nuggets: Sequence[Nugget],
    um_per_px: float,
    u_scale: float,
    row: SheetRow,
    thicknesses: Sequence[Measurement],
) -> list[Measurement]:
    """Measure the nuggets of ``located``: whole section first (its widest nugget), then each bond segment.

    Penetration is a share of the part's thickness beside the weld, from ``thicknesses`` (upper_thickness and
    lower_thickness as measured) or else from the lot sheet; without either it is not measured. Nothing is measured
    of a zone whose evidence is too weak, nor where no structure is shown.
    """
    likely = [one for one in nuggets if one.likely]
    if not likely:
        why = "no nugget was found" if shows_structure(located) else UNETCHED
        if nuggets:
            why = "a zone that may be a nugget shows too weakly to be measured"
        return [not_measured(name, why) for name in NAMES]
    parts = {name: _thickness(name, row, thicknesses) for name in ("upper", "lower")}
    widest = max(likely, key=lambda one: one.width)
    note = f"the widest of {len(likely)} nuggets" if len(likely) > 1 else ""
    out = _quantities(widest, None, um_per_px, u_scale, parts, note)
    by_segment = {number: one for one in likely for number in range(one.bond.first, one.bond.last + 1)}
    for number in range(1, len(located.stations.segments) + 1):
        nugget = by_segment.get(number)
        if nugget is None or nugget.bond.first != number:
            why = "no nugget was found in this segment"
            if nugget is not None:
                why = f"its nugget is that of segment {nugget.bond.first}"
            out += [not_measured(name, why, segment=number) for name in NAMES]
        else:
            out += _quantities(nugget, number, um_per_px, u_scale, parts, "")
    return out


def nugget_doubts(nuggets: Sequence[Nugget], um_per_px: float, row: SheetRow) -> list[Finding]:
    """Return what is doubtful about the zones found: weak evidence, or a faying line that cannot be placed.

    A zone too weak to be measured puts aside only a weld that should be fused; else it is a note.
    """
    out = []
    for one in nuggets:
        detail = ""
        if not one.certain:
            detail = f"its rim is told with a score of {one.evidence.score:.1f} only"
        elif one.u_line > LOOSE_LINE * one.height:
            detail = "the faying line through it can be placed only to " + show(one.u_line * um_per_px, "um")
        if detail:
            extent = one.width or float(one.outline[:, 0].max() - one.outline[:, 0].min())
            weak = not one.likely and row.weld_type != "fusion"
            code = "nugget_possible" if weak else "nugget_uncertain"
            out.append(Finding(code, {"width": show(extent * um_per_px, "um"), "detail": detail}))
    return out


def nugget_views(nuggets: Sequence[Nugget], *, turned: bool) -> tuple[NuggetView, ...]:
    """Return the nuggets as reports draw them, turned back to the picture as it was taken."""
    flip = slice(None, None, -1) if turned else slice(None)
    out = []
    for one in nuggets:
        x = one.line[:, 0]
        inside = (x >= one.outline[:, 0].min()) & (x <= one.outline[:, 0].max())
        out.append(NuggetView(one.outline[:, flip], one.line[inside][:, flip], one.certain))
    return tuple(out)


def shape_note(one: Nugget, um_per_px: float) -> str:
    """Return where the nugget lies in its bond and how unevenly it reaches into the parts."""
    offset = (one.left + one.right) / 2 * um_per_px
    far = show(abs(offset), "um", digits_from=max(one.u_rim, 1.0) * um_per_px)
    uneven = (one.upper - one.lower) / max(one.height, 1e-9)
    side = "upper" if uneven > 0 else "lower"
    return (
        f"centre {far} {'right' if offset > 0 else 'left'} of the bond's; "
        f"{abs(uneven):.0%} of its height more in the {side} part"
    )


def _thickness(
    name: str, row: SheetRow, thicknesses: Sequence[Measurement]
) -> tuple[float, float, str] | None:
    """Return (thickness in µm, its standard uncertainty without the scale's, where it comes from), or None."""
    for one in thicknesses:
        if one.quantity == f"{name}_thickness" and one.segment is None and one and one.value > 0:
            u = math.hypot(*(part.u for part in one.budget if part.name != "scale"))
            return one.value, u, "thickness beside the weld"
    stated: float | None = getattr(row, f"{name}_thickness_um")
    if stated is None or not stated > 0:
        return None
    return stated, STATED_SHARE * stated, "thickness of the lot sheet"


def _quantities(
    one: Nugget, segment: int | None, um: float, u_scale: float,
    parts: dict[str, tuple[float, float, str] | None], note: str,
) -> list[Measurement]:  # fmt: skip
    rim, deep = (math.hypot(RIM[0], share * one.height / 2, one.u_rim) * um for share in (RIM[1], DEPTH_RIM))
    line = one.u_line * um
    width, height = one.width * um, one.height * um
    # where the line cuts a rim that leans, an error of the line moves the ends
    lean = min(line, rim)
    note = "; ".join(part for part in (note, shape_note(one, um)) if part)
    out = [
        measured(
            "nugget_width", width,
            (Component("rim", math.sqrt(2) * rim), Component("faying line", lean), Component("scale", u_scale * width)),
            segment=segment, method=METHOD, note=note,
        ),
        measured(
            "nugget_height", height, (Component("rim", math.sqrt(2) * deep), Component("scale", u_scale * height)),
            segment=segment, method=METHOD,
        ),
    ]  # fmt: skip
    for name, depth in (("upper", one.upper * um), ("lower", one.lower * um)):
        part = parts[name]
        if part is None:
            why = f"neither the picture nor the lot sheet gives the {name} part's thickness"
            out.append(not_measured(f"penetration_{name}", why, segment=segment))
            continue
        thickness, u, source = part
        stated = source == "thickness of the lot sheet"
        budget = [
            Component("rim", deep / thickness),
            Component("faying line", line / thickness),
            Component("thickness", depth * u / thickness**2),
        ]
        if stated:  # else depth and thickness are of one scale, which cancels
            budget.append(Component("scale", u_scale * depth / thickness))
        found = measured(
            f"penetration_{name}", depth / thickness, tuple(budget), segment=segment,
            method=f"{METHOD}; {source}",
        )  # fmt: skip
        if math.hypot(deep, line) > LOOSE_DEPTH * depth:
            found = replace(found, status="needs_review", note=SHALLOW)
        out.append(found)
    return out
