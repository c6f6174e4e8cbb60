"""Flaws in numbers: void fraction, largest void, crack length, and what could have stayed unseen."""

from __future__ import annotations

import math

from xsect.locate.flaw_ground import ZONE_SHARE
from xsect.locate.flaws import Flaws
from xsect.quantities import Component, Measurement, measured, not_measured

SLENDER = 1.6
"""Longest Feret of a void against the diameter of a round one of its area: how long an unseen one may be."""

DARKNESS, OUTLINE = 0.03, 0.05
"""Relative standard uncertainties that all voids share: how dark an empty void is, and where the zone ends."""

BLIND = 0.2
"""Contrast below which cracks must be seen for their absence to be told."""

HIDDEN = 0.2
"""Share of a crack's length that an etched structure may hide or add, as a standard uncertainty (learned on drawn
sections)."""

VOID_METHOD = "darkness integrated over dark compact areas"
CRACK_METHOD = "centre lines of thin dark ridges"


def measure_flaws(flaws: Flaws | None, um_per_px: float, u_scale: float) -> list[Measurement]:
    """Measure voids of the whole section and of each segment, and the section's crack length.

    No flaw found is the value 0, uncertain by what is too small or too faint to be seen; where an etched structure
    would hide most cracks, that none was found is not told as a value. Not measured without a bond.
    """
    if flaws is None:
        return [not_measured(name, "no bond") for name in ("void_fraction", "largest_void", "crack_length")]
    segments = range(len(flaws.zone_areas))
    out = _voids(flaws, list(segments), um_per_px, u_scale, None)
    for number in segments:
        out += _voids(flaws, [number], um_per_px, u_scale, number + 1)
    return [*out, _cracks(flaws, um_per_px, u_scale)]


def _voids(
    flaws: Flaws, segments: list[int], um_per_px: float, u_scale: float, segment: int | None
) -> list[Measurement]:
    voids = [void for void in flaws.voids if void.zone in segments]
    islands = [island for island in flaws.islands if island.segment in segments]
    zone = sum(flaws.zone_areas[number] for number in segments)
    if zone <= 0:
        why = "no metal of the nugget or bond zone is in view"
        return [not_measured(name, why, segment=segment) for name in ("void_fraction", "largest_void")]
    area = sum(void.area for void in voids) + sum(island.area for island in islands)
    u_area = math.hypot(*(void.u_area for void in voids), *(0.2 * island.area for island in islands))
    note = _zone_note(flaws, segments)
    fraction = measured(
        "void_fraction", area / zone,
        (
            Component("edges of voids", u_area / zone),
            Component("smallest void seen", flaws.smallest / zone),
            Component("voids' own darkness", DARKNESS * area / zone),
            Component("outline of the zone", OUTLINE * area / zone),
        ),
        segment=segment, note=note, method=VOID_METHOD,
    )  # fmt: skip
    unseen = SLENDER * math.sqrt(4 * flaws.smallest / math.pi)
    sizes = [(void.feret, void.u_feret) for void in voids] + [(one.length, 3.0) for one in islands]
    longest, u_longest = max(sizes, default=(0.0, unseen / 2))
    largest = measured(
        "largest_void", longest * um_per_px,
        (
            Component("ends of the void" if sizes else "smallest void seen", u_longest * um_per_px),
            Component("scale", u_scale * longest * um_per_px),
        ),
        segment=segment, note=note, method="longest Feret at half the void's depth",
    )  # fmt: skip
    return [fraction, largest]


def _zone_note(flaws: Flaws, segments: list[int]) -> str:
    if all(flaws.in_nugget[number] for number in segments):
        return "of the nugget"
    if any(flaws.in_nugget[number] for number in segments):
        return "of the nuggets and, where there is none, the bond zone"
    return f"of the bond zone, {ZONE_SHARE:.0%} of the bond width to each side of the faying line"


def _cracks(flaws: Flaws, um_per_px: float, u_scale: float) -> Measurement:
    if not flaws.cracks and flaws.textured and flaws.faintest > BLIND:
        why = (
            "no crack stands out, but one no darker than the grain boundaries would not: look at it unetched"
        )
        return not_measured("crack_length", why)
    length = sum(crack.length for crack in flaws.cracks) * um_per_px
    own = math.hypot(*(crack.ridge.u_length for crack in flaws.cracks)) * um_per_px
    unseen = flaws.shortest * (3 if flaws.textured else 1) / 2
    parts = [
        Component("ends and turns", own),
        Component("shortest crack seen", unseen * um_per_px),
        Component("scale", u_scale * length),
    ]
    if flaws.textured:
        parts.append(Component("hidden by the structure", HIDDEN * length))
    note = f"cracks of less than {flaws.faintest:.0%} of the contrast between metal and mount are not seen"
    return measured("crack_length", length, tuple(parts), note=note, method=CRACK_METHOD)
