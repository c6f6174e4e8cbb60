"""All quantities of one located section, and what is doubtful about them."""

from __future__ import annotations

from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.locate.contents import Contents
from xsect.locate.section import Located
from xsect.measure.bond import measure_bond
from xsect.measure.diameter import measure_diameter
from xsect.measure.doubts import find_doubts
from xsect.measure.flaws import measure_flaws
from xsect.measure.form import measure_form
from xsect.measure.form_notes import with_form
from xsect.measure.kind import measure_kind, without_unsure
from xsect.measure.model_error import regime_of, with_model_error
from xsect.measure.nugget import measure_nugget, nugget_doubts
from xsect.measure.offset import measure_offset
from xsect.measure.plating import measure_plating
from xsect.measure.standoff import find_levels, measure_standoff
from xsect.measure.thickness import measure_thickness
from xsect.quantities import QUANTITIES, Measurement, not_measured
from xsect.reasons import Finding


def measure(
    located: Located, contents: Contents, micrograph: Micrograph, row: SheetRow
) -> tuple[tuple[Measurement, ...], tuple[Finding, ...]]:
    """Return every quantity of the registry for the whole section, those of each segment, and the doubts."""
    um, u_scale = micrograph.scale.um_per_px, micrograph.scale.u_relative
    levels = find_levels(located)
    thicknesses = measure_thickness(located, micrograph, levels)
    marks, form = measure_form(located, micrograph, levels, row)
    found = [
        *measure_bond(located, um, u_scale),
        *measure_kind(located, contents.nuggets, row),
        *measure_offset(located, levels, um, u_scale),
        *measure_standoff(levels, located.surfaces.blur, um, u_scale, row),
        *measure_plating(located, contents.surfaces, um, u_scale, row),
        *measure_nugget(located, contents.nuggets, um, u_scale, row, thicknesses),
        *marks,
        *measure_flaws(contents.flaws, um, u_scale),
        *thicknesses,
    ]
    found = with_model_error(found, regime_of(located, contents.nuggets, row))
    found += measure_diameter(found, row)
    found = with_form(found, form)
    order = {name: place for place, name in enumerate(QUANTITIES)}
    found.sort(key=lambda one: (one.segment or 0, order[one.quantity]))
    doubts = (*find_doubts(located, micrograph, row, found), *nugget_doubts(contents.nuggets, um, row))
    return tuple(without_unsure(found, doubts)), doubts


def nothing_measured(finding: Finding) -> tuple[Measurement, ...]:
    """Return every quantity as not measured, for the reason given."""
    return tuple(not_measured(name, finding.sentence) for name in QUANTITIES)
