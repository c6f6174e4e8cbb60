"""Doubts: what in the evidence says that a person should look before a section is vouched for."""

from __future__ import annotations

import math
from functools import reduce
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter1d

from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.locate.contacts import UNSEEN, runs
from xsect.locate.section import Located
from xsect.locate.stations import Segment
from xsect.locate.view import PLATING
from xsect.measure.bond import segment_widths
from xsect.quantities import COVERAGE_FACTOR, Measurement, show
from xsect.reasons import REASONS, Finding, Refusal

BLURRED_PX, SOFT_PX = 4.2, 2.8
"""Blur (standard deviation) in px above which edges say too little, and above which a slim gap may close under it."""

SATURATED_SHARE = 0.35
"""Share of the metal beside the line at the sensor's limit above which levels say nothing."""

FEWEST_LEVELS = 16
"""Steps of the sensor between mount and metal below which half-levels cannot be placed: an underexposed picture."""

CEILINGS = (255, 1023, 4095, 16383, 65535)
"""Largest values of 8, 10, 12, 14 and 16 bit converters."""

LEAST_SEPARATION = 3.0
"""Separation of metal and mount, in their own spreads, below which a line may be found where there is none."""

WANDER = 0.014
"""Departure of the line from a parabola, as a share of its length, above which it may have left the joint."""

SAG = 0.08
"""Departure of the line from the straight way between two notches, as a share of it, above which it runs astray."""
SAG_PX = 6.0
"""Px of that departure that say nothing: in a short bond a grain is as large."""

GRAIN_LIMIT = 0.68
"""Darkness of grains and noise, against the gap's, above which a gap cannot be told from them."""

LOOSE_SHARE = 0.05
"""Standard uncertainty of a bond width, as a share of it, above which a person should look."""

UNRESOLVED_PX = 0.85
"""Opening that joined stations show above which their dark line may be an unresolved gap."""

THICKNESS_SHARE = 0.08
"""Share of the stated thickness by which a part may differ: sheet tolerance and oblique cut, common practice."""

PLATING_CONTRAST = 6.0
"""Contrast of plating against base metal, in spreads of the base metal, below which it is uncertain."""


FAINT = 0.1
"""Evidence for a line through the metal (0 to 1) below which it may run anywhere."""

POOR = ("low_contrast", "out_of_focus", "saturated", "gap_not_seen", "line_uncertain", "notch_uncertain")
"""Signs that a picture may hold no section at all; a section that is hard to measure shows one of them."""

ASTRAY, ASTRAY_PX, ASTRAY_ROWS = 0.3, 4.0, 60
"""Share of a bond beside which, off the line but within so many rows, so many px may look like plating."""

POCKET = (0.3, 0.25)
"""Height, as a share of the gap outside, and length, as a share of the bond, of plating that may be no film."""

TWO_WAYS, OUTLINED_PX = 0.1, 6.0
"""Share of a bond's width over which outline and shade of the plating may disagree, where it is so many px thick."""


def find_doubts(
    located: Located, micrograph: Micrograph, row: SheetRow, found: list[Measurement]
) -> tuple[Finding, ...]:
    """Return the findings that the evidence of one section asks for.

    Refuses where it leaves nothing to measure: no notch in view, or several signs that there is no section.
    """
    findings = (
        *_picture(located, micrograph),
        *_line(located),
        *_notches(located, micrograph.scale.um_per_px),
        *_plating(located, row),
        *_thickness(row, found),
    )
    _refuse_poor(located, [one.code for one in findings])
    return findings


def _refuse_poor(located: Located, codes: list[str]) -> None:
    if codes.count("gap_not_seen") == 2:
        raise Refusal("no_notch_seen")
    poor = [REASONS[code].title.lower() for code in POOR if code in codes]
    support, bonded = located.line.support, bool(located.stations.segments)
    if {"low_contrast", "gap_not_seen"} & set(codes):
        # a good picture may show no line in a sound bond; a poor one that shows none may hold no joint at all
        if not bonded:
            poor.append("no bond")
        elif support < FAINT:
            poor.append("no trace of a line")
    elif not bonded and support < 0:
        # where there is no bond, the line is a gap, open or full of plating
        poor += ["no bond", "no trace of a line"]
    if len(poor) > 1:
        raise Refusal("no_section_found", detail=", ".join(poor))


def _picture(located: Located, micrograph: Micrograph) -> list[Finding]:
    out = []
    metal = located.strip.seen & (np.abs(located.apart.darkness) < 0.4)
    values = located.strip.values
    bright = values if values.ndim == 2 else reduce(np.maximum, np.moveaxis(values, 2, 0))
    # a converter of fewer bits than its file saturates below the file's full scale
    top = round(float(bright.max()) * micrograph.full_scale)
    ceiling = next((limit for limit in CEILINGS if abs(top - limit) <= 0.004 * limit), None)
    share = float((bright[metal] > 0.996 * float(bright.max())).mean()) if metal.any() else 1.0
    if ceiling and share > SATURATED_SHARE:
        out.append(Finding("saturated", {"share": f"{share:.0%}"}))
    blur = max(located.parts.edge_blur, located.apart.blur)
    if blur > BLURRED_PX:
        out.append(Finding("out_of_focus", {"blur": f"{blur:.1f}"}))
    elif blur > SOFT_PX:
        out.append(Finding("soft", {"blur": f"{blur:.1f}"}))
    levels = (located.parts.metal_tone - located.parts.mount_tone) * micrograph.full_scale
    if (
        located.apart.grain > GRAIN_LIMIT
        or located.parts.separation < LEAST_SEPARATION
        or levels < FEWEST_LEVELS
    ):
        contrast = min(1 / located.apart.grain, located.parts.separation)
        out.append(Finding("low_contrast", {"contrast": f"{contrast:.1f}"}))
    return out


def _line(located: Located) -> list[Finding]:
    segments = located.stations.segments
    if not segments:
        return [Finding("no_bond")]
    out = []
    for notch, side in ((segments[0].left, "left"), (segments[-1].right, "right")):
        if not notch.seen:
            out.append(Finding("gap_not_seen", {"side": side}))
    level = located.stations.closed_level - located.apart.floor
    if level > UNRESOLVED_PX:
        out.append(Finding("gap_below_resolution", {"thickness": f"{level:.1f} px"}))
    out += [Finding("filled_between", {"where": where}) for where in _filled(located)]
    astray = max(_sag(located, segment) for segment in segments)
    if located.line.wander > WANDER or astray > SAG:
        out.append(Finding("line_uncertain", {"wander": f"{max(located.line.wander, astray):.1%}"}))
    return out


def _filled(located: Located) -> list[str]:
    """Return where plating may fill the gap between two contacts: between two segments, or inside one."""
    stations, segments = located.stations, located.stations.segments
    spans = [slice(math.ceil(one.left.station), math.floor(one.right.station) + 1) for one in segments]
    out = []
    for number, (one, other) in enumerate(pairwise(spans), 1):
        if stations.opening[one.stop : other.start].max(initial=0.0) < UNSEEN:
            out.append(f"only plating lies between segments {number} and {number + 1}")
    outside = np.concatenate([stations.apart[: spans[0].start], stations.apart[spans[-1].stop :]])
    tall = POCKET[0] * float(np.quantile(outside, 0.9)) if outside.size else math.inf
    for number, span in enumerate(spans, 1):
        apart = stations.apart[span]
        if any(
            last + 1 - first > POCKET[1] * apart.size and float(apart[first : last + 1].max()) > tall
            for first, last in runs(stations.states[span] == PLATING)
        ):
            out.append(
                f"plating lies in segment {number}, more than {POCKET[0]:.0%} as tall as the gap outside"
            )
    return out


def _sag(located: Located, segment: Segment) -> float:
    """Return how far the line leaves the straight way between a segment's notches, as a share of that way."""
    points = located.strip.points[max(int(segment.left.station), 0) : int(segment.right.station) + 2]
    chord = points[-1] - points[0]
    length = float(np.hypot(*chord))
    aside = (points - points[0]) @ np.array([-chord[1], chord[0]]) / max(length, 1.0)
    return max(float(np.abs(aside).max()) - SAG_PX, 0.0) / max(length, 1.0)


def _notches(located: Located, um_per_px: float) -> list[Finding]:
    widths = segment_widths(located, um_per_px)
    total = sum(one.width for one in widths)
    every = math.hypot(*(u for one in widths for u in (one.u_left, one.u_right)))
    if widths and total < COVERAGE_FACTOR * every:
        facts = {"width": show(total, "um", digits_from=every), "spread": show(every, "um")}
        raise Refusal("bond_uncertain", **facts)
    out = []
    for number, one in enumerate(widths, 1):
        for side, u in (("left", one.u_left), ("right", one.u_right)):
            if u > max(LOOSE_SHARE * total, 4 * um_per_px):
                place = side if len(widths) == 1 else f"{side} (segment {number})"
                out.append(
                    Finding("notch_uncertain", {"side": place, "spread": show(u, "um", digits_from=u)})
                )
    return out


def _plating(located: Located, row: SheetRow) -> list[Finding]:
    if not row.plated:
        return []
    if located.plating is None:
        return [Finding("bond_not_separable", {"detail": "neither colour nor grey level parts them"})]
    if located.plating.contrast < PLATING_CONTRAST:
        detail = f"they differ by {located.plating.contrast:.1f} times the base metal's own spread"
        return [Finding("bond_not_separable", {"detail": detail})]
    two_ways = _read_two_ways(located)
    if two_ways > TWO_WAYS:
        detail = f"over {two_ways:.0%} of the bond's width its outline is twice as thick as its shade tells"
        return [Finding("bond_not_separable", {"detail": detail})]
    astray = plating_astray(located)
    if astray > ASTRAY:
        detail = f"beside {astray:.0%} of the bond the metal, off the line, has the plating's grey level too"
        return [Finding("bond_not_separable", {"detail": detail})]
    return []


def _read_two_ways(located: Located) -> float:
    """Return over which length, as a share of the bond, the base metals' distance is read as less than half of what the
    plating's outline leaves between them: the plating's shade fades there, and the photometric reading with it."""
    rough, read = located.line.opening, located.apart
    differ = (rough > OUTLINED_PX) & (read.thickness < 0.5 * rough) & read.seen
    width = sum(one.right.station - one.left.station for one in located.stations.segments)
    return max((last + 1 - first for first, last in runs(differ)), default=0) / max(width, 20.0)


def plating_astray(located: Located) -> float:
    """Return beside which share of a bond, from a notch inwards, what looks like plating lies off the line.

    There the base metal passes for plating, or the line has left the filled wedge. A hue goes astray in neither way.
    """
    plating, apart, half = located.plating, located.apart, located.strip.half
    if plating is None or plating.by == "colour":
        return 0.0
    near = min(ASTRAY_ROWS, half)
    off = np.abs(np.arange(-near, near + 1)[:, None] - apart.centre)
    share = plating.share[half - near : half + near + 1]
    beside = gaussian_filter1d(np.where(off > 3 * apart.blur + 4, share, 0).sum(axis=0), 2.0)
    most = 0.0
    for segment in located.stations.segments:
        inside = beside[math.ceil(segment.left.station) : math.floor(segment.right.station) + 1]
        for inwards in (inside, inside[::-1]):
            found = (
                last + 1 - first for first, last in runs(inwards > ASTRAY_PX) if first < 0.05 * inside.size
            )
            most = max(most, max(found, default=0) / max(inside.size, 20))
    return most


def _thickness(row: SheetRow, found: list[Measurement]) -> list[Finding]:
    out = []
    for part, stated in (("upper", row.upper_thickness_um), ("lower", row.lower_thickness_um)):
        one = next((m for m in found if m.quantity == f"{part}_thickness"), None)
        if stated is None or one is None or not one:
            continue
        allowed = math.hypot(THICKNESS_SHARE * stated, 2 * one.u)
        if abs(one.value - stated) > allowed:
            facts = {
                "part": part,
                "value": show(one.value, "um", digits_from=one.u),
                "stated": show(stated, "um"),
            }
            out.append(Finding("thickness_disagrees", facts))
    return out
