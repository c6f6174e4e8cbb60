"""Nugget: the re-solidified zone in a bond, told by a sharp change of structure all around it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.micrograph import Micrograph
from xsect.locate.bond_line import bond_line
from xsect.locate.parts import turn
from xsect.locate.rim import GRID, POINTS, Band, Outline, band, direction, guesses, refine, size
from xsect.locate.section import Located
from xsect.locate.structure import Structure, read_structure
from xsect.locate.tone import Floats, Image
from xsect.locate.view import FUSED
from xsect.locate.weld_frame import Bond, WeldFrame, bonds, closer, frame_of

SECTORS = 24
"""Stretches of the rim that are asked one by one whether the structure changes there."""

CERTAIN, LIKELY, POSSIBLE = 2.75, 2.65, 1.8
"""Score from which a zone is a nugget without doubt, is measured as one, and may be one. Learned from drawn sections
with and without nuggets."""

SHARP, STANDING = 0.75, 4.0
"""Sharpness as a share of the change, and standing apart, under which they lower the score."""

TALL = 1.1
"""Height over width above which it lowers the score: heat leaves a nugget wider than it is high (common practice)."""

STEADY = 3.0
"""Steadiness from which a zone may be a nugget whatever else speaks against it."""

SMALLEST_BOND = 120.0
"""Width in px of the picture under which a bond shows too little structure for a nugget to be told in it."""

SMALLEST = 24.0
"""Extent in px of the picture along the line under which a zone is a grain or a pore, not a nugget."""

SHOWN = 0.025
"""Spread of the metal's tone under which no structure is shown: the section is not etched."""


@dataclass(frozen=True)
class Evidence:
    """What speaks for a rim. ``steadiness``: mean over spread of the change across it, sector by sector, in a
    direction learned from the other sectors. ``change``: that mean, 1 where both sides are as different at the rim
    as away from it. ``sharpness``: the change at the rim less the change beside it, inside or outside, which shading
    that fades outward has too. ``share``: sectors that agree. ``apart``: how far the zone as a whole lies from zones
    of its size elsewhere in the metal, in their own spread: a large grain is one of many. ``tall``: height over
    width."""

    steadiness: float
    change: float
    sharpness: float
    share: float
    apart: float = 0.0
    tall: float = 0.0

    @property
    def score(self) -> float:
        """Steadiness, less where the change is not sharp, the zone is like others of its size, or it stands upright."""
        sharp = self.sharpness / (SHARP * max(self.change, 1e-9))
        squat = min(1.0, TALL / max(self.tall, 1e-9)) ** 2
        return self.steadiness * squat * max(0.0, min(1.0, sharp)) * max(0.0, min(1.0, self.apart / STANDING))

    @property
    def possible(self) -> bool:
        """Whether the zone may be a nugget at all."""
        return self.score >= POSSIBLE or self.steadiness >= STEADY


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


def find_nuggets(located: Located, micrograph: Micrograph) -> tuple[Nugget, ...]:
    """Return the zone of each bond that may be a nugget, from left to right; none where no structure is shown.

    A zone counts only where brightness, colour or texture change sharply and alike along all of its rim: shading
    that fades outward, stains and single large grains do not.
    """
    if not shows_structure(located):
        return ()
    pixels = turn(micrograph.pixels, located.parts.turned)
    found = (_find(located, pixels, bond) for bond in bonds(located.stations.segments))
    return tuple(one for one in found if one is not None)


def with_fused(located: Located, nuggets: tuple[Nugget, ...]) -> Located:
    """Return the section with the stations inside its nuggets fused: no faying line is left there."""
    states = located.stations.states.copy()
    for one in nuggets:
        if one.certain and one.width > 0:
            first, last = one.stations
            states[max(math.ceil(first), 0) : math.floor(last) + 1] = FUSED
    return replace(located, stations=replace(located.stations, states=states))


def _find(located: Located, pixels: Image, bond: Bond) -> Nugget | None:
    if bond.right - bond.left < SMALLEST_BOND:
        return None
    frame = frame_of(located, pixels, bond)
    line, _ = bond_line(located, bond, frame)
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
    # part of a nugget is bounded about as well as all of it
    evidence, outline = max(
        (one for one in tried if one[0].steadiness > 0.9 * best),
        key=lambda one: float(np.prod(np.ptp(one[1], axis=0))),
    )
    if evidence.steadiness < 0.8 * POSSIBLE:
        return None
    apart = standing(outline, band_about(outline, line, structure), structure)
    return _closely(located, pixels, bond, frame, outline, apart)


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


PLAIN = 1.5
"""Steadiness of the change in brightness and colour alone from which they place the rim."""

LEAST_WINDOW = 5.0
"""Fewest px on either side of a rim that show a structure."""


def _closely(
    located: Located, pixels: Image, bond: Bond, coarse: WeldFrame, outline: Outline, apart: float
) -> Nugget | None:
    """Draw the rim once more on a larger copy, and take its measures."""
    frame = closer(located, pixels, coarse, outline)
    outline = frame.from_picture(coarse.to_picture(outline))
    line, u_line = bond_line(located, bond, frame, outline)
    structure = read_structure(frame)
    for reach, width in ((0.2, 0.2), (0.12, 0.12)):
        outline = _drawn(outline, line, structure, reach, width)
    evidence = replace(judge(band_about(outline, line, structure)), apart=apart)
    if np.ptp(outline[:, 0]) * frame.step < SMALLEST:
        return None
    # texture is read in windows that take in the rim itself, so a smooth zone seems smaller than it is; brightness
    # and colour are not, and where they tell the zone as well they say where its rim is
    if judge(band_about(outline, line, structure.plain)).steadiness > PLAIN:
        structure = structure.plain
    outline = _drawn(outline, line, structure, 0.2, 0.15, orders=14)
    line, u_line = bond_line(located, bond, frame, outline)
    other = _drawn(outline, line, structure, 0.12, 0.25)
    off = float(np.median(np.hypot(*(other - outline).T)))
    one = _measured(located, bond, frame, outline, line, u_line, off, evidence)
    # a nugget holds the parts together across their faying line, and its rim is where it is however it is read
    if one.width == 0 or one.u_rim > VAGUE * one.height:
        return None
    one = replace(one, evidence=replace(evidence, tall=one.height / one.width))
    return one if one.evidence.possible else None


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


def band_about(outline: Outline, line: NDArray[np.float64], structure: Structure) -> Band:
    """Return the band in which a rim is judged: three windows to either side."""
    width = max(0.15 * size(outline), LEAST_WINDOW)
    return band(outline, line, structure, 3 * width + 2)


def judge(one: Band) -> Evidence:
    """Return how steadily, how much and how sharply the structure changes across a rim."""
    width = (float(one.offsets[-1]) - 2) / 3
    sector = np.arange(POINTS) * SECTORS // POINTS
    tone = np.zeros(one.seen.shape, np.float32)
    few = min(int(one.upper.sum()), int((~one.upper).sum())) < POINTS // 5
    for half in [np.ones(POINTS, bool)] if few else [one.upper, ~one.upper]:
        for rest in (0, 1):
            # learned on every other sector and asked of those between, so that chance does not agree with itself
            axis = direction(one, 2 * width, half & (sector % 2 == rest))
            asked = half & (sector % 2 != rest)
            if axis is not None:
                tone[:, asked] = one.values[:, asked] @ axis.astype(np.float32)
    zones = [_zone_means(tone, one, sector, edge * width) for edge in (-3, -2, -1, 0, 1, 2)]
    at_rim, inside, outside = (zones[k] - zones[k + 1] for k in (2, 0, 4))
    known = np.isfinite(at_rim)
    if known.sum() < SECTORS / 2:
        return Evidence(0.0, 0.0, 0.0, 0.0)
    change, spread = float(at_rim[known].mean()), float(at_rim[known].std())
    beside = max(*(float(np.nanmean(x)) if np.isfinite(x).any() else 0.0 for x in (inside, outside)), 0.0)
    return Evidence(
        steadiness=change / math.hypot(spread, 0.15),
        change=change,
        sharpness=change - beside,
        share=float(np.mean(at_rim[known] > 0.3 * change)),
    )


def standing(outline: Outline, one: Band, structure: Structure) -> float:
    """Return how far the zone inside an outline stands apart from equally large zones of the metal elsewhere."""
    width = (float(one.offsets[-1]) - 2) / 3
    axis = direction(one, 2 * width, np.ones(POINTS, bool))
    if axis is None:
        return 0.0
    rows, columns = structure.weights.shape
    x, y = np.meshgrid(*(np.arange(0, side, GRID, dtype=np.float32) for side in (columns, rows)))
    tone, weight = structure.at(x, y) @ axis.astype(np.float32), structure.weights[::GRID, ::GRID]
    inside = np.zeros(weight.shape, np.uint8)
    cv2.fillPoly(inside, [np.rint(outline / GRID).astype(np.int32)], 1)
    extent = np.maximum(np.ptp(outline, axis=0) / GRID * 0.8, 2).astype(int) | 1
    kernel = (int(extent[0]), int(extent[1]))
    share = cv2.blur(weight, kernel)
    mean = cv2.blur(tone * weight, kernel) / (share + 1e-3)
    near = cv2.dilate(inside, np.ones((2 * (kernel[1] // 2) + 3, 2 * (kernel[0] // 2) + 3), np.uint8)) > 0
    others = mean[(share > 0.7) & ~near]
    own = (inside > 0) & (weight > 0.5)
    if others.size < 30 or own.sum() < 4:
        return 0.0
    spread = 1.4826 * float(np.median(np.abs(others - np.median(others))))
    return float((tone[own].mean() - np.median(others)) / (spread + 0.05))


def _zone_means(tone: Floats, one: Band, sector: NDArray[np.intp], start: float) -> NDArray[np.float64]:
    """Return the mean tone of each sector between ``start`` and one window further out; NaN where it is hidden."""
    width = (float(one.offsets[-1]) - 2) / 3
    rest = 1.0 if start == 0 else 0.0, 1.0 if start == -width else 0.0
    near = (one.offsets >= start + rest[0]) & (one.offsets < start + width - rest[1])
    weight = one.seen[near].sum(axis=0)
    total = (tone[near] * one.seen[near]).sum(axis=0)
    weights = np.bincount(sector, weight, SECTORS)
    sums = np.bincount(sector, total, SECTORS)
    few = weights < 0.3 * near.sum() * POINTS / SECTORS
    return np.where(few, np.nan, sums / np.maximum(weights, 1e-9))
