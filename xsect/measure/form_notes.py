"""Form in words, beside the numbers it belongs to: what is left of parts and projection, how contacts compare."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from xsect.measure.form import Form
from xsect.quantities import COVERAGE_FACTOR, Measurement, decimals, show, shown_unit


def with_form(found: Sequence[Measurement], form: Form) -> list[Measurement]:
    """Return measurements with what the form says beside them, in plain sentences, as notes."""
    said: dict[tuple[str, int | None], str] = {}
    thickness = {one.quantity: one.value for one in found if one and one.segment is None}
    for name, left in (("upper", form.upper_in_weld), ("lower", form.lower_in_weld)):
        beside = thickness.get(f"{name}_thickness", math.nan)
        if math.isfinite(left[0]):
            share = f", {100 * left[0] / beside:.0f} % of the thickness beside it" if beside > 0 else ""
            said[f"indentation_{name}", None] = f"in the weld the part is {_pair(left)} thick{share}"
    parts = []
    if len(form.sides) == 2:
        parts.append("sheet separation {} left, {} right of the weld".format(*map(_length, form.sides)))
    if math.isfinite(form.remnant_upper[0]):
        carries = "upper" if form.remnant_upper[0] > form.remnant_lower[0] else "lower"
        parts.append(
            f"projection remnant: the upper surface stands back from the bond's plane by {_pair(form.remnant_upper)}, "
            f"the lower by {_pair(form.remnant_lower)}, so it is mostly in the {carries} part"
        )
    said["standoff", None] = "; ".join(parts)
    if form.contacts:
        widths = [one.width for one in form.contacts]
        listed = ", ".join(map(_length, widths))
        said["bond_width", None] = (
            f"contacts left to right are {listed} wide: the smallest has {100 * min(widths) / max(widths):.0f} % "
            "of the largest"
        )
        for one in form.contacts:
            said["bond_width", one.segment] = (
                f"{100 * one.width / max(widths):.0f} % of the widest; the gap beside it reaches "
                f"{_length(one.gap_left)} on the left and {_length(one.gap_right)} on the right"
            )
    return [
        replace(
            one,
            note="; ".join(part for part in (one.note, said.get((one.quantity, one.segment), "")) if part),
        )
        if one
        else one
        for one in found
    ]


def _length(um: float) -> str:
    return show(max(um, 0.0), "um", digits_from=0.05 * max(um, 1.0))


def _pair(found: tuple[float, float]) -> str:
    """Return a length with its expanded uncertainty at 95 %, the last digit that of its second significant one."""
    value, u = max(found[0], 0.0), COVERAGE_FACTOR * found[1]
    factor, unit = shown_unit(value, "um")
    places = decimals(value * factor, u * factor)
    return f"{value * factor:.{places}f} ± {u * factor:.{places}f} {unit}"
