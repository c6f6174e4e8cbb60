"""Bond kind: solid state, fusion, mixed, reflow or none, with the evidence that tells it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import gaussian_filter1d

from xsect.capture.lot_sheet import SheetRow
from xsect.locate.nugget import Nugget, shows_structure
from xsect.locate.section import Located
from xsect.locate.view import FILLED, JOINED
from xsect.measure.nugget import UNETCHED
from xsect.quantities import Measurement, not_measured, word
from xsect.reasons import Finding

REFLOW_SHARE = 0.05
"""Share of the line, closed by plating and joined nowhere, from which the parts count as held by it."""

FUSION_SHARE = 0.5
"""Nugget width, in bond widths, from which a bond is fused; less is fusion begun inside a solid-state bond."""

TRACE_PX = 0.25
"""Opening in px, above what the best closed stations show, from which the faying line is still to be seen."""


OPEN_KIND = "a zone shows that may be a nugget, too weakly to tell"


UNSURE = ("line_uncertain", "gap_below_resolution")
"""Doubts that leave open whether the parts are joined where no nugget shows it."""


def without_unsure(found: Sequence[Measurement], doubts: Sequence[Finding]) -> list[Measurement]:
    """Return the measurements, a solid-state bond no longer told where a doubt leaves open whether there is one."""
    unsure = next((one for one in doubts if one.code in UNSURE), None)
    if unsure is None:
        return list(found)
    return [
        not_measured("bond_kind", unsure.sentence, segment=one.segment) if one.word == "solid_state" else one
        for one in found
    ]


def measure_kind(located: Located, nuggets: Sequence[Nugget], row: SheetRow) -> list[Measurement]:
    """Tell the bond kind of the whole section and, where it has several, of each bond segment.

    none: nothing joins the parts; reflow: plating alone closes the line; fusion or mixed: a nugget across half of the
    bond or more, or across less; solid_state: joined without a nugget. No kind is told where a zone shows that may be
    a nugget. A weld that should be fused is given no kind where no structure is shown, for a nugget would not show
    either.
    """
    stations = located.stations
    if not stations.segments:
        closed = float(np.mean(stations.states == FILLED))
        if closed > REFLOW_SHARE:
            return [
                word(
                    "bond_kind", "reflow", note=f"plating closes {closed:.0%} of the line, nothing is joined"
                )
            ]
        return [word("bond_kind", "none", note="no joined station")]
    likely = {
        number: one for one in nuggets if one.likely for number in range(one.bond.first, one.bond.last + 1)
    }
    if not likely and not shows_structure(located):
        if row.weld_type == "fusion":
            return [not_measured("bond_kind", UNETCHED)]
        return [
            word("bond_kind", "solid_state", note=f"{_trace(located, 0, len(stations.states))}; {UNETCHED}")
        ]
    kinds = []
    for number, segment in enumerate(stations.segments, 1):
        trace = _trace(located, round(segment.left.station), round(segment.right.station) + 1)
        kind = _kind(likely.get(number), trace, number)
        if any(one.bond.first <= number <= one.bond.last and not one.likely for one in nuggets):
            # either word could pass or fail a clause on the kind
            kind = not_measured("bond_kind", OPEN_KIND, segment=number)
        kinds.append(kind)
    if not all(kinds):
        return [not_measured("bond_kind", OPEN_KIND), *kinds]
    # fusion anywhere is fusion of the section, if less than in all of its bonds
    words = {one.word for one in kinds}
    gravest = kinds[0] if len(words) == 1 else next(one for one in kinds if one.word in ("fusion", "mixed"))
    whole = word(
        "bond_kind", gravest.word if len(words) == 1 else "mixed",
        note=gravest.note if len(kinds) == 1 else f"segment {gravest.segment}: {gravest.note}",
    )  # fmt: skip
    return [whole, *kinds]


def _kind(nugget: Nugget | None, trace: str, segment: int) -> Measurement:
    if nugget is None:
        return word("bond_kind", "solid_state", segment=segment, note=f"no nugget; {trace}")
    share = nugget.width / nugget.bond_px
    half = nugget.bond_px / 2
    rings = " and ".join(
        f"{max(one, 0.0) / nugget.bond_px:.0%}" for one in (nugget.left + half, half - nugget.right)
    )
    note = f"a nugget over {share:.0%} of the bond, {rings} of it beside the nugget"
    if not nugget.certain:
        note += "; the evidence is weak"
    return word("bond_kind", "fusion" if share >= FUSION_SHARE else "mixed", segment=segment, note=note)


def _trace(located: Located, first: int, last: int) -> str:
    """Return over how much of the joined stations a faying line is still to be seen."""
    joined = located.stations.states[first:last] == JOINED
    if not joined.any():
        return "no joined station"
    opening = gaussian_filter1d(located.apart.thickness[first:last], 2.0, mode="nearest")[joined]
    seen = float(np.mean(opening > np.quantile(opening, 0.05) + TRACE_PX))
    return f"a faying line is to be seen over {seen:.0%} of the joined length"
