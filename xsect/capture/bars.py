"""Bars drawn over a picture: straight, thin, evenly inked, with end ticks or a label."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.marks import DARK, LIGHT, SLACK, Grey8, Mask, channel_range, colourful


@dataclass(frozen=True)
class Bar:
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


def find_bars(picture: Grey8) -> list[Bar]:
    """Return what may be the scale bar: with ticks and label if any has both, else with either, else plain.

    A plain bar must be drawn beyond doubt, for a level scratch or crack is straight and even as well.
    """
    low, high = channel_range(picture)
    masks = [
        ("dark", cv2.threshold(high, DARK + SLACK, 255, cv2.THRESH_BINARY_INV)[1]),
        ("light", cv2.threshold(low, LIGHT - 1 - SLACK, 255, cv2.THRESH_BINARY)[1]),
        *(("colour", mask) for mask in _inks(picture, low, high)),
    ]
    found: list[Bar] = []
    for tone, mask in masks:
        if not mask.any():
            continue
        for upright in (False, True):
            turned = np.ascontiguousarray(mask.T) if upright else mask
            view = picture.swapaxes(0, 1) if upright else picture
            bars = _without_boxes(_straight_runs(view, turned, upright, tone))
            bars = _joined(bars, turned)
            described = _whole([one for bar in bars if (one := _described(bar, turned)) is not None])
            alone = [bar for bar in described if _stands_alone(bar, turned) and not _is_frame(bar, turned)]
            found += [bar for bar in alone if bar.ticks is not None or _is_drawn(view, bar)]
    ranks = {bar: (bar.ticks is not None) + bar.labelled for bar in found}
    best = max(ranks.values(), default=0)
    return [bar for bar in found if ranks[bar] == best]


def _inks(picture: Grey8, low: Grey8, high: Grey8) -> list[Mask]:
    """Return where each drawn colour is, with less and with more slack for what JPEG makes of its edges."""
    drawn = colourful(picture, low, high)
    if drawn is None:
        return []
    seen = picture[drawn > 0].astype(int)
    middle = (seen.max(axis=1) + seen.min(axis=1)) / 2
    sort = (seen > middle[:, None]) @ np.array([4, 2, 1])
    inks = [np.median(seen[sort == kind], axis=0) for kind in range(1, 7) if (sort == kind).sum() >= 60]
    away = [np.abs(picture - ink.astype(np.int16)).max(axis=2) for ink in inks]
    return [(one <= slack).astype(np.uint8) for one in away for slack in (50, 90)]


def _straight_runs(picture: Grey8, mask: Mask, upright: bool, tone: str) -> list[Bar]:
    """Return the thin rectangles of a mask that lie along rows, stand out crisply and end inside the picture."""
    rows, cols = mask.shape
    shortest = max(21, cols // 60 | 1)  # odd: an even kernel would shift what it opens
    runs = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((1, shortest), np.uint8))
    stats = cv2.connectedComponentsWithStats(runs, connectivity=4)[2][1:]
    x, y, w, h, area = stats.T
    # Halves of an interrupted bar look twice as thick; see `_whole` for what remains of them.
    thin = (h <= np.maximum(w / 3, 2)) & (area >= 0.9 * w * h)
    inside = (x >= 2) & (y >= 3) & (x + w <= cols - 2) & (y + h <= rows - 2)
    found = []
    for i in np.flatnonzero(thin & inside):
        bar = Bar(int(x[i]), int(x[i] + w[i] - 1), int(y[i]), int(y[i] + h[i] - 1), upright, tone)
        if _stands_out(picture, bar):
            found.append(bar)
    return found


def _stands_out(picture: Grey8, bar: Bar) -> bool:
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


def _is_drawn(picture: Grey8, bar: Bar) -> bool:
    """Whether a plain bar's sides change from its own tone to the picture over one pixel, as no optic shows them.

    JPEG spreads a drawn colour over three more.
    """
    margin = (bar.x1 - bar.x0) // 10
    span = slice(bar.x0 + margin, bar.x1 - margin + 1)

    def level(row: int) -> NDArray[Any]:
        values = picture[min(max(row, 0), len(picture) - 1), span]
        return np.atleast_1d(np.median(values, axis=0)).astype(float)

    own = level((bar.y0 + bar.y1) // 2)
    mixed = 4 if bar.tone == "colour" else 1
    for edge, step in ((bar.y0, -1), (bar.y1, 1)):
        way = level(edge + (3 + mixed) * step) - own
        square = max(float(way @ way), 1e-9)
        # A thin bar's other side lies one row in already.
        first = -1 if bar.y1 - bar.y0 >= 2 else 0
        shares = [float((level(edge + k * step) - own) @ way) / square for k in range(first, mixed + 2)]
        if sum(0.1 < share < 0.9 for share in shares) > mixed or shares[-1] <= 0.9:
            return False
    return bar.y1 > bar.y0


def _whole(bars: list[Bar]) -> list[Bar]:
    """Leave out what is too thick for a bar, and plain bars in one line with others of their tone: pieces of a bar that
    is not seen whole."""

    def piece(one: Bar, other: Bar) -> bool:
        level = abs(one.y0 - other.y0) <= 1 and abs(one.y1 - other.y1) <= 1
        gap = max(one.x0, other.x0) - min(one.x1, other.x1)
        return one is not other and level and gap <= 2 * (one.x1 - one.x0 + 1)

    slim = [bar for bar in bars if bar.y1 - bar.y0 + 1 <= max((bar.x1 - bar.x0 + 1) / 6, 2)]
    return [bar for bar in slim if bar.ticks is not None or not any(piece(bar, other) for other in bars)]


def _without_boxes(bars: list[Bar]) -> list[Bar]:
    """Leave out the sides of frames round labels: two of them span the same columns."""

    def paired(one: Bar, other: Bar) -> bool:
        return one is not other and abs(one.x0 - other.x0) <= 3 and abs(one.x1 - other.x1) <= 3

    return [bar for bar in bars if not any(paired(bar, other) for other in bars)]


def _stands_alone(bar: Bar, mask: Mask) -> bool:
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


def _is_frame(bar: Bar, mask: Mask) -> bool:
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


def _joined(bars: list[Bar], mask: Mask) -> list[Bar]:
    """Join the two halves of a bar that its own label interrupts."""
    bars = sorted(bars, key=lambda bar: bar.x0)
    joined: list[Bar] = []
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


def _described(bar: Bar, mask: Mask) -> Bar | None:
    """Add the end ticks and whether a label stands near; None for half of a bar, or one crossed by something else."""
    length = bar.x1 - bar.x0 + 1
    left, right = _tick(bar, mask, first=True), _tick(bar, mask, first=False)
    if (left is None) != (right is None):
        return None
    if left is not None and right is not None:
        widths = left[1] - left[0] + 1, right[1] - right[0] + 1
        reach = max(left[3], right[3]) - min(left[2], right[2]) + 1
        even = abs(left[2] - right[2]) <= 3 and abs(left[3] - right[3]) <= 3
        if abs(widths[0] - widths[1]) <= 2 and even and reach <= 0.5 * length:
            rows = max(left[2], right[2]), min(left[3], right[3])
            return replace(
                bar, ticks=((left[0], left[1]), (right[0], right[1]), *rows), labelled=_labelled(bar, mask)
            )
        return None
    return replace(bar, labelled=_labelled(bar, mask))


def _tick(bar: Bar, mask: Mask, *, first: bool) -> tuple[int, int, int, int] | None:
    """Return the columns and rows of the tick at one end: columns in which the ink goes on beyond the bar."""
    thickness = bar.y1 - bar.y0 + 1
    reach = max(8, (bar.x1 - bar.x0) // 8)
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


def _labelled(bar: Bar, mask: Mask) -> bool:
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
