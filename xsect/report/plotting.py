"""Plotting: figures with the report's typeface and bytes that depend on their content alone."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from xsect.report.style import BOLD, FONT_FAMILY, REGULAR

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@cache
def _add_typeface() -> None:
    from matplotlib.font_manager import fontManager

    for path in (REGULAR, BOLD):
        fontManager.addfont(path)


@contextmanager
def figure(width_in: float, height_in: float, *, dpi: int = 100) -> Iterator[Figure]:
    """Give an empty figure, drawn without a screen; settings hold while the block lasts."""
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    _add_typeface()
    settings = {
        "font.family": FONT_FAMILY, "font.size": 8.0, "axes.axisbelow": True, "axes.unicode_minus": True,
        "axes.linewidth": 0.7, "xtick.major.width": 0.7, "ytick.major.width": 0.7,
        "axes.spines.top": False, "axes.spines.right": False, "svg.fonttype": "path", "svg.hashsalt": "xsect",
    }  # fmt: skip
    with matplotlib.rc_context(settings):  # type: ignore[arg-type]
        drawing = Figure(figsize=(width_in, height_in), dpi=dpi)
        FigureCanvasAgg(drawing)
        yield drawing


def rendered(drawing: Figure) -> NDArray[np.uint8]:
    """Return a figure as a picture (rows, columns, 3) uint8 RGB."""
    canvas: Any = drawing.canvas
    canvas.draw()
    return np.asarray(canvas.buffer_rgba(), dtype=np.uint8)[..., :3]


def svg_text(drawing: Figure, *, title: str) -> str:
    """Return a figure as an SVG element, cut to what is drawn, undated, to stand in a page."""
    buffer = io.StringIO()
    undated = {"Date": None, "Creator": None, "Title": title}
    drawing.savefig(buffer, format="svg", bbox_inches="tight", pad_inches=0.03, metadata=undated)
    text = buffer.getvalue()
    return text[text.index("<svg") :]


def png_bytes(drawing: Figure) -> bytes:
    """Return a figure as PNG at its own resolution, cut to what is drawn; undated."""
    buffer = io.BytesIO()
    drawing.savefig(
        buffer,
        format="png",
        dpi=drawing.dpi,
        bbox_inches="tight",
        pad_inches=0.06,
        metadata={"Software": None},
    )
    return buffer.getvalue()
