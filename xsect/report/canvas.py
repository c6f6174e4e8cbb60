"""Canvas: smooth lines, dashes, arrows and haloed text on an RGB picture, quicker than a plotting library.

Positions are (x, y) px of the canvas, pixel centres at whole numbers. Everything is drawn twice, first wider
in black, so that it is legible on bright metal and on dark mount alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from xsect.report.style import BOLD, REGULAR, rgb

Points = NDArray[np.float64]
Box = tuple[float, float, float, float]
"""Left, top, right, bottom."""

_SHIFT = 4
"""Bits after the binary point in the drawing library's positions."""


@cache
def font(path: Path, size: int) -> ImageFont.FreeTypeFont:
    """Return a typeface at a size in px, with the simple layout that every build of the library has."""
    return ImageFont.truetype(str(path), size, layout_engine=ImageFont.Layout.BASIC)


class Canvas:
    """A picture to draw on. ``unit`` is the width of a normal line in px; all sizes follow from it."""

    def __init__(self, pixels: NDArray[np.uint8], *, unit: float) -> None:
        """Take an (rows, columns, 3) RGB picture; it is drawn on in place."""
        self.pixels = pixels
        self.unit = unit
        self.taken: list[Box] = []
        self._texts: list[tuple[tuple[float, float], str, ImageFont.FreeTypeFont, str, int, str]] = []

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in px."""
        return self.pixels.shape[1], self.pixels.shape[0]

    def lines(
        self, strokes: Sequence[Points], colour: str, *, width: float, halo: float = 0.7, closed: bool = False
    ) -> None:
        """Draw polylines (k, 2); ``width`` and ``halo`` are in units."""
        fixed = [np.rint(stroke * (1 << _SHIFT)).astype(np.int32) for stroke in strokes if len(stroke)]
        if not fixed:
            return
        thick = max(round(width * self.unit), 1)
        passes = [(thick, rgb(colour))]
        if halo:
            passes.insert(0, (thick + 2 * max(round(halo * self.unit), 1), (0, 0, 0)))
        for pass_width, tint in passes:
            cv2.polylines(self.pixels, fixed, closed, tint, pass_width, cv2.LINE_AA, _SHIFT)

    def circle(self, centre: Points, radius: float, colour: str, *, width: float) -> None:
        """Draw a ring; ``radius`` and ``width`` are in units."""
        angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
        ring = centre + radius * self.unit * np.column_stack([np.cos(angle), np.sin(angle)])
        self.lines([ring], colour, width=width, closed=True)

    def arrow(self, tail: Points, tip: Points, colour: str, *, width: float, both: bool = False) -> None:
        """Draw a line from ``tail`` to ``tip`` with a slender filled head at the tip, or at both ends."""
        direction = (tip - tail) / max(float(np.hypot(*(tip - tail))), 1e-9)
        across = 2.0 * self.unit * np.array([-direction[1], direction[0]])
        back = 6.5 * self.unit * direction
        self.lines([np.array([tail + back if both else tail, tip - back])], colour, width=width, halo=0.5)
        heads = [np.array([tip, tip - back + across, tip - back - across])]
        if both:
            heads.append(np.array([tail, tail + back + across, tail + back - across]))
        for head in heads:
            self.lines([head], "#000000", width=1.0, halo=0, closed=True)
            cv2.fillPoly(
                self.pixels, [np.rint(head * 2**_SHIFT).astype(np.int32)], rgb(colour), cv2.LINE_AA, _SHIFT
            )

    def plate(self, box: Box, *, opacity: float = 0.6) -> None:
        """Darken a rectangle, as a ground for text."""
        left, top, right, bottom = (round(edge) for edge in box)
        part = self.pixels[max(top, 0) : bottom, max(left, 0) : right]
        part[:] = (part * (1 - opacity)).astype(np.uint8)
        self.taken.append(box)

    def text(
        self,
        at: tuple[float, float],
        words: str,
        *,
        colour: str = "#FFFFFF",
        size: float = 8.0,
        bold: bool = False,
        anchor: str = "mm",
        halo: float = 0.75,
    ) -> Box:
        """Write one line of words at ``at``; ``size`` and ``halo`` are in units; return the box it takes."""
        face = font(BOLD if bold else REGULAR, round(size * self.unit))
        box = self.extent(at, words, size=size, bold=bold, anchor=anchor)
        self._texts.append((at, words, face, colour, round(halo * self.unit), anchor))
        self.taken.append(box)
        return box

    def extent(
        self,
        at: tuple[float, float],
        words: str,
        *,
        size: float = 8.0,
        bold: bool = False,
        anchor: str = "mm",
    ) -> Box:
        """Return the box that ``text`` would take, with a margin of one unit."""
        face = font(BOLD if bold else REGULAR, round(size * self.unit))
        left, top, right, bottom = face.getbbox(words, anchor=anchor)
        margin = self.unit
        return (at[0] + left - margin, at[1] + top - margin, at[0] + right + margin, at[1] + bottom + margin)

    def free(self, box: Box) -> bool:
        """Return whether a box lies on the canvas and covers nothing that was written."""
        width, height = self.size
        if box[0] < 0 or box[1] < 0 or box[2] > width or box[3] > height:
            return False
        return not any(
            box[0] < other[2] and other[0] < box[2] and box[1] < other[3] and other[1] < box[3]
            for other in self.taken
        )

    def finished(self) -> NDArray[np.uint8]:
        """Return the picture with all text on it: text comes last so that no line crosses it."""
        if self._texts:
            image = Image.fromarray(self.pixels)
            draw = ImageDraw.Draw(image)
            for at, words, face, colour, halo, anchor in self._texts:
                draw.text(at, words, colour, face, anchor, stroke_width=halo, stroke_fill="#000000")
            self.pixels = np.asarray(image)
        return self.pixels


def dashes(line: Points, pattern: Sequence[float], width: float) -> list[Points]:
    """Cut a polyline into strokes; ``pattern`` is stroke, gap, … in line widths, round ends included.

    An empty pattern leaves the line whole.
    """
    if len(line) < 2 or not pattern:
        return [line]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    period = sum(pattern) * width
    edges = np.cumsum([0.0, *pattern]) * width
    strokes = []
    for turn in range(int(along[-1] // period) + 1):
        for start, stop in zip(edges[:-1:2], edges[1::2], strict=False):
            a = turn * period + start + width / 2
            b = min(max(turn * period + stop - width / 2, a), float(along[-1]))
            if a > along[-1]:
                break
            at = np.concatenate([[a], along[(along > a) & (along < b)], [b]])
            strokes.append(
                np.column_stack([np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])])
            )
    return strokes


def png_bytes(pixels: NDArray[np.uint8]) -> bytes:
    """Return an (rows, columns, 3) RGB picture as a PNG file without date or program."""
    done, data = cv2.imencode(".png", pixels[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 4])
    if not done:
        raise ValueError(f"a picture of {pixels.shape[1]} × {pixels.shape[0]} px cannot be written as PNG")
    return data.tobytes()
