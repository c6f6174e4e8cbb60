"""Nugget: the re-solidified zone in a bond, told by a sharp change of structure all around it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from xsect.capture.micrograph import Micrograph
from xsect.locate.bond_line import bond_line, chord
from xsect.locate.evidence import (
    CERTAIN,
    LEAST_WINDOW,
    LIKELY,
    POSSIBLE,
    Evidence,
    band_about,
    judge,
    standing,
)
from xsect.locate.parts import turn
from xsect.locate.rim import Outline, guesses, refine, size
from xsect.locate.rim_line import on_rim_line
from xsect.locate.section import Located
from xsect.locate.structure import Structure, read_structure
from xsect.locate.tone import Image
from xsect.locate.view import FUSED
from xsect.locate.weld_frame import Bond, WeldFrame, bonds, closer, frame_of

SMALLEST_BOND = 120.0
"""Width in px of the picture under which a bond shows too little structure for a nugget to be told in it."""

SMALLEST, LOWEST = 24.0, 12.0
"""Extent in px of the picture along the line and across it under which a zone is a grain or a pore, and a trace of
the line, not a nugget."""

EXPECTED = 1.3
"""Score from which a zone may be a nugget where the weld should be fused: that it is none would be grave."""

SHOWN = 0.025
"""Spread of the metal's tone under which no structure is shown: the section is not etched."""


@dataclass(frozen=True)
class Nugget:
    """One re-solidified zone; lengths in px of the picture as analysed (turned where the parts lie side by side).

    ``outline``: (n, 2) closed line of (x, y); ``line``: (m, 2) the faying line through the bond. ``width``: of the
    outline at the line, 0 where it does not cross it; ``upper``, ``lower``: its greatest depth over and under the
    line (0 where it does not reach there). ``left``, ``right``: where it ends, measured along the bond from its
    middle; ``stations``: the same as fractional stations; ``bond_px``: the bond's width. ``u_rim``: standard
    uncertainty of the rim's place; ``u_line``: of the line's.
    """

    bond: Bond
    outline: NDArray[np.float64]
    line: NDArray[np.float64]
    width: float
    upper: float
    lower: float
    left: float
    right: float
    stations: tuple[float, float]
    bond_px: float
    u_rim: float
    u_line: float
    evidence: Evidence

    @property
    def certain(self) -> bool:
        """Whether the evidence is beyond doubt."""
        return self.evidence.score >= CERTAIN

    @property
    def likely(self) -> bool:
        """Whether the evidence is good enough for the zone to be measured."""
        return self.evidence.score >= LIKELY

    @property
    def height(self) -> float:
        """Extent across the line in px."""
        return self.upper + self.lower


def shows_structure(located: Located) -> bool:
    """Whether the metal shows any structure: on an unetched section a nugget cannot be seen."""
    return located.parts.texture >= SHOWN


def find_nuggets(located: Located, micrograph: Micrograph, *, expected: bool = False) -> tuple[Nugget, ...]:
    """Return the zone of each bond that may be a nugget, from left to right; none where no structure is shown.

    A zone counts only where brightness, colour or texture change sharply and alike along all of its rim: shading
    that fades outward, stains and single large grains do not. ``expected``: the weld should be fused, so that less
    makes a zone one that may be a nugget.
    """
    if not shows_structure(located):
        return ()
    pixels = turn(micrograph.pixels, located.parts.turned)
    least = EXPECTED if expected else POSSIBLE
    found = (_find(located, pixels, bond, least) for bond in bonds(located.stations.segments))
    return tuple(one for one in found if one is not None)


def with_fused(located: Located, nuggets: tuple[Nugget, ...]) -> Located:
    """Return the section with the stations inside its nuggets fused: no faying line is left there."""
    states = located.stations.states.copy()
    for one in nuggets:
        if one.certain and one.width > 0:
            first, last = one.stations
            states[max(math.ceil(first), 0) : math.floor(last) + 1] = FUSED
    return replace(located, stations=replace(located.stations, states=states))


def _find(located: Located, pixels: Image, bond: Bond, least: float) -> Nugget | None:
    if bond.right - bond.left < SMALLEST_BOND:
        return None
    frame = frame_of(located, pixels, bond)
    line = chord(located, bond, frame)
    structure = read_structure(frame)
    tried = []
    for guess in guesses(line, structure):
        outline = guess
        for reach, width in ((0.45, 0.3), (0.25, 0.2)):
            outline = _drawn(outline, line, structure, reach, width)
        tried.append((judge(band_about(outline, line, structure)), outline))
    if not tried:
        return None
    best = max(one[0].steadiness for one in tried)
    if best < 0.8 * least:
        return None
    # part of a nugget is bounded about as well as all of it
    alike = [one for one in tried if one[0].steadiness > 0.9 * best]
    others = [one for one in tried if one[0].steadiness <= 0.9 * best]
    alike.sort(key=lambda one: -float(np.prod(np.ptp(one[1], axis=0))))
    others.sort(key=lambda one: -one[0].steadiness)
    found: list[Nugget] = []
    for rank, (coarse, outline) in enumerate([*alike, *others][:CLOSELY]):
        # what is less than certain at second sight may be so by chance
        if rank and least == POSSIBLE and coarse.steadiness < 0.8 * CERTAIN:
            break
        apart = standing(outline, band_about(outline, line, structure), structure)
        one = _closely(located, pixels, bond, frame, outline, apart, least)
        if one is not None and (one.certain or rank == 0 or least < POSSIBLE):
            found.append(one)
        if found and found[-1].certain:
            break
    return max(found, key=lambda one: one.evidence.score, default=None)


def _drawn(
    outline: Outline,
    line: NDArray[np.float64],
    structure: Structure,
    reach: float,
    width: float,
    orders: int = 8,
) -> Outline:
    """Return the outline refined; ``reach`` and ``width`` in its own size."""
    scale = size(outline)
    return refine(
        outline,
        line,
        structure,
        reach=reach * scale,
        width=max(width * scale, LEAST_WINDOW),
        orders=orders,
    )


CLOSELY = 2
"""Zones of one bond that are looked at closely while none of them is a nugget without doubt."""

PLAIN, AS_PLAIN = 1.5, 0.9
"""Steadiness of the change in brightness and colour alone, and its share of the steadiness with texture, from which
they place the rim."""


def _closely(
    located: Located,
    pixels: Image,
    bond: Bond,
    coarse: WeldFrame,
    outline: Outline,
    apart: tuple[float, float],
    least: float,
) -> Nugget | None:
    """Draw the rim once more on a larger copy, and take its measures."""
    frame = closer(located, pixels, coarse, outline)
    outline = frame.from_picture(coarse.to_picture(outline))
    line, u_line = bond_line(located, bond, frame)
    structure = read_structure(frame)
    for reach, width in ((0.2, 0.2), (0.12, 0.12)):
        outline = _drawn(outline, line, structure, reach, width)
    evidence = replace(judge(band_about(outline, line, structure)), apart=apart[0], others=apart[1])
    # height over width is judged at the end: it can only lower the score
    if evidence.score < least or np.any(np.ptp(outline, axis=0) * frame.step < (SMALLEST, LOWEST)):
        return None
    # texture is read in windows that take in the rim itself, so a smooth zone seems smaller than it is; brightness
    # and colour are not, and where they tell the zone as well they say where its rim is
    kinds = (structure, structure.plain)
    drawn = [_drawn(outline, line, kind, 0.2, 0.15, orders=14) for kind in kinds]
    steady = [judge(band_about(one, line, kind)).steadiness for one, kind in zip(drawn, kinds, strict=True)]
    chosen = int(steady[1] > max(PLAIN, AS_PLAIN * steady[0]))
    structure, outline = kinds[chosen], drawn[chosen]
    other = _drawn(outline, line, structure, 0.12, 0.25)
    off = float(np.median(np.hypot(*(other - outline).T)))
    outline = on_rim_line(outline, line, structure)
    one = _measured(located, bond, frame, outline, line, u_line, off, evidence)
    # a nugget holds the parts together across their faying line, and its rim is where it is however it is read
    if one.width == 0 or one.u_rim > VAGUE * one.height:
        return None
    one = replace(one, evidence=replace(evidence, tall=one.height / one.width))
    return one if one.evidence.score >= least else None


VAGUE = 0.1
"""Uncertainty of the rim's place, as a share of the height, from which there is no rim."""


def _measured(
    located: Located, bond: Bond, frame: WeldFrame, outline: Outline, line: NDArray[np.float64], u_line: float,
    u_rim: float, evidence: Evidence,
) -> Nugget:  # fmt: skip
    columns = np.arange(line.size)
    depth = outline[:, 1] - np.interp(outline[:, 0], columns, line)
    after = np.roll(depth, -1)
    crosses = np.flatnonzero(np.signbit(depth) != np.signbit(after))
    share = depth[crosses] / (depth[crosses] - after[crosses])
    at = outline[crosses] + share[:, None] * (np.roll(outline, -1, axis=0) - outline)[crosses]
    ends = frame.from_picture(np.array([located.strip.place(one) for one in (bond.left, bond.right)]))
    middle = float(ends[:, 0].mean())
    step = frame.step
    places = frame.from_picture(located.strip.points)[:, 0]
    index = np.arange(len(places))
    left, right = (float(at[:, 0].min()), float(at[:, 0].max())) if len(at) else (middle, middle)
    width = float(np.hypot(*(at[at[:, 0].argmax()] - at[at[:, 0].argmin()]))) if len(at) else 0.0
    return Nugget(
        bond=bond,
        outline=frame.to_picture(outline),
        line=frame.to_picture(np.column_stack([columns, line])),
        width=width * step,
        upper=max(-float(depth.min()), 0.0) * step,
        lower=max(float(depth.max()), 0.0) * step,
        left=(left - middle) * step,
        right=(right - middle) * step,
        stations=(float(np.interp(left, places, index)), float(np.interp(right, places, index))),
        bond_px=float(np.hypot(*(ends[1] - ends[0]))) * step,
        u_rim=u_rim * step,
        u_line=u_line * step,
        evidence=evidence,
    )
