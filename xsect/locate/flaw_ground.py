"""Flaw ground: the metal about the joint at full resolution, as darkness, without the gap and the outer faces."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.micrograph import Micrograph
from xsect.locate.contacts import runs
from xsect.locate.parts import turn
from xsect.locate.section import Located
from xsect.locate.tone import Floats, blurred, project

ZONE_SHARE = 0.1
"""Height of the bond zone to each side of the faying line, as a share of the bond's width (a choice made here)."""

AROUND, LEAST_AROUND = 0.4, 0.15
"""How far beyond the bond the metal is searched, as a share of the bond's width, and at least as a share of the
picture's: what lies farther off belongs to the sheet, not to the joint."""

ROUNDISH = 3.0
"""Length against height of an opening between two bond segments up to which it is a void that parts them."""

CELL = 8
"""Full-resolution px to a cell of the map of the metal's level."""

Mask = NDArray[np.bool_]
Places = NDArray[np.float64]


@dataclass(frozen=True)
class Ground:
    """A window of the picture, turned as the parts are; pixel (0, 0) of the maps lies at (``left``, ``top``).

    ``darkness``: (rows, columns) 0 at the metal's local level, 1 at that of the mount or the empty gap. ``metal``:
    where the joint's metal is, pores and cracks included, gap and outer faces kept off. ``bond``: the band along the
    bonded line, in which dark traces of the line itself lie. ``zones``: a mask a segment, the nugget where one is
    given and the bond zone otherwise. ``spread``: robust spread of the metal's darkness. ``blur``: standard
    deviation of the edges in px. ``keep_off``: px by which gap and faces are kept off.
    """

    left: int
    top: int
    darkness: Floats
    metal: Mask
    bond: Mask
    zones: tuple[Mask, ...]
    spread: float
    blur: float
    keep_off: float

    def place(self, points: Places) -> Places:
        """Return positions (k, 2) of the window as positions (x, y) of the turned picture."""
        shift = np.array([self.left, self.top], dtype=np.float64)
        return np.asarray(points + shift, dtype=np.float64)


def lay_ground(located: Located, micrograph: Micrograph, nuggets: tuple[Places, ...] = ()) -> Ground | None:
    """Cut the window about the bond segments and read its darkness; None where there is no bond.

    ``nuggets``: outlines (k, 2) in px of the turned picture.
    """
    parts, blur = located.parts, max(located.apart.blur, 0.8)
    picture = turn(micrograph.pixels, parts.turned)
    box = _window(located, nuggets, picture.shape[:2])
    if box is None:
        return None
    left, top, right, bottom = box
    pixels = picture[top:bottom, left:right]
    weights = np.full(3, 1 / 3) if parts.weights is None else parts.weights
    tone = project(pixels.astype(np.float32), weights / np.iinfo(pixels.dtype).max)
    if pixels.ndim == 2:
        tone *= np.float32(1 / np.iinfo(pixels.dtype).max)
    keep_off = 2.0 + 2.5 * blur
    metal = _metal(located, box, keep_off)
    marks = micrograph.burned_in
    if marks is not None:
        shown = (marks.T if parts.turned else marks)[top:bottom, left:right]
        metal &= ~cv2.dilate(shown.astype(np.uint8), np.ones((7, 7), np.uint8)).astype(bool)
    level = _level(tone, metal)
    empty = _void_level(located)
    darkness = (level - tone) / np.maximum(level - np.float32(empty), np.float32(0.02))
    sample = darkness[::3, ::3][metal[::3, ::3]]
    spread = 1.4826 * float(np.median(np.abs(sample - np.median(sample)))) if sample.size else 1.0
    bond = np.zeros(tone.shape, np.uint8)
    zones = []
    spans = bonded_spans(located)
    for first, last in spans:
        width = _joined_width(spans, first, last)
        half = np.maximum(located.apart.thickness / 2, 0.5) + keep_off
        _fill_band(bond, located, first, last, half, (left, top))
        zone = np.zeros(tone.shape, np.uint8)
        own = [one for one in nuggets if first <= _station(located, one.mean(axis=0)) <= last]
        for one in own:
            cv2.fillPoly(zone, [_fixed(one - (left, top))], 1, cv2.LINE_8, 4)
        if not own:
            _fill_band(zone, located, first, last, np.full(half.size, ZONE_SHARE * width), (left, top))
        zones.append(zone.astype(bool))
    return Ground(left, top, darkness, metal, bond.astype(bool), tuple(zones), spread, blur, keep_off)


def bonded_spans(located: Located) -> list[tuple[int, int]]:
    """Return (first, last) station of each segment; two that only a void parts meet in the void's middle.

    A gap between two contacts is long beside its height, a void is not.
    """
    spans = [(round(one.left.station), round(one.right.station)) for one in located.stations.segments]
    for i in range(len(spans) - 1):
        (first, stop), (start, last) = spans[i], spans[i + 1]
        height = float(located.gap.thickness[max(stop, 0) : start + 1].max(initial=0.0))
        if start - stop < ROUNDISH * height:
            middle = (stop + start) // 2
            spans[i], spans[i + 1] = (first, middle), (middle + 1, last)
    return spans


def _joined_width(spans: list[tuple[int, int]], first: int, last: int) -> int:
    """Return the width of the bond that a span belongs to: spans that meet in a void are one bond."""
    for start, stop in reversed(spans):
        first = start if stop + 1 == first else first
    for start, stop in spans:
        last = stop if start == last + 1 else last
    return last - first


def _station(located: Located, place: Places) -> int:
    return int(np.argmin(np.hypot(*(located.strip.points - place).T)))


def _window(
    located: Located, nuggets: tuple[Places, ...], shape: tuple[int, ...]
) -> tuple[int, int, int, int] | None:
    """Return (left, top, right, bottom) about the bond segments, or None where there is none."""
    corners = list(nuggets)
    rows, columns = shape
    for segment in located.stations.segments:
        first, last = round(segment.left.station), round(segment.right.station)
        reach = max(AROUND * (last - first), LEAST_AROUND * columns)
        on = located.strip.points[max(first, 0) : last + 1]
        corners += [on - reach, on + reach]
    if not corners:
        return None
    places = np.vstack(corners)
    low = np.maximum(np.floor(places.min(axis=0)), 0).astype(int)
    high = np.minimum(np.ceil(places.max(axis=0)) + 1, (columns, rows)).astype(int)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _metal(located: Located, box: tuple[int, int, int, int], keep_off: float) -> Mask:
    """Return where metal is in the window: holes filled, cracks bridged, gap and outer faces kept off."""
    parts = located.parts
    step = parts.step
    reach = 2 * round(4 / step) + 1
    ring = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    solid = cv2.morphologyEx(parts.metal.astype(np.uint8), cv2.MORPH_CLOSE, ring)
    # what does not reach the picture's border through mount or gap is a hole in the metal
    outside = np.pad(1 - solid, 1, constant_values=1)
    _, labels = cv2.connectedComponents(outside, connectivity=4)
    solid = (labels != labels[0, 0])[1:-1, 1:-1].astype(np.uint8)
    solid = _joined(solid, located)
    away = cv2.distanceTransform(np.pad(solid, 1, constant_values=1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    left, top, right, bottom = box
    axes = np.array([[1, 0, (left + 0.5) - 0.5 * step], [0, 1, (top + 0.5) - 0.5 * step]]) / step
    inside = cv2.warpAffine(
        away, axes, (right - left, bottom - top), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    out = (inside > keep_off / step).astype(np.uint8)
    bonded = np.zeros(len(located.strip.points), bool)
    for first, last in bonded_spans(located):
        bonded[max(first, 0) : last + 1] = True
    gap = np.maximum(located.apart.thickness, located.gap.thickness) / 2 + keep_off
    for first, last in runs(~bonded):
        _fill_band(out, located, first, last, gap, (left, top), value=0)
    return out.astype(bool)


def _joined(solid: NDArray[np.uint8], located: Located) -> NDArray[np.uint8]:
    """Return the pieces of metal through which the bonded line runs: no label, no filler, no other part."""
    _, labels = cv2.connectedComponents(solid, connectivity=4)
    held: set[int] = set()
    for segment in located.stations.segments:
        on = located.strip.points[max(round(segment.left.station), 0) : round(segment.right.station) + 1]
        x, y = np.rint((on + 0.5) / located.parts.step - 0.5).astype(int).T
        rows, columns = solid.shape
        held |= set(np.unique(labels[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)]).tolist())
    return np.isin(labels, sorted(held - {0})).astype(np.uint8)


def _fill_band(
    mask: NDArray[np.uint8],
    located: Located,
    first: int,
    last: int,
    half: NDArray[np.float64],
    origin: tuple[int, int],
    *,
    value: int = 1,
) -> None:
    """Fill the band of ``half`` px to each side of the gap's middle between two stations."""
    span = slice(max(first, 0), min(last, half.size - 1) + 1)
    points, normals = located.strip.points[span], located.strip.normals[span]
    centre = located.apart.centre[span]
    rims = [points + (centre + sign * half[span])[:, None] * normals for sign in (-1, 1)]
    if len(points) > 1:
        cv2.fillPoly(mask, [_fixed(np.vstack([rims[0], rims[1][::-1]]) - origin)], value, cv2.LINE_8, 4)


def _fixed(points: Places) -> NDArray[np.int32]:
    return np.rint(points * 16).astype(np.int32)


def _level(tone: Floats, metal: Mask) -> Floats:
    """Return the metal's level about each pixel: the mean of what is no flaw, over some 50 px."""
    rows, columns = tone.shape
    size = (max(columns // CELL, 1), max(rows // CELL, 1))
    level = np.float32(tone[::2, ::2][metal[::2, ::2]].mean() if metal[::2, ::2].any() else tone.mean())
    solid = metal.view(np.uint8)
    out: Floats = np.full((1, 1), level, np.float32)
    for _ in range(2):
        # what is far darker than the level so far is a flaw or a boundary and no part of it
        full = cv2.resize(np.float32(0.75) * out, (columns, rows), interpolation=cv2.INTER_LINEAR)
        keep = cv2.bitwise_and(cv2.compare(tone, full, cv2.CMP_GT), solid * np.uint8(255))
        weight = cv2.resize(keep, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
        total = cv2.resize(cv2.bitwise_and(tone, tone, mask=keep), size, interpolation=cv2.INTER_AREA)
        share, sums = blurred(weight, 3.0), blurred(total, 3.0)
        out = np.asarray((sums + level * np.float32(1e-3)) / (share + np.float32(1e-3)), np.float32)
    return np.asarray(cv2.resize(out, (columns, rows), interpolation=cv2.INTER_LINEAR), np.float32)


def _void_level(located: Located) -> float:
    """Return the tone of what holds no metal: the darker of the mount and the open gap's core."""
    wide = located.gap.thickness > 10
    level = located.parts.mount_tone
    if wide.sum() > 20:
        strip = located.strip.values
        tone = strip if located.parts.weights is None else project(strip, located.parts.weights)
        row = np.clip(np.rint(located.strip.half + located.gap.centre).astype(int), 0, tone.shape[0] - 1)
        core = tone[row, np.arange(tone.shape[1])][wide]
        level = min(level, float(np.quantile(core, 0.3)))
    return level
