"""All quantities of one located section."""

from __future__ import annotations

from xsect.capture.lot_sheet import SheetRow
from xsect.capture.scale import Scale
from xsect.locate.section import Located
from xsect.measure.bond import measure_bond
from xsect.measure.standoff import measure_standoff
from xsect.quantities import Measurement
from xsect.reasons import Finding


def measure(located: Located, scale: Scale, row: SheetRow) -> tuple[tuple[Measurement, ...], tuple[Finding, ...]]:
    """Measure everything."""
    out = measure_bond(located, scale.um_per_px, scale.u_relative)
    out += measure_standoff(located, scale.um_per_px, scale.u_relative, row)
    return tuple(out), ()
