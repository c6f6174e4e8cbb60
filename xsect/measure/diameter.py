"""Weld diameter of one section: from the width in the cut plane and how far the cut missed the weld's centre."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from xsect.capture.lot_sheet import SheetRow
from xsect.measure.chord import diameter_from_chord
from xsect.quantities import Component, Measurement, measured, not_measured, show

U_OFFSET_UM: Final = 25.0
"""Standard uncertainty of a cut's place in µm where the lot sheet gives none: ground by hand and read against a
micrometer (common practice)."""

OUT_OF_ROUND: Final = 0.05
"""Standard deviation of a weld's axis across the cut against its axis along it (common practice)."""

NO_BOND: Final = "no bond"

METHOD: Final = "chord of a circle, corrected for the cut's distance from the centre"


def cut_width(found: Sequence[Measurement], row: SheetRow) -> Measurement:
    """Return the width that the cut plane shows of one round weld: nugget width of fusion welds, else bond width.

    Not measured, with the reason, where that width was not, where there is no bond, and where the section shows
    several contacts, of which none is the chord of one circle.
    """
    name = "nugget_width" if row.weld_type == "fusion" else "bond_width"
    width = next((one for one in found if one.quantity == name and one.segment is None), None)
    segments = {one.segment for one in found if one.segment is not None}
    if not width:
        why = f": {width.note}" if width is not None else ""
        return not_measured("weld_diameter", f"the {name.replace('_', ' ')} was not measured{why}")
    if len(segments) > 1:
        return not_measured(
            "weld_diameter", f"{len(segments)} contacts: their widths are no chord of one circle"
        )
    if width.value <= 0:
        return not_measured("weld_diameter", NO_BOND)
    return width


def measure_diameter(found: Sequence[Measurement], row: SheetRow) -> list[Measurement]:
    """Measure the weld's diameter, D = √(c² + 4e²) for the width c and the cut's distance e from the centre.

    Without ``plane_offset_um`` it is not measured: the width is that of the cut plane and says only that the
    weld is no smaller. Where the weld is not round, the axis across the cut being longer by a share δ than
    the one along it, D reads high by 4e²δ/D; δ = 0 with the standard uncertainty OUT_OF_ROUND is part of the budget.
    """
    width = cut_width(found, row)
    if not width:
        return [width]
    name = width.quantity.replace("_", " ")
    if row.plane_offset_um is None:
        why = f"the lot sheet gives no plane_offset_um: the {name} is that of the cut plane, and the weld's "
        serial = (
            "" if row.face_offset_um is None else "; for the weld's sections taken together see the overview"
        )
        return [not_measured("weld_diameter", f"{why}diameter may be larger{serial}")]
    offset = abs(row.plane_offset_um)
    u_offset = U_OFFSET_UM if row.u_offset_um is None else row.u_offset_um
    value, from_width = diameter_from_chord(width.value, offset, u_chord_um=width.u)
    _, from_offset = diameter_from_chord(width.value, offset, u_offset_um=u_offset)
    parts = (
        Component(name, from_width),
        Component("place of the cut", from_offset),
        Component("roundness", 4 * offset**2 * OUT_OF_ROUND / value),
    )
    note = (
        f"from the {name} {show(width.value, 'um', digits_from=width.u)}, cut {show(offset, 'um')} off centre"
    )
    return [measured("weld_diameter", value, parts, note=note + taken(row), method=METHOD)]


def taken(row: SheetRow) -> str:
    """Tell of the uncertainty that a cut's place was given, where the lot sheet gives none; else ""."""
    if row.u_offset_um is not None:
        return ""
    return f"; standard uncertainty of its place taken as {U_OFFSET_UM:g} µm (the lot sheet gives no u_offset_um)"


def independent(width: Measurement) -> tuple[float, float]:
    """Return (u without the scale's part in µm, the scale's part as a share of the width) of a width."""
    scale = math.hypot(*(part.u for part in width.budget if part.name == "scale"))
    return math.sqrt(max(width.u**2 - scale**2, 0.0)), scale / width.value
