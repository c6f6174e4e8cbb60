"""Scale bar burned into a picture: its ends to a fraction of a pixel, and how sure its length is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from xsect.capture.bars import Bar, find_bars
from xsect.capture.marks import Grey8, eight_bit
from xsect.capture.scale import Scale
from xsect.reasons import Refusal

Convention = Literal["centre to centre of the end ticks", "outer edge to outer edge"]
Point = tuple[float, float]

U_END_PX: Final = 0.1
"""Standard uncertainty of one end's place in the picture, px: drawn ends agree to this on pictures of known bars."""

U_COLOUR_PX: Final = 0.4
"""The same of a coloured bar's whole length: JPEG stores colour at half the resolution."""

_COLOURED: Final = 60
"""Levels between the channels of an ink from which it has a colour."""

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
    found = [
        _read(picture, bar, bar_um) for bar in find_bars(picture) if not _ticks_without_colour(picture, bar)
    ]
    if not found:
        raise Refusal("bar_not_found", detail="nothing is straight, even and crisp enough to be a drawn bar")
    best = found[0]
    rivals = [one for one in found[1:] if abs(one.length_px / best.length_px - 1) > 0.02]
    if rivals:
        lengths = ", ".join(f"{one.length_px:.0f} px" for one in (best, *rivals))
        raise Refusal("bar_not_found", detail=f"{len(rivals) + 1} bars could be meant ({lengths})")
    return best


def _read(picture: Grey8, bar: Bar, bar_um: float) -> BarReading:
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
        if bar.tone == "colour":
            start, end = (_ink_centre(rows, own, first, last) for first, last in (left, right))
        else:
            start, end = (
                (_edge(rows, own, first, -1, 1) + _edge(rows, own, last, 1, 1)) / 2
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


def _ticks_without_colour(picture: Grey8, bar: Bar) -> bool:
    """Whether a coloured bar that seems plain has ticks: JPEG takes the colour from thin ones, but not the brightness.

    Such a bar is not measured, for its length would be that from outer edge to outer edge.
    """
    if bar.tone != "colour" or bar.ticks is not None:
        return False
    view = (picture.swapaxes(0, 1) if bar.upright else picture) @ _LUMA
    own = float(np.median(view[bar.y0 : bar.y1 + 1, bar.x0 : bar.x1 + 1]))
    sides = (range(bar.y0 - 5, bar.y0 - 1), range(bar.y1 + 2, bar.y1 + 6))
    rows = [[row for row in side if 0 <= row < len(view)] for side in sides]
    return any(
        len(side) == 4
        and all(_stands(view[side], own, end, inwards) for end, inwards in ((bar.x0, 1), (bar.x1, -1)))
        for side in rows
    )


def _stands(rows: NDArray[Any], own: float, end: int, inwards: int) -> bool:
    """Whether ink as bright as ``own`` stands in rows at a bar's ``end``, and none further in."""
    columns = np.clip(end + inwards * np.arange(-2, 13), 0, rows.shape[1] - 1)
    levels = rows[:, columns]
    ground = np.median(levels[:, 7:], axis=1)
    way = own - ground
    peak = np.where(way > 0, levels[:, :6].max(axis=1), levels[:, :6].min(axis=1)) - ground
    return bool((np.abs(way) > 30).all() and (peak / way > 0.6).all())


def _tick_rows(bar: Bar, top: int, bottom: int) -> list[int]:
    """Return the rows of the ticks beyond the bar's body, without their ends, which may be rounded."""
    above = list(range(top, bar.y0 - 1))
    below = list(range(bar.y1 + 2, bottom + 1))
    rows = above[len(above) // 3 :] + below[: len(below) - len(below) // 3]
    return rows or [top, bottom]


def _ink_centre(rows: Grey8, own: NDArray[Any], first: int, last: int) -> float:
    """Return the centre of a coloured tick near columns ``first`` to ``last``, from how much of each column is ink:
    JPEG spreads colour so far that a tick's edges cannot be seen one by one."""
    columns = np.clip(np.arange(first - 6, last + 7), 0, rows.shape[1] - 1)
    levels = rows[:, columns].astype(float)
    t = np.linspace(0, 1, len(columns))[:, None]
    beyond = levels[:, :2].mean(axis=1)[:, None] * (1 - t) + levels[:, -2:].mean(axis=1)[:, None] * t
    ink = np.median(_share(levels, own, beyond), axis=0)
    ink = np.where(ink > 0.1, np.minimum(ink, 1), 0)
    return float(ink @ columns / max(float(ink.sum()), 1e-9))


def _share(levels: NDArray[Any], own: NDArray[Any], beyond: NDArray[Any]) -> NDArray[Any]:
    """Return how much of each pixel is ink of level ``own`` and not picture of level ``beyond``; (rows, columns,
    channels) in, (rows, columns) out. Rows in which brightness tells little are left out if others tell more."""
    way = own - beyond
    bright = _LUMA if own.size == 3 else np.ones(1)
    # Brightness decides where it differs enough: JPEG keeps it sharp, but stores colour coarsely.
    clear = np.abs(way @ bright).min(axis=1) >= 50
    if clear.mean() < 0.5:
        return np.asarray(((levels - beyond) * way).sum(axis=2) / np.maximum((way**2).sum(axis=2), 1e-9))
    levels, beyond, way = levels[clear], beyond[clear], way[clear]
    share = ((levels - beyond) @ bright) / (way @ bright)
    if np.ptp(own) < _COLOURED:
        return np.asarray(share)
    # A scratch under an end may be as bright as the ink, but has not its colour, however coarsely that is stored.
    hue = way - way.mean(axis=2, keepdims=True)
    coloured = ((levels - beyond) * hue).sum(axis=2) / np.maximum((hue**2).sum(axis=2), 1e-9)
    return np.asarray(np.minimum(share, 2 * np.maximum(coloured, 0)))


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
    ink = float(np.median(np.clip(_share(levels, own, beyond[:, None]), 0, 1), axis=0).sum())
    return float(place + step * (ink - reach + 0.5))
