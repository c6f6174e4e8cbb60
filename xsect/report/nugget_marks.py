"""Marks of the nugget: its closed outline and the faying line through it, on a picture of the section."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from xsect.locate.view import NuggetView
from xsect.report.canvas import Canvas, Points, dashes
from xsect.report.style import BLUE, ORANGE

CERTAIN_DASHES: tuple[float, ...] = ()
DOUBTFUL_DASHES: tuple[float, ...] = (4.0, 2.5)
LINE_DASHES: tuple[float, ...] = (2.0, 2.5)
"""An outline that a person should look at is broken, so that its colour is not needed to tell it."""


def draw_nuggets(canvas: Canvas, nuggets: Sequence[NuggetView], to: Callable[[Points], Points]) -> None:
    """Draw the outlines (broken where the evidence is weak) and, dotted, the line at which the width is read.

    ``to`` maps (k, 2) px of the picture as taken to px of the canvas.
    """
    for one in nuggets:
        pattern, colour = (CERTAIN_DASHES, BLUE) if one.certain else (DOUBTFUL_DASHES, ORANGE)
        outline = to(np.vstack([one.outline, one.outline[:1]]))
        canvas.lines(dashes(outline, pattern, canvas.unit), colour, width=1.0, halo=0.35)
        canvas.lines(dashes(to(one.line), LINE_DASHES, 0.6 * canvas.unit), colour, width=0.6, halo=0.3)
