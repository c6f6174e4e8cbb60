"""Strip figure of one section: the picture unrolled along the faying line, states, opening and plating."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from xsect.locate.view import STATES, NotchView, SectionView
from xsect.quantities import COVERAGE_FACTOR
from xsect.report.canvas import png_bytes
from xsect.report.marked import runs
from xsect.report.plotting import figure, rendered
from xsect.report.style import BLACK, BLUE, ORANGE, STATE_STYLES, StateStyle

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_IN, _HEIGHT_IN, _DPI = 8.0, 2.85, 200


def draw_strip(view: SectionView) -> bytes:
    """Return the strip figure as a PNG file, 1600 × 570 px.

    Along: mm on the faying line from its left end. Across: µm from the line, stretched to fill the figure,
    upper part above. Beneath it the states, then the photometric opening and, where plated, the plating
    thickness. The notches run through all three with their 95 % intervals.
    """
    along = view.s_um / 1000
    plated = bool(np.isfinite(view.plating_um).any())
    with figure(_WIDTH_IN, _HEIGHT_IN, dpi=_DPI) as drawing:
        grid: dict[str, Any] = {"height_ratios": (5, 1.0, 3), "hspace": 0.10}
        grid |= {"left": 0.075, "right": 0.925 if plated else 0.985, "top": 0.90, "bottom": 0.15}
        picture, band, profile = drawing.subplots(3, 1, sharex=True, gridspec_kw=grid)
        _show_picture(picture, view, along)
        _show_states(band, view, along)
        _show_profiles(profile, view, along)
        for notch in view.notches:
            at = float(along[_station(view, notch)])
            for axes in (picture, band, profile):
                axes.axvline(at, color=BLACK, linewidth=0.9)
            for axes in (band, profile):
                _show_interval(axes, at, COVERAGE_FACTOR * notch.u_um / 1000)
        _name_segments(picture, view, along)
        picture.set_xlim(along[0], along[-1])
        _show_legend(drawing, view)
        return png_bytes(rendered(drawing))


def _station(view: SectionView, notch: NotchView) -> int:
    """Return the station nearest to a notch."""
    return int(np.argmin(((view.line - (notch.x, notch.y)) ** 2).sum(axis=1)))


def _show_picture(axes: Axes, view: SectionView, along: NDArray[np.float64]) -> None:
    rows = view.strip.shape[0]
    above, below = (rows // 2 + 0.5) * view.pitch_um, (rows - rows // 2 - 0.5) * view.pitch_um
    # Twice the columns that are printed are enough, and quicker to draw than every station.
    step = max(view.strip.shape[1] // (2 * round(_WIDTH_IN * _DPI)), 1)
    axes.imshow(
        view.strip[:, ::step],
        extent=(float(along[0]), float(along[-1]), -below, above),
        aspect="auto",
        interpolation="nearest" if view.strip.shape[1] < 400 else "antialiased",
    )
    axes.set_ylabel("across, µm")
    axes.tick_params(labelbottom=False)


def _show_states(axes: Axes, view: SectionView, along: NDArray[np.float64]) -> None:
    """Draw each run of one state as a bar in its own lane, drawn as in the marked-up picture."""
    for first, stop in runs(view.states):
        style = STATE_STYLES[STATES[view.states[first]]]
        ends = along[[first, min(stop, len(along) - 1)]]
        axes.plot(ends, (style.lane, style.lane), solid_capstyle="butt", **_pen(style))
    axes.set_ylim(-0.7, 2.7)
    axes.set_yticks([])
    axes.set_ylabel("state", rotation=0, ha="right", va="center")
    axes.tick_params(labelbottom=False)


def _pen(style: StateStyle) -> dict[str, Any]:
    return {"color": style.colour, "linewidth": 3.2, "linestyle": (0, style.dash) if style.dash else "-"}


def _show_legend(drawing: Figure, view: SectionView) -> None:
    from matplotlib.lines import Line2D

    seen = {STATES[state] for state in np.unique(view.states)}
    handles = [
        Line2D([], [], label=style.label, **_pen(style))
        for name, style in STATE_STYLES.items()
        if name in seen
    ]
    drawing.legend(
        handles=handles,
        loc="lower right",
        ncols=len(handles),
        frameon=False,
        borderaxespad=0.2,
        handlelength=3,
    )


def _show_profiles(axes: Axes, view: SectionView, along: NDArray[np.float64]) -> None:
    axes.plot(along, view.opening_um, color=BLUE, linewidth=1.2)
    axes.set_ylabel("opening, µm", color=BLUE)
    axes.set_ylim(bottom=min(0.0, float(np.nanmin(view.opening_um, initial=0.0))))
    axes.set_xlabel("along the faying line, mm", loc="left")
    axes.grid(axis="y", color="#D9D9D9", linewidth=0.6)
    if np.isfinite(view.plating_um).any():
        second = axes.twinx()
        second.plot(along, view.plating_um, color=BLACK, linewidth=1.2, linestyle=(0, (5, 2)))
        second.set_ylabel("plating, µm (dashed)", color=BLACK)
        second.set_ylim(bottom=0)
        second.spines["right"].set_visible(True)


def _show_interval(axes: Axes, at: float, reach: float) -> None:
    """Shade where a notch lies with 95 % coverage; not on the picture, where it would hide things."""
    if np.isfinite(reach):
        axes.axvspan(at - reach, at + reach, color=ORANGE, alpha=0.25, linewidth=0)


def _name_segments(axes: Axes, view: SectionView, along: NDArray[np.float64]) -> None:
    """Write each segment's number above its middle, neighbours at two heights so that names never touch."""
    for number in sorted({notch.segment for notch in view.notches}):
        ends = [along[_station(view, notch)] for notch in view.notches if notch.segment == number]
        axes.annotate(
            f"segment {number}", (float(np.mean(ends)), 1.0), xycoords=("data", "axes fraction"),
            xytext=(0, 2 if number % 2 else 11), textcoords="offset points", ha="center", va="bottom",
        )  # fmt: skip
