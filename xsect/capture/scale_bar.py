"""Scale bar burned into a picture: its ends to a fraction of a pixel, and how sure its length is."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.marks import DARK, LIGHT, SLACK, Grey8, Mask, channel_range, colourful, eight_bit
from xsect.capture.scale import Scale
from xsect.reasons import Refusal

Convention = Literal["centre to centre of the end ticks", "outer edge to outer edge"]
Point = tuple[float, float]

U_END_PX: Final = 0.1
"""Standard uncertainty of one end's place in the picture, px: drawn ends agree to this on pictures of known bars."""

U_COLOUR_PX: Final = 0.4
"""The same of a coloured bar's whole length: JPEG stores colour at half the resolution."""

_LUMA: Final = np.array([0.299, 0.587, 0.114])
"""Brightness of red, green and blue (ITU-R BT.601, as JPEG uses it)."""


@dataclass(frozen=True)
class BarReading:
    """One bar: the scale it gives, and what was taken for its ends.

    ``ends``: (x, y) px, pixel centres at whole numbers, left or upper end first. ``length_px`` is measured by
    ``convention``; ``tick_px`` is the width of the end ticks (0 for a plain bar). ``u_relative`` covers where the ends
    lie and, with ticks, that the bar may be meant from outer or inner edges: ± one tick width, rectangular.
    """

    bar_um: float
    um_per_px: float
    u_relative: float
    length_px: float
    ends: tuple[Point, Point]
    convention: Convention
    tick_px: float
    thickness_px: float
    horizontal: bool

    @property
    def scale(self) -> Scale:
        """The scale, taken to hold for both axes."""
        detail = f"bar of {self.bar_um:g} µm, {self.length_px:.1f} px {self.convention}"
        return Scale(self.um_per_px, self.um_per_px, self.u_relative, "scale bar", detail)


def read_scale_bar(pixels: NDArray[np.uint8] | NDArray[np.uint16], *, bar_um: float) -> BarReading:
    """Find the scale bar in a picture and read the scale from its stated length ``bar_um``.

    ``pixels``: (rows, cols) grey or (rows, cols, 3) RGB. The bar may lie along rows or columns, in a data strip or
    over the picture, be dark, light or coloured, plain or with end ticks, and be interrupted by its own label. Raises
    Refusal bar_not_found where there is none, or more than one that could be meant; ValueError where bar_um is not
    positive.
    """
    if not bar_um > 0:
        raise ValueError(f"bar_um = {bar_um}: must be > 0")
    picture = eight_bit(pixels)
    found = [_read(picture, bar, bar_um) for bar in _bars(picture)]
    if not found:
        raise Refusal("bar_not_found", detail="no straight, evenly drawn bar with end ticks or a label")
    best = found[0]
    rivals = [one for one in found[1:] if abs(one.length_px / best.length_px - 1) > 0.02]
    if rivals:
        lengths = ", ".join(f"{one.length_px:.0f} px" for one in (best, *rivals))
        raise Refusal("bar_not_found", detail=f"{len(rivals) + 1} bars could be meant ({lengths})")
    return best


@dataclass(frozen=True)
class _Bar:
    """A bar in the frame in which it lies along rows: columns x0..x1 and rows y0..y1, both ends included.

    ``ticks``: first and last column of the ticks at both ends and the rows they reach, None for a plain bar.
    """

    x0: int
    x1: int
    y0: int
    y1: int
    upright: bool
    tone: str
    ticks: tuple[tuple[int, int], tuple[int, int], int, int] | None = None
    labelled: bool = False


def _bars(picture: Grey8) -> list[_Bar]:
    """Return what may be the scale bar: with ticks and label if any has both, else with either."""
    low, high = channel_range(picture)
    masks = [
        ("dark", cv2.threshold(high, DARK + SLACK, 255, cv2.THRESH_BINARY_INV)[1]),
        ("light", cv2.threshold(low, LIGHT - 1 - SLACK, 255, cv2.THRESH_BINARY)[1]),
        *(("colour", mask) for mask in _inks(picture, low, high)),
    ]
    found: list[_Bar] = []
    for tone, mask in masks:
        if not mask.any():
            continue
        for upright in (False, True):
            turned = np.ascontiguousarray(mask.T) if upright else mask
            view = picture.swapaxes(0, 1) if upright else picture
            bars = _without_boxes(_straight_runs(view, turned, upright, tone))
            bars = _joined(bars, turned)
            described = [_described(bar, turned) for bar in bars]
            found += [bar for bar in described if _stands_alone(bar, turned) and not _is_frame(bar, turned)]
    ranks = {bar: (bar.ticks is not None) + bar.labelled for bar in found}
    best = max(ranks.values(), default=0)
    return [bar for bar in found if ranks[bar] == best] if best else []


def _inks(picture: Grey8, low: Grey8, high: Grey8) -> list[Mask]:
    """Return where each drawn colour is, with some slack for what JPEG makes of it near its edges."""
    drawn = colourful(picture, low, high)
    if drawn is None:
        return []
    seen = picture[drawn > 0].astype(int)
    middle = (seen.max(axis=1) + seen.min(axis=1)) / 2
    sort = (seen > middle[:, None]) @ np.array([4, 2, 1])
    inks = [np.median(seen[sort == kind], axis=0) for kind in range(1, 7) if (sort == kind).sum() >= 60]
    return [(np.abs(picture - ink.astype(np.int16)).max(axis=2) <= 90).astype(np.uint8) for ink in inks]


def _straight_runs(picture: Grey8, mask: Mask, upright: bool, tone: str) -> list[_Bar]:
    """Return the thin rectangles of a mask that lie along rows, stand out crisply and end inside the picture."""
    rows, cols = mask.shape
    shortest = max(21, cols // 60 | 1)  # odd: an even kernel would shift what it opens
    runs = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((1, shortest), np.uint8))
    stats = cv2.connectedComponentsWithStats(runs, connectivity=4)[2][1:]
    x, y, w, h, area = stats.T
    thin = (h <= np.maximum(w / 6, 2)) & (area >= 0.9 * w * h)
    inside = (x >= 2) & (y >= 3) & (x + w <= cols - 2) & (y + h <= rows - 2)
    found = []
    for i in np.flatnonzero(thin & inside):
        bar = _Bar(int(x[i]), int(x[i] + w[i] - 1), int(y[i]), int(y[i] + h[i] - 1), upright, tone)
        if _stands_out(picture, bar):
            found.append(bar)
    return found


def _stands_out(picture: Grey8, bar: _Bar) -> bool:
    """Whether the picture has changed fully two pixels above and below a bar, over most of its length."""
    span = slice(bar.x0 + (bar.x1 - bar.x0) // 10, bar.x1 - (bar.x1 - bar.x0) // 10 + 1)

    def line(row: int) -> NDArray[Any]:
        values = picture[min(max(row, 0), len(picture) - 1), span].astype(int)
        return values if values.ndim == 2 else values[:, None]

    own = np.median(picture[bar.y0 : bar.y1 + 1, span].reshape(-1, 1 if picture.ndim == 2 else 3), axis=0)
    for near, far in ((bar.y0 - 2, bar.y0 - 4), (bar.y1 + 2, bar.y1 + 4)):
        at_once, beyond = (np.abs(line(row) - own).max(axis=1) for row in (near, far))
        if ((at_once >= 40) & (at_once >= 0.7 * beyond)).mean() < 0.75:
            return False
    return True


def _without_boxes(bars: list[_Bar]) -> list[_Bar]:
    """Leave out the sides of frames round labels: two of them span the same columns."""

    def paired(one: _Bar, other: _Bar) -> bool:
        return one is not other and abs(one.x0 - other.x0) <= 3 and abs(one.x1 - other.x1) <= 3

    return [bar for bar in bars if not any(paired(bar, other) for other in bars)]


def _stands_alone(bar: _Bar, mask: Mask) -> bool:
    """Whether no more ink hangs together with a bar than its ticks: else it is part of a frame, a table or a tick.

    Pores that a dark bar crosses may stick out above and below it, but not beyond its ends.
    """
    aside = 2 * (bar.y1 - bar.y0 + 1) + 8
    top, bottom = (bar.y0, bar.y1) if bar.ticks is None else bar.ticks[2:]
    y0, x0 = max(top - aside, 0), max(bar.x0 - 8, 0)
    labels = cv2.connectedComponents(np.ascontiguousarray(mask[y0 : bottom + aside + 1, x0 : bar.x1 + 9]))[1]
    own = np.zeros(labels.shape, bool)
    for column in (bar.x0, bar.x1):
        own |= labels == labels[(bar.y0 + bar.y1) // 2 - y0, column - x0]
    rows, columns = np.flatnonzero(own.any(axis=1)), np.flatnonzero(own.any(axis=0))
    level = columns[0] + x0 >= bar.x0 - 2 and columns[-1] + x0 <= bar.x1 + 2
    return bool(level and rows[0] > 0 and rows[-1] < own.shape[0] - 1)


def _is_frame(bar: _Bar, mask: Mask) -> bool:
    """Whether the far ends of the ticks are joined by another line: then they are the sides of a frame."""
    if bar.ticks is None:
        return False
    (_, left), (right, _), top, bottom = bar.ticks
    across = [mask[row, left + 1 : right].astype(bool).mean() for row in (top, top + 1, bottom - 1, bottom)]
    return any(
        share >= 0.9
        for share, row in zip(across, (top, top + 1, bottom - 1, bottom), strict=True)
        if not bar.y0 - 1 <= row <= bar.y1 + 1
    )


def _joined(bars: list[_Bar], mask: Mask) -> list[_Bar]:
    """Join the two halves of a bar that its own label interrupts."""
    bars = sorted(bars, key=lambda bar: bar.x0)
    joined: list[_Bar] = []
    taken: set[int] = set()
    for i, left in enumerate(bars):
        for j in range(i + 1, len(bars)):
            right = bars[j]
            lengths = left.x1 - left.x0 + 1, right.x1 - right.x0 + 1
            level = abs(left.y0 - right.y0) <= 1 and abs(left.y1 - right.y1) <= 1
            gap = right.x0 - left.x1
            alike = max(lengths) <= 1.35 * min(lengths)
            if level and alike and 0 < gap <= 6 * max(lengths) and not {i, j} & taken:
                between = mask[
                    max(left.y0 - gap // 4, 0) : left.y1 + gap // 4 + 1, left.x1 + 2 : right.x0 - 1
                ]
                if between.any():
                    joined.append(replace(left, x1=right.x1))
                    taken |= {i, j}
    return joined + [bar for i, bar in enumerate(bars) if i not in taken]


def _described(bar: _Bar, mask: Mask) -> _Bar:
    """Add the end ticks and whether a label stands near."""
    length = bar.x1 - bar.x0 + 1
    left, right = _tick(bar, mask, first=True), _tick(bar, mask, first=False)
    if (left is None) != (right is None):
        return bar  # half of an interrupted bar, or crossed by something else
    if left is not None and right is not None:
        widths = left[1] - left[0] + 1, right[1] - right[0] + 1
        reach = max(left[3], right[3]) - min(left[2], right[2]) + 1
        even = abs(left[2] - right[2]) <= 3 and abs(left[3] - right[3]) <= 3
        if abs(widths[0] - widths[1]) <= 2 and even and reach <= 0.5 * length:
            rows = max(left[2], right[2]), min(left[3], right[3])
            bar = replace(bar, ticks=((left[0], left[1]), (right[0], right[1]), *rows))
    return replace(bar, labelled=_labelled(bar, mask))


def _tick(bar: _Bar, mask: Mask, *, first: bool) -> tuple[int, int, int, int] | None:
    """Return the columns and rows of the tick at one end: columns in which the ink goes on beyond the bar."""
    thickness = bar.y1 - bar.y0 + 1
    reach = max(3, (bar.x1 - bar.x0) // 8)
    columns = range(bar.x0, bar.x0 + reach) if first else range(bar.x1, bar.x1 - reach, -1)
    found: list[tuple[int, int, int]] = []
    for column in columns:
        top, bottom = bar.y0, bar.y1
        while top > 0 and mask[top - 1, column]:
            top -= 1
        while bottom < len(mask) - 1 and mask[bottom + 1, column]:
            bottom += 1
        beyond = (bar.y0 - top) + (bottom - bar.y1)
        if beyond >= max(3, thickness // 2):
            found.append((column, top, bottom))
        elif found or abs(column - columns[0]) > 1:
            break
    if not found or len(found) == reach:
        return None
    ends = sorted((found[0][0], found[-1][0]))
    return ends[0], ends[1], min(top for _, top, _ in found), max(bottom for _, _, bottom in found)


def _labelled(bar: _Bar, mask: Mask) -> bool:
    """Whether letters of the bar's own tone stand above, below, beside or within it."""
    length = bar.x1 - bar.x0 + 1
    away = max(length // 3, 40)
    y0, y1 = max(bar.y0 - away, 0), min(bar.y1 + away, mask.shape[0])
    x0, x1 = max(bar.x0 - length // 2 - 40, 0), min(bar.x1 + length // 2 + 40, mask.shape[1])
    stats = cv2.connectedComponentsWithStats(np.ascontiguousarray(mask[y0:y1, x0:x1]))[2][1:]
    _, y, w, h, area = stats.T
    size = (h >= 6) & (h <= 0.4 * length) & (w >= 2) & (w <= 1.6 * h) & (area >= 0.12 * w * h)
    letters = stats[size]
    if len(letters) < 2:
        return False
    # Letters of one label stand on one line, upright or turned either way.
    x, y, w, h = letters[:, :4].T
    for low, tall in ((y + h, h), (y, h), (x, w), (x + w, w)):
        for base, height in zip(low, tall, strict=True):
            beside = (np.abs(low - base) <= 2) & (np.abs(tall - height) <= 0.35 * height + 1)
            if 2 <= beside.sum() <= 14:
                return True
    return False


def _read(picture: Grey8, bar: _Bar, bar_um: float) -> BarReading:
    """Measure a bar's ends and express them in the picture's own axes."""
    view = picture.swapaxes(0, 1) if bar.upright else picture
    view = view.reshape(*view.shape[:2], -1)
    thickness = bar.y1 - bar.y0 + 1
    body = slice(bar.y0 + thickness // 4, bar.y1 + 1 - thickness // 4)
    inner = max(2, (bar.x1 - bar.x0) // 10)
    half = view[body, bar.x0 + inner : bar.x0 + max(3 * inner, inner + 1)]
    own = np.median(half.reshape(-1, view.shape[2]), axis=0)
    if bar.ticks is None:
        reach = 2 if bar.tone == "colour" else 1
        start, end = (
            _edge(view[body], own, place, step, reach) for place, step in ((bar.x0, -1), (bar.x1, 1))
        )
        convention: Convention = "outer edge to outer edge"
        tick = 0.0
        # Either end may have been rounded to a whole pixel when the bar was drawn.
        u_px = math.hypot(math.sqrt(2) * U_END_PX, 1 / math.sqrt(6))
    else:
        left, right, top, bottom = bar.ticks
        rows = view[_tick_rows(bar, top, bottom)]
        narrow = min(left[1] - left[0], right[1] - right[0]) < 3
        reach = 2 if bar.tone == "colour" and not narrow else 1
        start, end = (
            (_edge(rows, own, first, -1, reach) + _edge(rows, own, last, 1, reach)) / 2
            for first, last in (left, right)
        )
        convention = "centre to centre of the end ticks"
        tick = (left[1] - left[0] + right[1] - right[0]) / 2 + 1
        u_px = math.hypot(math.sqrt(2) * U_END_PX, tick / math.sqrt(3))
    if bar.tone == "colour":
        u_px = math.hypot(u_px, U_COLOUR_PX)
    length = end - start
    middle = (bar.y0 + bar.y1) / 2
    ends = ((start, middle), (end, middle))
    if bar.upright:
        ends = ((middle, start), (middle, end))
    return BarReading(
        bar_um, bar_um / length, u_px / length, length, ends, convention, tick, thickness, not bar.upright
    )


def _tick_rows(bar: _Bar, top: int, bottom: int) -> list[int]:
    """Return the rows of the ticks beyond the bar's body, without their ends, which may be rounded."""
    above = list(range(top, bar.y0 - 1))
    below = list(range(bar.y1 + 2, bottom + 1))
    rows = above[len(above) // 3 :] + below[: len(below) - len(below) // 3]
    return rows or [top, bottom]


def _edge(rows: Grey8, own: NDArray[Any], place: int, step: int, reach: int) -> float:
    """Return where ink of level ``own`` ends whose last column is ``place``, going by ``step`` (-1 or 1).

    The ``reach`` last columns and as many beyond are shared by ink and picture (JPEG spreads colour further than
    brightness); how much of them is ink gives the edge. What the picture is like there is seen in the next two
    columns, row by row.
    """
    columns = np.clip(place + step * np.arange(1 - reach, reach + 3), 0, rows.shape[1] - 1)
    levels = rows[:, columns].astype(float)
    beyond = levels[:, -2:].mean(axis=1)
    levels = levels[:, :-2]
    way = own - beyond
    bright = _LUMA if own.size == 3 else np.ones(1)
    # Brightness decides where it differs enough: JPEG keeps it sharp, but stores colour coarsely.
    clear = np.abs(way @ bright) >= 50
    if clear.mean() >= 0.5:
        share = ((levels[clear] - beyond[clear, None]) @ bright) / (way[clear] @ bright)[:, None]
    else:
        square = np.maximum((way**2).sum(axis=1), 1e-9)
        share = ((levels - beyond[:, None]) * way[:, None]).sum(axis=2) / square[:, None]
    ink = float(np.median(np.clip(share, 0, 1), axis=0).sum())
    return float(place + step * (ink - reach + 0.5))
