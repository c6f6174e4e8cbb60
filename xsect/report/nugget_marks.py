"""Marks of the nugget: its closed outline and the faying line through it, on a picture of the section."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from xsect.locate.nugget import Nugget
from xsect.report.canvas import Canvas, Points, dashes
from xsect.report.style import BLUE, ORANGE

CERTAIN_DASHES: tuple[float, ...] = ()
DOUBTFUL_DASHES: tuple[float, ...] = (2.0, 2.0)
"""An outline that a person should look at is broken, so that its colour is not needed to tell it."""


def draw_nuggets(
    canvas: Canvas, nuggets: Sequence[Nugget], turned: bool, to: Callable[[Points], Points]
) -> None:
    """Draw the outlines (broken where the evidence is weak) and, dotted, the line at which the width is read.

    ``turned``: the nuggets are of the transposed picture; ``to`` maps (k, 2) px of the picture as taken to the canvas.
    """
    flip = slice(None, None, -1) if turned else slice(None)
    for one in nuggets:
        outline = to(np.vstack([one.outline, one.outline[:1]])[:, flip])
        pattern = CERTAIN_DASHES if one.certain else DOUBTFUL_DASHES
        colour = BLUE if one.certain else ORANGE
        canvas.lines(dashes(outline, pattern, 1.0 * canvas.unit), colour, width=1.0, halo=0.35)
        inside = (one.line[:, 0] >= one.outline[:, 0].min()) & (one.line[:, 0] <= one.outline[:, 0].max())
        if inside.sum() > 1:
            canvas.lines(
                dashes(to(one.line[inside][:, flip]), (1.0, 1.5), 0.5 * canvas.unit), colour, width=0.5
            )
