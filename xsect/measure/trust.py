"""Trust: how near a section comes to being put aside, from all the evidence that could make a person look.

Each sign is a ratio: the evidence over its limit, 1 where the reason of the same name is given. The score is the
largest, so a score above 1 and a section that needs a look are one and the same, and a bench can ask what another
limit would catch and cost.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.locate.section import Located
from xsect.measure import doubts
from xsect.measure.bond import segment_widths
from xsect.quantities import Measurement
from xsect.reasons import Finding

OVER, JUST_OVER = 2.0, 1.01
"""Ratio of a sign that is either there or not, and the least of one whose reason is given."""


@dataclass(frozen=True)
class Sign:
    """One sign: the code of its reason, and the evidence over the limit from which the reason is given."""

    code: str
    ratio: float


def find_signs(
    located: Located,
    micrograph: Micrograph,
    row: SheetRow,
    found: Sequence[Measurement],
    findings: Iterable[Finding],
) -> tuple[Sign, ...]:
    """Return every sign of one section, each code once; ``findings`` tell those that have no measure of their own."""
    signs = [
        *_picture(located, micrograph),
        *_line(located),
        *_notches(located, micrograph),
        *_sheet(row, found),
    ]
    if row.plated:
        contrast = located.plating.contrast if located.plating else 0.0
        ratios = doubts.PLATING_CONTRAST / max(contrast, 1e-6), doubts.plating_astray(located) / doubts.ASTRAY
        signs.append(Sign("bond_not_separable", max(ratios)))
    there = {one.code for one in findings if one.effect != "note"}
    measured = {sign.code for sign in signs}
    # a reason may look at more than its sign does, and has the last word
    told = [
        Sign(one.code, max(one.ratio, JUST_OVER) if one.code in there else min(one.ratio, 1.0))
        for one in signs
    ]
    return (*told, *(Sign(code, OVER) for code in sorted(there - measured)))


def score(signs: Iterable[Sign]) -> float:
    """Return the largest ratio, 0 without any sign; the higher, the less the section is to be trusted."""
    return max((sign.ratio for sign in signs), default=0.0)


def _picture(located: Located, micrograph: Micrograph) -> list[Sign]:
    blur = max(located.parts.edge_blur, located.apart.blur)
    levels = (located.parts.metal_tone - located.parts.mount_tone) * micrograph.full_scale
    contrast = max(
        located.apart.grain / doubts.GRAIN_LIMIT,
        doubts.LEAST_SEPARATION / max(located.parts.separation, 1e-6),
        doubts.FEWEST_LEVELS / max(levels, 1e-6),
    )
    return [
        Sign("out_of_focus", blur / doubts.BLURRED_PX),
        Sign("soft", blur / doubts.SOFT_PX),
        Sign("low_contrast", contrast),
    ]


def _line(located: Located) -> list[Sign]:
    level = located.stations.closed_level - located.apart.floor
    segments = located.stations.segments
    ends = (segments[0].left.seen, segments[-1].right.seen) if segments else (True, True)
    return [
        Sign("gap_below_resolution", max(level, 0.0) / doubts.UNRESOLVED_PX),
        Sign("line_uncertain", located.line.wander / doubts.WANDER),
        Sign("gap_not_seen", 0.0 if all(ends) else OVER),
    ]


def _notches(located: Located, micrograph: Micrograph) -> list[Sign]:
    um = micrograph.scale.um_per_px
    widths = segment_widths(located, um)
    total = sum(one.width for one in widths)
    worst = max((max(one.u_left, one.u_right) for one in widths), default=0.0)
    return [Sign("notch_uncertain", worst / max(doubts.LOOSE_SHARE * total, 4 * um))]


def _sheet(row: SheetRow, found: Sequence[Measurement]) -> list[Sign]:
    """How far the parts' thickness is from the lot sheet's: a check of scale and cut."""
    ratios = [0.0]
    for part, stated in (("upper", row.upper_thickness_um), ("lower", row.lower_thickness_um)):
        one = next((m for m in found if m.quantity == f"{part}_thickness" and m), None)
        if stated is not None and one is not None:
            allowed = math.hypot(doubts.THICKNESS_SHARE * stated, 2 * one.u)
            ratios.append(abs(one.value - stated) / allowed)
    return [Sign("thickness_disagrees", max(ratios))]
