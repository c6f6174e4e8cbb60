"""Marked-up picture of one section: parts, station states, bond width, standoff, scale bar and legend."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.locate.view import FILLED, FUSED, JOINED, OPEN, PLATING, STATES, SectionView
from xsect.record import SectionRecord
from xsect.report.canvas import Canvas, Points, dashes
from xsect.report.flaw_marks import FLAW_LEGEND, draw_flaws
from xsect.report.nugget_marks import CERTAIN_DASHES, DOUBTFUL_DASHES, draw_nuggets
from xsect.report.style import BLUE, ORANGE, SKY_BLUE, STATE_STYLES, YELLOW
from xsect.report.typeface import drawn_name
from xsect.report.wording import shown

WIDEST: Final = 1600
"""Longest side of the picture in px: 170 mm in print at 240 dots per inch."""

PART_DASHES: Final[tuple[tuple[float, ...], ...]] = ((), (6.0, 3.0))
"""Lines of the upper and the lower part's outline."""


def draw_marked(
    pixels: NDArray[np.uint8] | NDArray[np.uint16], view: SectionView | None, record: SectionRecord
) -> NDArray[np.uint8]:
    """Return the marked-up picture (rows, columns, 3) uint8 RGB, at most 1600 px wide or high, legend below.

    ``pixels`` is the picture as analysed, grey or RGB; it is enlarged at most 4 times. Without a ``view``
    only name and scale bar are drawn. 16-bit pictures are shown from 0 to their brightest 0.1 %.
    """
    photo, factor = report_size(pixels)
    canvas = Canvas(photo, unit=max(photo.shape[:2]) / 400)
    if record.scale is not None:
        _draw_scale_bar(canvas, record.scale.um_per_px / factor, view, factor)
    if view is not None:
        to = _Mapping(factor, view)
        _draw_outlines(canvas, view, to)
        _draw_states(canvas, view, to)
        draw_nuggets(canvas, view.nuggets, to)
        draw_flaws(canvas, view.flaws, to)
        _draw_widths(canvas, view, to, record)
        _draw_standoff(canvas, view, to, record)
    return np.vstack([canvas.finished(), _legend(canvas, view, drawn_name(record.row))])


def report_size(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> tuple[NDArray[np.uint8], float]:
    """Return an RGB copy at report size and the factor by which it was enlarged (below 1: made smaller)."""
    factor = min(WIDEST / max(pixels.shape[:2]), 4.0)
    size = [max(round(side * factor), 1) for side in pixels.shape[1::-1]]
    way = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    small = np.asarray(cv2.resize(pixels, size, interpolation=way))
    if small.dtype != np.uint8:
        top = max(float(np.percentile(small, 99.9)), 1.0)
        small = (small * (255 / top)).clip(0, 255).astype(np.uint8)
    rgb = np.repeat(small[..., None], 3, axis=2) if small.ndim == 2 else small[..., :3]
    return np.ascontiguousarray(rgb, dtype=np.uint8), factor


class _Mapping:
    """From px of the picture as analysed to px of the canvas, and offsets away from the faying line."""

    def __init__(self, factor: float, view: SectionView) -> None:
        self.factor = factor
        self.line = self(view.line)
        # A tangent over some 1 % of the width: the offset band must not copy every wiggle of the line.
        reach = max(len(self.line) // 100, 1)
        ahead = self.line[np.minimum(np.arange(len(self.line)) + reach, len(self.line) - 1)]
        behind = self.line[np.maximum(np.arange(len(self.line)) - reach, 0)]
        tangent = (ahead - behind) / np.maximum(np.hypot(*(ahead - behind).T), 1e-9)[:, None]
        self.normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
        # The upper part lies above the line, or left of it where the parts stand side by side.
        if float(self.normal[len(self.line) // 2] @ (-1.0, -1.0)) < 0:
            self.normal = -self.normal

    def __call__(self, points: NDArray[np.float64]) -> Points:
        """Map (k, 2) positions; pixel centres are at whole numbers in both pictures."""
        return (np.asarray(points, dtype=np.float64) + 0.5) * self.factor - 0.5

    def nearest(self, point: Points) -> int:
        """Return the station nearest to a position on the canvas."""
        return int(np.argmin(((self.line - point) ** 2).sum(axis=1)))


def _draw_outlines(canvas: Canvas, view: SectionView, to: _Mapping) -> None:
    """Draw the parts' outlines, but not over the bond itself."""
    bond = to.line[np.isin(view.states, (JOINED, PLATING, FUSED))]
    bond = bond[:: max(len(bond) // 300, 1)]
    for number, outline in enumerate(view.outlines):
        points = to(np.vstack([outline, outline[:1]]))
        near = np.zeros(len(points), dtype=bool)
        if len(bond):
            # The usual spacing: the step from one bond segment to the next is not one of them.
            spacing = float(np.median(np.hypot(*np.diff(bond, axis=0).T))) if len(bond) > 1 else 0.0
            squared = ((points[:, None, :] - bond[None, :, :]) ** 2).sum(axis=2).min(axis=1)
            near = squared < max(2.5 * canvas.unit, spacing) ** 2
        pattern = PART_DASHES[number if two_parts(view) else 0]
        for first, stop in runs(near.astype(np.int8)):
            if not near[first]:
                stretch = points[first : stop + 1]
                canvas.lines(dashes(stretch, pattern, canvas.unit), SKY_BLUE, width=0.5, halo=0.3)


def two_parts(view: SectionView) -> bool:
    """Return whether the outlines are the upper and the lower part's, each along half the line or more.

    Joined parts are often found as one outline, beside which a small one may be a hole or burned-in text.
    """
    if len(view.outlines) != 2:
        return False
    spans = [float(np.ptp(outline, axis=0).max()) for outline in view.outlines]
    return min(spans) > float(np.ptp(view.line, axis=0).max()) / 2


def _draw_states(canvas: Canvas, view: SectionView, to: _Mapping) -> None:
    """Draw the states beside the faying line, on the lower part's side, so that the line stays seen."""
    for index, stop in runs(view.states):
        style = STATE_STYLES[STATES[view.states[index]]]
        away = canvas.unit * (6.0 - 1.8 * style.lane)
        band = to.line[index : stop + 1] - away * to.normal[index : stop + 1]
        width = 1.3
        canvas.lines(dashes(band, style.dash, width * canvas.unit), style.colour, width=width, halo=0.35)


def runs(states: NDArray[np.int8]) -> list[tuple[int, int]]:
    """Return (first, last + 1) of each unbroken run of one state."""
    if not len(states):
        return []
    breaks = np.flatnonzero(np.diff(states)) + 1
    edges = [0, *breaks.tolist(), len(states)]
    return list(pairwise(edges))


def _draw_widths(canvas: Canvas, view: SectionView, to: _Mapping, record: SectionRecord) -> None:
    """Draw each segment's notches, and its width as a dimension line in the upper part."""
    unit = canvas.unit
    for segment in sorted({notch.segment for notch in view.notches}):
        ends = [to(np.array([notch.x, notch.y])) for notch in view.notches if notch.segment == segment]
        if len(ends) != 2:
            continue
        at = [to.nearest(end) for end in ends]
        chord = ends[1] - ends[0]
        length = float(np.hypot(*chord))
        along = chord / max(length, 1e-9)
        up = np.array([along[1], -along[0]])
        if float(up @ to.normal[at[0]]) < 0:
            up = -up
        # The dimension line must clear the faying line where it is curved.
        bulge = float(((to.line[min(at) : max(at) + 1] - ends[0]) @ up).max(initial=0.0))
        away = bulge + 17 * unit
        feet = [end + away * up for end in ends]
        for end, foot in zip(ends, feet, strict=True):
            canvas.circle(end, 2.8, YELLOW, width=0.6)
            canvas.lines([np.array([end + 4 * unit * up, foot + 2 * unit * up])], YELLOW, width=0.5, halo=0.4)
        middle = (feet[0] + feet[1]) / 2
        if length > 24 * unit:
            canvas.arrow(feet[0], feet[1], YELLOW, width=0.6, both=True)
        else:
            for foot, sign in zip(feet, (-1, 1), strict=True):
                canvas.arrow(foot + sign * 14 * unit * along, foot, YELLOW, width=0.6)
        several = len(view.notches) > 2
        found = record.find("bond_width", segment) or (None if several else record.find("bond_width"))
        words = shown(found).sentence
        words = f"{segment}:  {words}" if several else words
        _write_beside(canvas, words, (middle, up), (middle, -up))


def _draw_standoff(canvas: Canvas, view: SectionView, to: _Mapping, record: SectionRecord) -> None:
    """Draw the standoff where the gap is level: two arrows that face each other across it."""
    found = record.find("standoff")
    if not found or not len(view.opening_um) or record.scale is None:
        return
    station = level_station(view, found.value)
    if station is None:
        return
    unit = canvas.unit
    half = found.value / record.scale.um_per_px * to.factor / 2
    centre, up = to.line[station], to.normal[station]
    for sign in (1, -1):
        face = centre + sign * half * up
        canvas.arrow(face + sign * 16 * unit * up, face, YELLOW, width=0.6)
    reach = (half + 16 * unit) * up
    words = f"standoff {shown(found).sentence}"
    _write_beside(canvas, words, (centre + reach, up), (centre - reach, -up))


def level_station(view: SectionView, standoff_um: float) -> int | None:
    """Return the middle station of the longest open stretch whose opening is within 15 % of the standoff."""
    level = np.abs(view.opening_um - standoff_um) < 0.15 * standoff_um
    gap = level & np.isin(view.states, (OPEN, FILLED))
    stretches = [(first, stop) for first, stop in runs(gap.astype(np.int8)) if gap[first]]
    if not stretches:
        return None
    first, stop = max(stretches, key=lambda run: run[1] - run[0])
    return (first + stop) // 2


def _write_beside(canvas: Canvas, words: str, *spots: tuple[Points, Points]) -> None:
    """Write words at the nearest free place beyond a spot (point, direction); try each spot in turn."""
    box = canvas.extent((0.0, 0.0), words, bold=True)
    half = np.array([box[2] - box[0], box[3] - box[1]]) / 2
    offsets = ((far, aside) for far in range(0, 60, 6) for aside in range(-80, 81, 10))
    steps = sorted(offsets, key=lambda step: math.hypot(*step))
    for point, up in spots:
        near = float(np.abs(up) @ half) + 3.5 * canvas.unit
        across = np.array([-up[1], up[0]])
        for far, aside in steps:
            at = point + (near + far * canvas.unit) * up + aside * canvas.unit * across
            place = (float(at[0]), float(at[1]))
            if canvas.free(canvas.extent(place, words, bold=True)):
                canvas.text(place, words, colour=YELLOW, bold=True)
                return
    # A picture too small for the words: keep them inside rather than drop the number.
    width, height = canvas.size
    x, y = np.clip(spots[0][0], half, (width, height) - half)
    canvas.text((float(x), float(y)), words, colour=YELLOW, bold=True)


def _draw_scale_bar(canvas: Canvas, um_per_px: float, view: SectionView | None, factor: float) -> None:
    """Draw a scale bar of a round length in the lower corner that is farther from the notches."""
    unit = canvas.unit
    width, height = canvas.size
    length_um = round_length(0.2 * width * um_per_px)
    length = length_um / um_per_px
    label = canvas.extent((0, 0), bar_label(length_um), bold=True)
    half_label = (label[2] - label[0]) / 2
    margin = 8 * unit + max(half_label - length / 2, 0)
    left_side = False
    if view is not None and view.notches:
        xs = [(notch.x + 0.5) * factor for notch in view.notches]
        left_side = float(np.mean(xs)) > width / 2
    x0 = margin if left_side else width - margin - length
    y = height - 10 * unit
    half = max(length / 2, half_label)
    middle = x0 + length / 2
    canvas.plate((middle - half - 4 * unit, y - 15 * unit, middle + half + 4 * unit, y + 6 * unit))
    tick = 3 * unit
    bar = [np.array([[x0, y], [x0 + length, y]])]
    ticks = [np.array([[x, y - tick], [x, y + tick]]) for x in (x0, x0 + length)]
    canvas.lines(bar + ticks, "#FFFFFF", width=1.0, halo=0)
    canvas.text((middle, y - 8 * unit), bar_label(length_um), bold=True, halo=0)


def round_length(um: float) -> float:
    """Return the largest of 1, 2, 5 × 10ⁿ µm that is not longer than ``um``."""
    power = 10.0 ** math.floor(math.log10(um))
    return max(step * power for step in (1, 2, 5) if step * power <= um * (1 + 1e-9))


def bar_label(um: float) -> str:
    """Return the length of a scale bar in words: "0.5 mm", "50 µm"."""
    return f"{um / 1000:g} mm" if um >= 100 else f"{um:g} µm"


def _legend(picture: Canvas, view: SectionView | None, name: str) -> NDArray[np.uint8]:
    """Return a white band, as wide as the picture, with the section's name and what the marks mean."""
    unit, width = picture.unit, picture.size[0]
    size, row = 7.0, 12 * unit
    entries: list[tuple[str, str, tuple[float, ...], float]] = []
    if view is not None:
        seen = {STATES[state] for state in np.unique(view.states)}
        entries = [(s.label, s.colour, s.dash, 1.3) for key, s in STATE_STYLES.items() if key in seen]
        parts = ("upper part", "lower part") if two_parts(view) else ("outline",)
        entries += [(words, SKY_BLUE, dash, 0.5) for words, dash in zip(parts, PART_DASHES, strict=False)]
        if any(one.certain for one in view.nuggets):
            entries.append(("nugget", BLUE, CERTAIN_DASHES, 1.0))
        if any(not one.certain for one in view.nuggets):
            entries.append(("nugget, doubtful", ORANGE, DOUBTFUL_DASHES, 1.0))
        kinds = {one.kind for one in view.flaws}
        entries += [one for one in FLAW_LEGEND if one[0] in kinds]
    probe = Canvas(np.zeros((1, 1, 3), np.uint8), unit=unit)

    def across(words: str, *, bold: bool = False) -> float:
        box = probe.extent((0, 0), words, size=size, bold=bold, anchor="lm")
        return box[2] - box[0]

    name = _fitting(name, lambda words: across(words, bold=True) < 0.6 * width)
    x, y = 4 * unit + across(name, bold=True) + 10 * unit, row * 0.6
    places = []
    for entry in entries:
        need = 22 * unit + across(entry[0]) + 8 * unit
        if x + need > width:
            x, y = 4 * unit, y + row
        places.append((x, y, entry))
        x += need
    band = Canvas(np.full((round(y + row * 0.6), width, 3), 255, np.uint8), unit=unit)
    band.text((4 * unit, row * 0.6), name, colour="#000000", size=size, bold=True, anchor="lm", halo=0)
    for x, y, (words, colour, pattern, thick) in places:
        sample = np.array([[x + unit, y], [x + 19 * unit, y]])
        band.lines(dashes(sample, pattern, thick * unit), colour, width=thick, halo=0)
        band.text((x + 22 * unit, y), words, colour="#000000", size=size, anchor="lm", halo=0)
    return band.finished()


def _fitting(words: str, fits: Callable[[str], bool]) -> str:
    """Return the words, cut with an ellipsis where they are too long."""
    if fits(words):
        return words
    while words and not fits(words + "…"):
        words = words[:-1]
    return words + "…"
