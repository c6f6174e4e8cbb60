"""Flaws of one located section: voids, unbonded islands, cracks and cavities open to the gap."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.capture.micrograph import Micrograph
from xsect.locate.contacts import runs
from xsect.locate.crack_chains import SHORTEST
from xsect.locate.cracks import TEXTURED, WIDEST, Ridge, find_cracks
from xsect.locate.flaw_ground import Ground, Places, bonded_spans, lay_ground
from xsect.locate.section import Located
from xsect.locate.view import OPEN
from xsect.locate.voids import SMALLEST, Void, covers, find_voids

CAVITY_PX = 12.0
"""Least height in px of a cavity at a notch."""

CAVITY_NECK = 0.6
"""A gap that beside a notch opens and closes again to this share of its height is a cavity."""


WIDER = 2.0
"""Mean width of a void against a crack's from which it is a void that the crack runs into."""


WHOLE, SLENDER = 0.8, 3.0
"""Share of an opening's area from which voids on it are all of it, and its length in heights from which it is slim."""

SHORTEST_OPEN, BLACKER = 12.0, 2.75
"""Length in px, and depth in spreads of the metal's darkness, of an opening in the line of etched metal: what is
shorter or fainter is a knot of boundaries (learned on drawn sections)."""

RIM_PX, RIM_SHARE = 5.0, 0.05
"""How near a nugget's outline, in px and in its height, its etched rim shows."""


@dataclass(frozen=True)
class Crack:
    """A ridge and what it touches: the faying line or bond, a notch. ``upper``: it lies in the upper part."""

    ridge: Ridge
    length: float
    at_line: bool
    at_notch: bool
    upper: bool


@dataclass(frozen=True)
class Island:
    """An unbonded stretch inside a bond segment (index ``segment``): stations, length in px, area in px²."""

    first: int
    last: int
    length: float
    area: float
    segment: int


@dataclass(frozen=True)
class Cavity:
    """A cavity at the notch of a segment, open to the gap: ``centre`` (x, y), largest height and area in px."""

    centre: Places
    height: float
    area: float
    segment: int


@dataclass(frozen=True)
class Flaws:
    """All flaws of one section, in px of the turned picture, and what could have been seen.

    ``zone_areas``: px² of metal in each segment's nugget or bond zone; ``in_nugget``: whether it is a nugget's.
    ``smallest``: area in px² of the smallest void, ``shortest``: length in px of the shortest crack that counts;
    ``faintest``: contrast that a crack must exceed, ``textured``: whether the metal's own structure may hide parts.
    """

    voids: tuple[Void, ...]
    islands: tuple[Island, ...]
    cracks: tuple[Crack, ...]
    cavities: tuple[Cavity, ...]
    zone_areas: tuple[float, ...]
    in_nugget: tuple[bool, ...]
    smallest: float
    shortest: float
    faintest: float
    textured: bool


def find_flaws(located: Located, micrograph: Micrograph, nuggets: tuple[Places, ...] = ()) -> Flaws | None:
    """Find the flaws in and about the bond; None where there is no bond.

    ``nuggets``: outlines (k, 2) = (x, y) in px of the picture as analysed, one for a segment that has one.
    """
    flip = slice(None, None, -1) if located.parts.turned else slice(None)
    turned = tuple(np.asarray(one, dtype=np.float64)[:, flip] for one in nuggets)
    ground = lay_ground(located, micrograph, turned)
    if ground is None:
        return None
    voids = find_voids(ground)
    dark = np.zeros(ground.metal.shape, bool)
    for void in voids:
        if void.area > WIDEST * void.feret:  # else it may be a wide place of a crack
            dark |= covers(void, dark.shape, (ground.left, ground.top))
    cracks, faintest = find_cracks(ground, dark)
    ridges = [one for one in cracks if not any(_is_rim(one, rim) for rim in turned)]
    voids = tuple(void for void in voids if not any(_of_crack(void, ridge) for ridge in ridges))
    islands, voids = find_islands(located, ground, voids)
    segments = located.stations.segments
    held = [
        any(first <= place <= last for place in _stations(located, turned))
        for first, last in ((one.left.station, one.right.station) for one in segments)
    ]
    return Flaws(
        voids,
        islands,
        tuple(_touching(ridge, located, ground) for ridge in ridges),
        find_cavities(located),
        tuple(float((zone & ground.metal).sum()) for zone in ground.zones),
        tuple(held),
        SMALLEST,
        SHORTEST,
        faintest,
        ground.spread > TEXTURED,
    )


def _of_crack(void: Void, ridge: Ridge) -> bool:
    """Whether a void is but a wide place of a crack: on its centre line and not much wider."""
    if void.area > WIDER * ridge.width * void.feret:
        return False
    return any(float(np.hypot(*(path - void.centre).T).min()) < 2 + ridge.width for path in ridge.paths)


def _is_rim(ridge: Ridge, outline: Places) -> bool:
    """Whether a dark line is a nugget's rim, as etching shows it: most of it runs along the outline."""
    off = max(RIM_PX, RIM_SHARE * float(np.ptp(outline, axis=0).min()))
    contour = outline.astype(np.float32).reshape(-1, 1, 2)
    near = [abs(cv2.pointPolygonTest(contour, (x, y), True)) < off for x, y in ridge.paths[0].tolist()]
    return float(np.mean(near)) > 0.5


def _stations(located: Located, outlines: tuple[Places, ...]) -> list[int]:
    return [int(np.argmin(np.hypot(*(located.strip.points - one.mean(axis=0)).T))) for one in outlines]


def find_islands(
    located: Located, ground: Ground, voids: tuple[Void, ...]
) -> tuple[tuple[Island, ...], tuple[Void, ...]]:
    """Return the open runs inside the segments that are not one of ``voids`` already, and the voids that are not one
    of them: a slim opening along the line shows as a void only where it is thickest.

    In etched metal a run is open only where it is dark over some length, for the line is a row of boundaries there.
    """
    out = []
    kept = list(voids)
    points = located.strip.points
    etched = ground.spread > TEXTURED
    for number, segment in enumerate(located.stations.segments):
        start, stop = round(segment.left.station), round(segment.right.station)
        inside = located.stations.states[start : stop + 1] == OPEN
        for first, last in runs(inside):
            span = slice(start + first, start + last + 1)
            length = float(last - first + 1)
            area = float(located.gap.thickness[span].sum())
            slack = 4.0 + float(located.gap.thickness[span].max())
            on_it = [void for void in kept if _near(void, points[span], slack)]
            parts = sum(void.area for void in on_it)
            if area < SMALLEST or parts > WHOLE * area or (on_it and length < SLENDER * slack):
                continue
            if not _in_zone(located, ground, span, number):
                continue
            if etched and (length < SHORTEST_OPEN or _depth(located, ground, span) < BLACKER * ground.spread):
                continue
            kept = [void for void in kept if not _near(void, points[span], slack)]
            out.append(Island(span.start, span.stop - 1, length, area, number))
    return tuple(out), tuple(kept)


def _middles(located: Located, ground: Ground, span: slice) -> Places:
    """Return the middles (k, 2) of the gap at some stations, in px of the ground."""
    aside = located.gap.centre[span, None] * located.strip.normals[span]
    return np.asarray(located.strip.points[span] + aside - (ground.left, ground.top))


def _in_zone(located: Located, ground: Ground, span: slice, number: int) -> bool:
    """Whether the middle of a stretch of the line lies in the nugget or bond zone of its segment."""
    middles = _middles(located, ground, span)
    x, y = np.rint(middles[len(middles) // 2]).astype(int)
    rows, columns = ground.metal.shape
    return bool(0 <= y < rows and 0 <= x < columns and ground.zones[number][y, x])


def _depth(located: Located, ground: Ground, span: slice) -> float:
    """Return the median over a stretch of the line of its darkest place across."""
    off = np.arange(-3.0, 4.0)
    at = _middles(located, ground, span)[:, None] + off[None, :, None] * located.strip.normals[span, None]
    x, y = np.rint(at).astype(int).transpose(2, 0, 1)
    rows, columns = ground.darkness.shape
    values = ground.darkness[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)]
    return float(np.median(values.max(axis=1)))


def _near(void: Void, points: Places, slack: float) -> bool:
    """Whether a void lies on a stretch of the line, which may run along its edge ``slack`` px away."""
    low, high = void.outline.min(axis=0) - slack, void.outline.max(axis=0) + slack
    return bool(((points > low) & (points < high)).all(axis=1).any())


def _touching(ridge: Ridge, located: Located, ground: Ground) -> Crack:
    """Say what a ridge touches, and add the stretch that lies hidden in the band kept off the line and the gap."""
    points = located.strip.points
    reach = ground.keep_off + 6.0
    at_line = at_notch = False
    length = ridge.length
    notches = np.array(
        [
            located.strip.place(notch.station)
            for one in located.stations.segments
            for notch in (one.left, one.right)
        ]
    )
    for end in (line[i] for line in ridge.paths for i in (0, -1)):
        away = np.hypot(*(points - end).T)
        nearest = int(np.argmin(away))
        half = located.apart.thickness[nearest] / 2
        hidden = float(away[nearest]) - half
        to_notch = float(np.hypot(*(notches - end).T).min())
        if to_notch < 2 * reach:
            at_notch = at_line = True
            length += max(min(to_notch, hidden + half), 0.0)
        elif hidden < reach:
            at_line = True
            length += max(hidden, 0.0)
    trunk = ridge.paths[0]
    nearest = int(np.argmin(np.hypot(*(points - trunk.mean(axis=0)).T)))
    side = float((trunk.mean(axis=0) - points[nearest]) @ located.strip.normals[nearest])
    return Crack(ridge, length, at_line, at_notch, side < 0)


def find_cavities(located: Located) -> tuple[Cavity, ...]:
    """Return the places beside a notch where the gap opens wide and closes again: metal was thrown out there."""
    out = []
    thickness = gaussian_filter1d(located.gap.thickness, 3.0, mode="nearest")
    n = thickness.size
    spans = bonded_spans(located)
    bonded = np.zeros(n, bool)
    for first, last in spans:
        bonded[max(first, 0) : last + 1] = True
    for number, (first, last) in enumerate(spans):
        reach = max(int(0.4 * (last - first)), 30)
        for notch, way in ((first, -1), (last, 1)):
            outward = notch + way * np.arange(reach)
            outward = outward[(outward >= 0) & (outward < n)]
            # only the open gap: not a void between two segments, not the next contact
            within = np.flatnonzero(bonded[outward[1:]])
            outward = outward[: int(within[0]) + 1] if within.size else outward
            if outward.size < 20:
                continue
            found = _bulge(thickness[outward])
            if found is None:
                continue
            peak, neck = found
            centre = located.strip.place(float(outward[peak]), float(located.gap.centre[outward[peak]]))
            height, area = float(thickness[outward[peak]]), float(thickness[outward[:neck]].sum())
            out.append(Cavity(np.array(centre), height, area, number))
    return tuple(out)


def _bulge(opening: NDArray[np.float64]) -> tuple[int, int] | None:
    """Return (peak, neck) of an opening that rises and falls again, indices outward from the notch."""
    highest = np.maximum.accumulate(opening)
    closes = np.flatnonzero((opening < CAVITY_NECK * highest) & (highest > CAVITY_PX))
    if not closes.size:
        return None
    peak = int(np.argmax(opening[: closes[0]]))
    neck = int(closes[0] + np.argmin(opening[closes[0] :][:40]))
    return peak, neck


def to_picture(points: Places, located: Located) -> Places:
    """Return positions of the turned picture as positions of the picture as analysed."""
    return points[..., ::-1] if located.parts.turned else points


def shifted(flaws: Flaws, located: Located) -> Flaws:
    """Return the flaws with all positions in px of the picture as analysed, as drawings want them."""
    if not located.parts.turned:
        return flaws
    voids = tuple(
        replace(one, centre=to_picture(one.centre, located), outline=to_picture(one.outline, located))
        for one in flaws.voids
    )
    cracks = tuple(
        replace(
            one, ridge=replace(one.ridge, paths=tuple(to_picture(path, located) for path in one.ridge.paths))
        )
        for one in flaws.cracks
    )
    cavities = tuple(replace(one, centre=to_picture(one.centre, located)) for one in flaws.cavities)
    return replace(flaws, voids=voids, cracks=cracks, cavities=cavities)
