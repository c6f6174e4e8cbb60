"""Burned-in annotations: data strips, bars, text, arrows, boxes, frames and padding drawn over a picture.

Masking true metal or a true gap spoils a measurement, while a missed letter mostly does not: every rule
below asks for several signs at once that optics cannot make, and an area that shows only some of them stays.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.borders import border_widths
from xsect.capture.marks import SLACK, Grey8, Marks, Mask, eight_bit, find_marks, tone_mask

LOOKED_AT = 800_000
"""Pixels of the copy on which annotations are sought; each is confirmed at full resolution."""

_MARGIN = 3
"""Pixels by which the mask is grown: it takes in anti-aliasing and JPEG ringing beside a drawn edge."""


def find_burned_in(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.bool_] | None:
    """Return where annotations cover a picture, (rows, cols) bool, or None where there are none.

    ``pixels``: (rows, cols) grey or (rows, cols, 3) RGB. Found are data strips along the top or bottom, even
    margins and padding, filled boxes, bars, lines of text, and arrows that are black, white, or coloured.
    """
    picture = eight_bit(pixels)
    rows, cols = picture.shape[:2]
    found = np.zeros((rows, cols), np.uint8)
    top, bottom, left, right = border_widths(picture)
    found[:top] = found[rows - bottom :] = 255
    found[:, :left] = found[:, cols - right :] = 255
    inner = picture[top : rows - bottom, left : cols - right]
    if min(inner.shape[:2]) < 32:
        return None
    step = max(1, round((inner.shape[0] * inner.shape[1] / LOOKED_AT) ** 0.5))
    drawn: Mask = np.zeros(inner.shape[:2], np.uint8)
    for marks in find_marks(inner, step):
        _draw_marks(inner, marks, drawn)
    if cv2.countNonZero(drawn):
        drawn = cv2.dilate(drawn, np.ones((2 * _MARGIN + 1, 2 * _MARGIN + 1), np.uint8))
        found[top : rows - bottom, left : cols - right] = drawn
    return found.astype(bool) if found.any() else None


# Boxes, bars, text and arrows inside the picture


def _draw_marks(picture: Grey8, marks: Marks, drawn: Mask) -> None:
    """Confirm the areas of one tone at full resolution and draw those that are annotations into ``drawn``."""
    step = marks.step
    size = np.maximum(marks.w, marks.h) * step
    crisp = marks.crisp >= (0.25 if marks.tone == "colour" else 0.65)
    small = marks.w.astype(np.int64) * marks.h <= 0.15 * marks.labels.size
    inside = ~marks.on_border
    if marks.tone == "colour":
        areas = np.flatnonzero(crisp & small & (size >= 6))
        for i in areas[np.argsort(-size[areas])][:300]:
            if _is_ink(picture, marks, int(i)):
                _paint(picture, marks, int(i), drawn)
        return
    # The letters in a box have borders too, which are not the box's own: less of it all need be crisp.
    large = (size >= 32) & (marks.area * step**2 >= 60)
    shapes = np.flatnonzero((marks.crisp >= 0.4) & small & inside & large)
    shapes = shapes[np.argsort(-size[shapes])][:60]
    confirmed = [int(i) for i in shapes if _is_drawn_shape(picture, marks, int(i))]
    if marks.tone == "even":
        for i in confirmed:
            _paint(picture, marks, i, drawn)
        return
    letters = np.flatnonzero(crisp & small & inside & (marks.h * step >= 6) & (size <= 400))
    letters = letters[np.argsort(-marks.crisp[letters])][:400]
    confirmed += _text(picture, marks, letters)
    # A bar's caption, or the rest of a confirmed text, has no need to prove itself as strictly.
    for rule in (_beside, _beside, _on_line_of):
        confirmed += [
            int(i)
            for i in letters
            if i not in confirmed and marks.crisp[i] >= 0.8 and any(rule(marks, int(i), k) for k in confirmed)
        ]
    for i in confirmed:
        _paint(picture, marks, i, drawn)
    for i in np.flatnonzero(~inside & (size >= 8) & (marks.area <= 0.4 * marks.labels.size)):
        if _is_padding(picture, marks, int(i)):
            _paint(picture, marks, int(i), drawn)


def _window(
    picture: Grey8, marks: Marks, i: int, pad: int, *, slack: int = SLACK
) -> tuple[Mask, int, int, Grey8]:
    """Return (mask, x0, y0, crop): one area at full resolution, alone, in a window ``pad`` px larger."""
    step = marks.step
    x0, y0 = max(int(marks.x[i]) * step - pad, 0), max(int(marks.y[i]) * step - pad, 0)
    x1, y1 = int(marks.x[i] + marks.w[i]) * step + pad, int(marks.y[i] + marks.h[i]) * step + pad
    crop = np.ascontiguousarray(picture[y0:y1, x0:x1])
    local = marks.labels[marks.y[i] : marks.y[i] + marks.h[i], marks.x[i] : marks.x[i] + marks.w[i]] == i + 1
    # The deepest pixel stands for the area: those at its edge may be anti-aliased.
    depth = cv2.distanceTransform(np.pad(local, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    row, col = (int(v) for v in np.unravel_index(int(depth.argmax()), depth.shape))
    seed = ((int(marks.y[i]) + row) * step - y0, (int(marks.x[i]) + col) * step - x0)
    labels = cv2.connectedComponents(tone_mask(crop, marks.tone, seed, slack=slack))[1]
    return (labels == labels[seed]).astype(np.uint8), x0, y0, crop


def _cut_off(mask: Mask, x0: int, y0: int, picture: Grey8) -> bool:
    """Whether an area goes on beyond its window: no even area of its own then, it shades into others."""
    rows, cols = mask.shape
    return bool(
        (y0 > 0 and mask[0].any())
        or (x0 > 0 and mask[:, 0].any())
        or (y0 + rows < picture.shape[0] and mask[-1].any())
        or (x0 + cols < picture.shape[1] and mask[:, -1].any())
    )


def _paint(picture: Grey8, marks: Marks, i: int, drawn: Mask) -> None:
    mask, x0, y0, _ = _window(picture, marks, i, 2)
    whole = _filled(mask)
    if mask.sum() >= 0.5 * whole.sum():  # a box with letters, not a ring around something to be seen
        mask = whole
    target = drawn[y0 : y0 + mask.shape[0], x0 : x0 + mask.shape[1]]
    target[mask > 0] = 255


def _filled(mask: Mask) -> Mask:
    outlines = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    return cv2.drawContours(np.zeros_like(mask), outlines, -1, 1, cv2.FILLED)


def _crispness(mask: Mask, whole: Mask, crop: Grey8) -> float:
    """Return the share of an area's border that has 85 % of the contrast to its surroundings two pixels out.

    ``whole`` is ``mask`` with its holes (the letters in a box) filled.
    """
    near = cv2.dilate(whole, np.ones((3, 3), np.uint8))
    two = cv2.dilate(near, np.ones((3, 3), np.uint8))
    five = cv2.dilate(two, np.ones((7, 7), np.uint8))
    own = np.asarray(cv2.mean(crop, mask)[: 1 if crop.ndim == 2 else 3])
    contrast = np.abs(crop.astype(np.float32) - own.astype(np.float32))
    if crop.ndim == 3:
        contrast = contrast.max(axis=2)
    around = (five - two).astype(np.float32)
    background = cv2.blur(contrast * around, (9, 9)) / np.maximum(cv2.blur(around, (9, 9)), 1e-3)
    ring = (two - near) > 0
    seen = ring & (background >= 30)
    if seen.sum() < 0.5 * ring.sum() or not ring.any():
        return 0.0
    return float((contrast[seen] >= 0.85 * background[seen] - 6).mean())


def _is_ink(picture: Grey8, marks: Marks, i: int) -> bool:
    """Whether a coloured area is drawn: one even colour, or at least a crisp border where the lines are thin.

    JPEG stores colour at half the resolution, so the border of an even area need not be as crisp as in grey.
    """
    mask, _, _, crop = _window(picture, marks, i, 6)
    crisp = _crispness(mask, _filled(mask), crop)
    core = cv2.erode(mask, np.ones((3, 3), np.uint8)) > 0
    if not core.any() or max(marks.w[i], marks.h[i]) * marks.step < 16:
        return crisp >= 0.6
    inside = crop[core].astype(int)
    even = (np.abs(inside - np.median(inside, axis=0)).max(axis=1) <= 25).mean()
    return bool(even >= 0.85 and crisp >= 0.25)


def _is_drawn_shape(picture: Grey8, marks: Marks, i: int) -> bool:
    """Whether an area is a box, a bar (plain or with end ticks) or an arrow: crisp, with straight sides.

    Ringing frays a drawn edge unless some slack is given; bright metal beside a white box joins it if it is.
    """
    return any(_has_straight_sides(picture, marks, i, slack) for slack in (SLACK, 0))


def _has_straight_sides(picture: Grey8, marks: Marks, i: int, slack: int) -> bool:
    mask, x0, y0, crop = _window(picture, marks, i, 6, slack=slack)
    if _cut_off(mask, x0, y0, picture):
        return False
    whole = _filled(mask)
    outline = max(cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    x, y, w, h = cv2.boundingRect(outline)
    if max(w, h) < 32 or min(w, h) < 2 or _crispness(mask, whole, crop) < 0.85:
        return False
    if int(whole.sum()) >= 0.97 * w * h:
        return max(w, h) >= 5 * min(w, h) or min(w, h) >= 16
    if marks.tone == "even":
        return False
    if _is_bar(whole[y : y + h, x : x + w]) or _is_bar(whole[y : y + h, x : x + w].T):
        return True
    corners = cv2.approxPolyDP(outline, 1.2, True).reshape(-1, 2).astype(float)
    length = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    solid = whole.sum() / max(cv2.contourArea(cv2.convexHull(outline)), 1.0)
    straight = length[length >= max(0.12 * max(w, h), 12)].sum() >= 0.85 * length.sum()
    return bool(max(w, h) >= 40 and solid <= 0.75 and straight)


def _is_bar(shape: Mask) -> bool:
    """Whether most columns of a shape begin and end on the same two rows: a bar, but for ticks and pores."""
    rows, cols = shape.shape
    top, bottom = shape.argmax(axis=0), rows - shape[::-1].argmax(axis=0)
    upper, lower = (int(np.bincount(edge).argmax()) for edge in (top, bottom))
    level = min((top == upper).mean(), (bottom == lower).mean())
    return bool(cols >= 32 and level >= 0.75 and lower - upper <= cols / 6)


def _text(picture: Grey8, marks: Marks, letters: NDArray[np.intp]) -> list[int]:
    """Return the areas that are letters: three or more of one height on a line, crisp, with thin strokes."""
    lettered: set[int] = set()
    x, y, w, h = (getattr(marks, name)[letters].astype(float) for name in "xywh")
    # Upright text stands on its base line; text turned by a quarter stands on a column.
    for start, base, extent, height in ((x, y + h, w, h), (y, x, h, w), (y, x + w, h, w)):
        taller = np.maximum(height[:, None], height[None, :])
        level = np.abs(base[:, None] - base[None, :]) <= 1 + 0.06 * taller
        alike = np.abs(height[:, None] - height[None, :]) <= 1 + 0.3 * taller
        apart = start[:, None] - (start + extent)[None, :]
        apart = np.maximum(apart, apart.T)
        linked = level & alike & (apart <= 0.9 * taller) & (apart >= -0.2 * taller)
        linked &= (height * marks.step >= 7)[:, None] & (extent <= 1.6 * height)[:, None]
        linked &= linked.T
        for line in _groups(linked):
            if len(line) >= 3 and _are_letters(picture, marks, letters[line], height[line] * marks.step):
                lettered.update(int(k) for k in letters[line])
    return sorted(lettered)


def _groups(linked: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    from scipy.sparse.csgraph import connected_components

    count, group = connected_components(linked, directed=False)
    sizes = np.bincount(group, minlength=count)
    return [np.flatnonzero(group == k) for k in np.flatnonzero(sizes >= 3)]


def _are_letters(
    picture: Grey8, marks: Marks, members: NDArray[np.intp], heights: NDArray[np.float64]
) -> bool:
    """Whether areas that stand in a line are letters: crisp, of one pen, with little of their tone around them."""
    pad = int(max(heights) / marks.step / 2)
    x0, y0 = int(marks.x[members].min()) - pad, int(marks.y[members].min()) - pad
    x1, y1 = int((marks.x + marks.w)[members].max()) + pad, int((marks.y + marks.h)[members].max()) + pad
    around = np.count_nonzero(marks.labels[max(y0, 0) : y1, max(x0, 0) : x1])
    if around > 1.6 * int(marks.area[members].sum()):
        return False
    strokes = []
    for i, height in zip(members, heights, strict=True):
        mask, _, _, crop = _window(picture, marks, int(i), 6)
        stroke = 2 * float(cv2.distanceTransform(mask, cv2.DIST_L2, 3).max())
        if _crispness(mask, mask, crop) >= 0.8 and stroke <= 0.42 * height:
            strokes.append(stroke)
    # All letters of a line are drawn with one pen, to about a pixel.
    if len(strokes) < max(3, 0.75 * len(members)):
        return False
    return max(strokes) - min(strokes) <= 1 + 0.35 * max(strokes)


def _distance(marks: Marks, i: int, other: int) -> tuple[int, int]:
    """Return the space between two areas' boxes along x and y, in reduced px (negative: they overlap)."""
    dx = max(marks.x[i] - marks.x[other] - marks.w[other], marks.x[other] - marks.x[i] - marks.w[i])
    dy = max(marks.y[i] - marks.y[other] - marks.h[other], marks.y[other] - marks.y[i] - marks.h[i])
    return int(dx), int(dy)


def _beside(marks: Marks, i: int, other: int) -> bool:
    """Whether area ``i`` is no larger than an annotation and lies within its own size of it."""
    size = float(max(marks.h[i], marks.w[i]))
    reach = min(size, 0.5 * float(max(marks.w[other], marks.h[other]))) + 2
    return bool(max(_distance(marks, i, other)) <= reach and marks.area[i] <= 1.5 * marks.area[other])


def _on_line_of(marks: Marks, i: int, other: int) -> bool:
    """Whether area ``i`` goes on with the line of text that a letter belongs to, a few spaces away."""
    tall = float(marks.h[other])
    level = abs(int(marks.y[i] + marks.h[i]) - int(marks.y[other] + marks.h[other])) <= 1 + 0.06 * tall
    alike = abs(marks.h[i] - tall) <= 1 + 0.1 * tall
    return bool(level and alike and _distance(marks, i, other)[0] <= 4 * tall)


def _is_padding(picture: Grey8, marks: Marks, i: int) -> bool:
    """Whether an area at the picture's border is empty canvas of a mosaic: bounded by exact right angles."""
    mask, x0, y0, crop = _window(picture, marks, i, 6)
    if _cut_off(mask, x0, y0, picture):
        return False
    rows, cols = picture.shape[:2]
    outline = max(cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len).reshape(-1, 2)
    corners = cv2.approxPolyDP(outline.reshape(-1, 1, 2), 0.6, True).reshape(-1, 2)
    ends = np.roll(corners, -1, axis=0)
    edge = [((corners[:, k] + o <= 0) & (ends[:, k] + o <= 0)) for k, o in ((0, x0), (1, y0))]
    edge += [
        (corners[:, k] + o >= n - 1) & (ends[:, k] + o >= n - 1) for k, o, n in ((0, x0, cols), (1, y0, rows))
    ]
    free = ~np.logical_or.reduce(edge)
    sides = np.abs(ends - corners)[free]
    straight = sides[(sides.min(axis=1) == 0) & (sides.max(axis=1) >= 16)]
    # A mount with a level edge has one straight side; canvas left free by a tile has two, at a right angle.
    if not (straight > 0).any(axis=0).all() or straight.sum() < 0.97 * sides.sum():
        return False
    return _crispness(mask, mask, crop) >= 0.85
