"""Voids: dark, compact holes in the joint's metal, their areas read from integrated darkness."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.locate.flaw_ground import Ground, Mask, Places
from xsect.locate.tone import Floats

SMALLEST = 25.0
"""Area in px below which a dark spot may be an etch pit, an inclusion or dust, and is not counted."""

DARK = 0.5
"""Share of the way from metal to mount beyond which a spot is dark; more where the metal itself is uneven."""

HOLLOW = 0.7
"""Depth that a void must show, of what blur leaves of a full one: an inclusion is dark, but not as the mount."""

LIGHT = 0.5
"""Share of the smallest area under which a spot is not looked at closely."""

RIM_PX = 0.1
"""Standard uncertainty in px of where a void's rim lies in even metal (learned on drawn sections)."""

SLIM = 5.0
"""Square of the longest Feret against the area of a round void of that length: a slimmer hole off the bonded line
is a crack or a bit of boundary."""

SPREADS = 5.0
"""How many spreads of the metal's darkness a void must stand out by."""


TEXTURED, MANY, CHANCE = 0.1, 12, 0.02
"""Spread of the metal's darkness and number of dark spots from which they may be knots of an etched structure, and
how many of those one picture may still pass for voids."""

EMPTY = 0.85
"""Darkness of a resolved spot's heart from which it is empty and no knot."""

BROKEN, HANGS_ON, WHOLE, APART_PX = 0.25, 0.4, 0.75, 40
"""Share of the rim about a spot as dark as half of it from which it is a piece of something larger, and where the spot
is no void by itself; share of the limit at which pieces hang together, and how far in px they are looked for."""


@dataclass(frozen=True)
class Void:
    """One hole: ``centre`` (x, y) and ``outline`` (k, 2) at half its depth, px of the turned picture.

    ``area`` in px² and longest ``feret`` in px with their standard uncertainties; ``depth``: its own darkness, 1 as
    dark as the mount. ``zone``: index of the bond segment in whose nugget or bond zone it lies, else None.
    ``resolved``: it is wide enough for blur to leave its depth as it is. ``darkest``: darkness of its heart, what lies
    beside it not taken off. ``broken``: it goes on, as dark, beyond what was read of it.
    """

    centre: Places
    outline: Places
    area: float
    u_area: float
    feret: float
    u_feret: float
    depth: float
    zone: int | None
    resolved: bool = True
    darkest: float = 1.0
    broken: bool = False


def dark_limit(ground: Ground) -> float:
    """Return the darkness from which a spot is a hole and not a dark grain or boundary."""
    return float(np.clip(SPREADS * ground.spread, DARK, 0.75))


def find_voids(ground: Ground) -> tuple[Void, ...]:
    """Return the holes of at least SMALLEST px in the ground's metal, largest first."""
    limit = dark_limit(ground)
    dark = (ground.darkness > limit) & ground.metal
    least_core = _least_core(limit, ground.blur)
    # boundaries, scratches and cracks are thinner than the disc that must fit into a void
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))
    core = cv2.morphologyEx(dark.astype(np.uint8), cv2.MORPH_OPEN, disc)
    count, found_labels, sizes, _ = cv2.connectedComponentsWithStats(core, connectivity=8)
    labels, stats = np.asarray(found_labels, dtype=np.int32), np.asarray(sizes, dtype=np.int32)
    found = {
        i: _read(ground, labels, stats[i], i, limit) for i in range(1, count) if stats[i, 4] >= least_core
    }
    whole = _made_whole(ground, labels, stats, found, limit)
    shown = [one.depth for one in whole if one.resolved]
    typical = float(np.median(shown)) if shown else None
    voids = [_settled(one, typical, ground.blur) for one in whole]
    empty = [one.resolved and one.darkest > EMPTY for one in voids]
    doubtful = [one.area for one, sure in zip(voids, empty, strict=True) if not sure]
    least = SMALLEST
    if ground.spread > TEXTURED and len(doubtful) > MANY:
        # dark knots of an etched structure have areas with an exponential tail; a void is larger than its end
        typical_knot = float(np.median(doubtful)) / np.log(2)
        least = max(least, typical_knot * (np.log(len(doubtful)) - np.log(CHANCE)))
    counted = [
        one for one, sure in zip(voids, empty, strict=True) if one.area >= (SMALLEST if sure else least)
    ]
    return tuple(sorted(counted, key=lambda one: -one.area))


def _made_whole(
    ground: Ground,
    labels: NDArray[np.int32],
    stats: NDArray[np.int32],
    found: dict[int, Void | None],
    limit: float,
) -> list[Void]:
    """Return the voids read, the pieces of one put together: a void hardly darker than ``limit`` is in pieces there.

    What is no hole by itself when it is put together is none.
    """
    rows, columns = labels.shape
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    out = dict(found)
    for i in found:
        piece = out[i]
        if stats[i, 4] < LIGHT * SMALLEST or (piece is not None and not piece.broken):
            continue
        if piece is None and (stats[i, 4] < SMALLEST or not _goes_on(ground, labels, stats[i], i, limit)):
            continue
        x, y, width, height = (int(value) for value in stats[i, :4])
        box = (
            slice(max(y - APART_PX, 0), min(y + height + APART_PX, rows)),
            slice(max(x - APART_PX, 0), min(x + width + APART_PX, columns)),
        )
        low = (ground.darkness[box] > WHOLE * limit) & ground.metal[box]
        _, pieces = cv2.connectedComponents(cv2.morphologyEx(low.astype(np.uint8), cv2.MORPH_OPEN, disc))
        at = pieces[(labels[box] == i) & (pieces > 0)]
        out[i] = None
        if not at.size:
            continue
        all_of_it = pieces == int(np.bincount(at).argmax())
        for other in np.unique(labels[box][all_of_it]).tolist():
            out[other] = None
        labels[box][all_of_it] = i
        seen_y, seen_x = np.nonzero(all_of_it)
        own = np.array(
            [
                box[1].start + seen_x.min(), box[0].start + seen_y.min(), np.ptp(seen_x) + 1, np.ptp(seen_y) + 1,
                seen_x.size,
            ],
            dtype=np.int32,
        )  # fmt: skip
        whole = _read(ground, labels, own, i, limit)
        out[i] = None if whole is None or whole.broken else whole
    return [one for one in out.values() if one is not None]


def _goes_on(
    ground: Ground, labels: NDArray[np.int32], stats: NDArray[np.int32], label: int, limit: float
) -> bool:
    """Whether what is beside a core is about as dark as it is, for a good share of its rim."""
    x, y, width, height = (int(value) for value in stats[:4])
    margin = round(1.8 * ground.blur + 3)
    rows, columns = labels.shape
    box = (
        slice(max(y - margin, 0), min(y + height + margin, rows)),
        slice(max(x - margin, 0), min(x + width + margin, columns)),
    )
    own = labels[box] == label
    if not own.any():
        return False
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * margin - 1, 2 * margin - 1))
    rim = cv2.dilate(own.astype(np.uint8), disc).astype(bool)
    rim &= ~cv2.erode(rim.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool) & ground.metal[box]
    return bool(rim.any()) and float((ground.darkness[box][rim] > WHOLE * limit).mean()) > HANGS_ON


def _least_core(limit: float, blur: float) -> float:
    """Return the fewest px darker than ``limit`` that a void of the smallest area shows under blur."""
    radius = np.sqrt(LIGHT * SMALLEST / np.pi)
    shown = radius - blur * (limit - 0.5) * np.sqrt(2 * np.pi) - blur**2 / (2 * radius)
    return float(max(6.0, 0.8 * np.pi * max(shown, 0.0) ** 2))


def _read(
    ground: Ground, labels: NDArray[np.int32], stats: NDArray[np.int32], label: int, limit: float
) -> Void | None:
    """Measure one dark core in a patch around it; None where it is no compact hole."""
    margin = int(4 * ground.blur + 8)
    x, y, width, height = (int(value) for value in stats[:4])
    rows, columns = ground.darkness.shape
    box = (
        slice(max(y - margin, 0), min(y + height + margin, rows)),
        slice(max(x - margin, 0), min(x + width + margin, columns)),
    )
    darkness = ground.darkness[box]
    own = (labels[box] == label).astype(np.uint8)
    away = cv2.distanceTransform(1 - own, cv2.DIST_L2, 5)
    reach = 1.8 * ground.blur + 1.0
    other = (labels[box] > 0) & (own == 0)
    ring = (away > reach) & (away < reach + 5) & ground.metal[box] & ~other
    if ring.sum() < 12:
        return None
    about = darkness[ring]
    if float(np.quantile(about, 0.7)) > limit:
        return None  # the darkest part of something dark and wide: a stain, a band of the gap
    # the mean: what lies about the void within reach has its share of dark boundaries too
    beside = float(about[about < limit].mean())
    near = (away <= reach) & ~other
    lifted = np.where(near, darkness - np.float32(beside), np.float32(0))
    inside = cv2.distanceTransform(own, cv2.DIST_L2, 5)
    radius = float(inside.max())
    heart = inside >= min(radius, max(0.55 * radius, radius - 2))
    depth = float(np.median(lifted[heart]))
    if depth < 0.6 * limit:
        return None
    total = float(lifted.sum(dtype=np.float64))
    if total < LIGHT * SMALLEST * depth:
        return None
    resolved = radius > 2.0 * ground.blur + 0.5
    if resolved and depth < HOLLOW:
        return None
    area = total / depth
    # the void's own darkness shows as far as blur lets it
    full = 1 - float(np.exp(-total / (2 * np.pi * ground.blur**2)))
    if not resolved and depth < HOLLOW * full:
        return None
    noise = float(np.std(about))
    u_rim = RIM_PX + noise * ground.blur
    u_area = float(np.hypot(u_rim * 2 * np.sqrt(np.pi * area), (0.02 if resolved else 0.05) * area))
    outline = _outline(lifted, depth / 2, own)
    feret = _longest(outline) if len(outline) > 2 else 2 * radius
    rim = about[away[ring] < reach + 2]
    broken = bool(rim.size) and float((rim > beside + depth / 2).mean()) > BROKEN
    shift = (box[1].start, box[0].start)
    on_line = float(ground.bond[box][own > 0].mean()) > 0.6
    if np.pi / 4 * feret**2 > SLIM * area and not on_line:
        return None
    middle = np.array(
        [np.average(axis, weights=np.clip(lifted, 0, None)[near]) for axis in np.nonzero(near)[::-1]]
    )
    centre = middle + shift
    row, column = (round(float(value)) for value in centre[::-1])
    zone = next((i for i, mask in enumerate(ground.zones) if mask[row, column]), None)
    u_feret = float(np.hypot(0.6, 0.025 * feret)) + (0.0 if resolved else 0.35 * ground.blur)
    return Void(
        ground.place(centre), ground.place(outline + shift), area, u_area, feret, u_feret, depth, zone, resolved,
        depth + beside, broken,
    )  # fmt: skip


def _settled(void: Void, typical: float | None, blur: float) -> Void:
    """Return a void with its area; one too small to show its depth has that of the larger ones (else full)."""
    outlined = max(_area(void.outline), 1.0)
    depth = void.depth if void.resolved else max(void.depth, 1.0 if typical is None else typical)
    # integrated darkness does not depend on blur, the outline does not on shading: their errors are each other's check
    radius = float(np.sqrt(outlined / np.pi))
    unblurred = np.pi / 4 * (radius + np.sqrt(radius**2 + 2 * blur**2)) ** 2
    area = float(np.sqrt(void.area * void.depth / depth * unblurred))
    feret = void.feret
    if not void.resolved:
        # the outline at half of a depth that blur has lowered runs outside the void's own
        feret *= float(min(np.sqrt(area / outlined), 1.0))
    return replace(void, area=area, u_area=void.u_area * area / void.area, feret=feret, depth=depth)


def _outline(lifted: Floats, level: float, own: NDArray[np.uint8]) -> Places:
    """Return the contour at ``level`` around the void, to a fraction of a pixel (k, 2)."""
    from skimage.measure import find_contours

    found = find_contours(lifted, level)  # type: ignore[no-untyped-call]
    contours = [line[:, ::-1] for line in found]
    row, column = np.unravel_index(int(np.argmax(np.where(own > 0, lifted, -1))), lifted.shape)
    heart = np.array([column, row], dtype=np.float64)
    around = [line for line in contours if _holds(line, heart)]
    if around:
        return max(around, key=len)
    # two hearts of one void: none holds the other's; the mask's own border then
    border = find_contours(np.pad(own > 0, 1).astype(float), 0.5)  # type: ignore[no-untyped-call]
    return np.asarray(max(border, key=len)[:, ::-1] - 1.0)


def _holds(line: Places, place: Places) -> bool:
    at = (float(place[0]), float(place[1]))
    return len(line) > 2 and cv2.pointPolygonTest(line.astype(np.float32).reshape(-1, 1, 2), at, False) >= 0


def _area(line: Places) -> float:
    x, y = line.T
    return 0.5 * abs(float(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))) if len(line) > 2 else 0.0


def _longest(line: Places) -> float:
    """Return the longest distance between two places of an outline, from its extent in 90 directions."""
    turn = np.linspace(0, np.pi, 90, endpoint=False)[:, None]
    across = line[:, 0] * np.cos(turn) + line[:, 1] * np.sin(turn)
    return float((across.max(axis=1) - across.min(axis=1)).max())


def covers(void: Void, shape: tuple[int, ...], origin: tuple[int, int]) -> Mask:
    """Return the mask of a void's outline in a window."""
    mask = np.zeros(shape, np.uint8)
    if len(void.outline) > 2:
        cv2.fillPoly(mask, [np.rint(void.outline - origin).astype(np.int32)], 1)
    return mask.astype(bool)
