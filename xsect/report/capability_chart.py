"""Capability chart: the values against their limits with the curve that was fitted, and a probability plot of it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from xsect.lots.capability import Capability
from xsect.quantities import QUANTITIES, decimals, shown_unit
from xsect.report.plotting import figure, png_bytes, svg_text
from xsect.report.style import BLACK, BLUE, GREY, ORANGE, SKY_BLUE, VERMILLION

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Values = NDArray[np.float64]


def capability_svg(found: Capability, quantity: str, values: Values, looks: NDArray[np.bool_]) -> str:
    """Return the chart as an SVG element, 7.1 inches wide; ``looks`` (n,) tells which values need a look."""
    with figure(7.1, 2.9) as drawing:
        _draw(drawing, found, quantity, values, looks)
        return svg_text(drawing, title=f"{QUANTITIES[quantity].label}: values against their limits")


def capability_png(found: Capability, quantity: str, values: Values, looks: NDArray[np.bool_]) -> bytes:
    """Return the chart as PNG, 200 dots per inch."""
    with figure(7.1, 2.9, dpi=200) as drawing:
        _draw(drawing, found, quantity, values, looks)
        return png_bytes(drawing)


def _draw(
    drawing: Figure, found: Capability, quantity: str, values: Values, looks: NDArray[np.bool_]
) -> None:
    factor, unit = shown_unit(float(np.median(values)), QUANTITIES[quantity].unit)
    label = f"{QUANTITIES[quantity].label.lower()}, {unit}"
    if found.shape is None:
        _histogram(drawing.add_axes((0.07, 0.16, 0.90, 0.68)), found, values, factor, label)
        return
    _histogram(drawing.add_axes((0.07, 0.16, 0.52, 0.68)), found, values, factor, label)
    _probability(drawing.add_axes((0.69, 0.16, 0.29, 0.68)), found, values, looks, factor, label)


def _histogram(axes: Axes, found: Capability, values: Values, factor: float, label: str) -> None:
    bins = int(np.clip(round(math.sqrt(values.size)) + 1, 5, 40))
    counts, edges, _ = axes.hist(values * factor, bins=bins, color=SKY_BLUE, edgecolor="white", linewidth=0.6)
    limits = found.specification
    ends = [end for end in (limits.lower, limits.upper) if math.isfinite(end)]
    low, high = min(values.min(), *ends), max(values.max(), *ends)
    room = 0.06 * (high - low)
    if found.shape is not None:
        x = np.linspace(max(low - room, limits.natural[0]), min(high + room, limits.natural[1]), 400)
        width = (edges[1] - edges[0]) / factor
        axes.plot(x * factor, _density(found, values, x) * values.size * width, color=BLUE, linewidth=1.3)
    top = float(np.max(counts)) * 1.3
    axes.set_ylim(0, top)
    axes.set_xlim((low - room) * factor, (high + room) * factor)
    places = decimals(high * factor, (high - low) * factor / 20)
    for name, end in (("lower limit", limits.lower), ("upper limit", limits.upper)):
        if math.isfinite(end):
            axes.axvline(end * factor, color=VERMILLION, linewidth=1.4, linestyle=(0, (4, 2)))
            _over(
                axes,
                end * factor,
                f"{name} {end * factor:.{places}f}".replace("-", "−"),
                right=end * 2 > low + high,
            )
    axes.axvline(found.mean * factor, color=BLACK, linewidth=0.9)
    bottom, ceiling = found.tolerance
    if math.isfinite(bottom) or math.isfinite(ceiling):
        span = [
            bottom if math.isfinite(bottom) else low - room,
            ceiling if math.isfinite(ceiling) else high + room,
        ]
        span = [min(max(end, low - room), high + room) for end in span]
        axes.plot(
            [end * factor for end in span],
            [0.93 * top] * 2,
            color=ORANGE,
            linewidth=3.5,
            solid_capstyle="butt",
        )
        for end, given in zip(span, (bottom, ceiling), strict=True):
            if math.isfinite(given):
                axes.plot(
                    end * factor, 0.93 * top, marker="|", markersize=9, color=ORANGE, markeredgewidth=1.8
                )
        axes.annotate(
            f"{100 * found.coverage:g} % of all sections, at 95 % confidence", (sum(span) / 2 * factor, 0.93 * top),
            xytext=(0, -5), textcoords="offset points", ha="center", va="top", fontsize=7,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
        )  # fmt: skip
    axes.set_xlabel(label)
    axes.set_ylabel("sections")


def _over(axes: Axes, place: float, text: str, *, right: bool) -> None:
    """Write over the axes at a place, ending there or beginning there."""
    axes.annotate(
        text, (place, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 3), textcoords="offset points",
        ha="right" if right else "left", va="bottom", fontsize=7.5,
    )  # fmt: skip


def _density(found: Capability, values: Values, x: Values) -> Values:
    """Return the fitted density at ``x``, by differences of the fitted distribution."""
    from scipy.special import ndtr

    assert found.shape is not None
    z = found.shape.forward(values)
    with np.errstate(invalid="ignore"):
        share = ndtr((found.shape.forward(x) - z.mean()) / z.std(ddof=1))
    return np.asarray(np.gradient(share, x))


def _probability(
    axes: Axes, found: Capability, values: Values, looks: NDArray[np.bool_], factor: float, label: str
) -> None:
    """Plot the values over the normal scores of the shape: on the line, they follow it."""
    from scipy.special import ndtri

    assert found.shape is not None
    order = np.argsort(values)
    n = values.size
    score = ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    z = found.shape.forward(values)
    line = found.shape.back(z.mean() + z.std(ddof=1) * np.linspace(-3.2, 3.2, 60))
    axes.plot(np.linspace(-3.2, 3.2, 60), line * factor, color=BLUE, linewidth=1.0)
    style: dict[str, Any] = {
        "linestyle": "",
        "marker": "o",
        "markersize": 3.2,
        "color": BLACK,
        "markeredgewidth": 0.8,
    }
    hollow = looks[order]
    axes.plot(score[~hollow], values[order][~hollow] * factor, **style)
    axes.plot(score[hollow], values[order][hollow] * factor, markerfacecolor="white", **style)
    reach = 1.25 * float(score[-1])
    axes.set_xlim(-reach, reach)
    inner = values * factor
    room = 0.15 * float(np.ptp(inner))
    axes.set_ylim(inner.min() - room, inner.max() + room)
    words = f"p = {found.shape.p:.2g}" if math.isfinite(found.shape.p) else "not tested"
    axes.set_title(f"fit: {words}", loc="left", fontsize=8)
    axes.set_xlabel("normal score")
    axes.set_ylabel(label)
    axes.grid(color="#D9D9D9", linewidth=0.5)
    axes.tick_params(color=GREY)
