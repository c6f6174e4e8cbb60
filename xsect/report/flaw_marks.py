"""Flaw marks: voids, cracks, unbonded stretches and cavities on the marked-up picture, told apart by shape."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from xsect.report.canvas import Canvas, Points, dashes
from xsect.report.flaw_table import Flaw
from xsect.report.style import ORANGE, PURPLE, VERMILLION

NAMED: Final = 6
"""Flaws that get their number written beside them, the largest first."""

FLAW_LEGEND: Final[tuple[tuple[str, str, tuple[float, ...], float], ...]] = (
    ("void", ORANGE, (), 0.5),
    ("crack", PURPLE, (8.0, 3.0), 0.5),
    ("unbonded stretch", VERMILLION, (1.0, 1.4), 1.3),
)
"""Entries for the legend: words, colour, dashes, width in units."""


def draw_flaws(canvas: Canvas, flaws: Sequence[Flaw], to: Callable[[Points], Points]) -> None:
    """Draw flaws; ``to`` maps (k, 2) px of the picture as analysed to px of the canvas.

    A void is ringed by its outline and a circle, a crack has a dashed line along each side, a cavity a diamond. The
    largest ones carry their number in the list of flaws.
    """
    unit = canvas.unit
    for number, flaw in enumerate(flaws, 1):
        lines = [to(np.array(path)) for path in flaw.path if len(path) > 1]
        place = to(np.array([[flaw.x, flaw.y]]))[0]
        if flaw.kind == "void":
            canvas.lines(lines, ORANGE, width=0.4, halo=0.2, closed=True)
            reach = max((float(np.hypot(*(line - place).T).max()) for line in lines), default=0.0)
            if flaw.counted:
                canvas.circle(place, reach / unit + 2.0, ORANGE, width=0.5)
        elif flaw.kind == "crack":
            for line in lines:
                for side in (-2.4, 2.4):
                    beside = _beside(line, side * unit)
                    canvas.lines(dashes(beside, (8.0, 3.0), 0.5 * unit), PURPLE, width=0.5, halo=0.25)
        elif flaw.kind == "cavity":
            ring = place + 5 * unit * np.array([[0, -1], [1, 0], [0, 1], [-1, 0]])
            canvas.lines([ring], VERMILLION, width=0.6, halo=0.3, closed=True)
        if number <= NAMED:
            _name(canvas, str(number), place)


def _beside(line: Points, away: float) -> Points:
    """Return a line shifted to its left."""
    step = np.gradient(line, axis=0)
    size = np.maximum(np.hypot(*step.T), 1e-9)[:, None]
    return np.asarray(line + away * np.stack([-step[:, 1], step[:, 0]], axis=1) / size)


def _name(canvas: Canvas, words: str, place: Points) -> None:
    """Write a number at the nearest free place around a flaw."""
    unit = canvas.unit
    for far in (7, 11, 16, 22):
        for turn in np.linspace(-np.pi / 4, 7 * np.pi / 4, 8, endpoint=False):
            at = place + far * unit * np.array([np.cos(turn), np.sin(turn)])
            spot = (float(at[0]), float(at[1]))
            if canvas.free(canvas.extent(spot, words, size=6.0, bold=True)):
                canvas.text(spot, words, colour=ORANGE, size=6.0, bold=True)
                return
