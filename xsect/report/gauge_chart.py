"""Gauge chart: how far readings of one part scatter, whether the parts are told apart, and whose the spread is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from xsect.lots.gauge import GaugeResult, Study, averages
from xsect.report.plotting import figure, png_bytes, svg_text
from xsect.report.style import BLACK, BLUE, GREEN, GREY, ORANGE, PURPLE, SKY_BLUE, VERMILLION

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_APPRAISERS: Final = (
    (BLUE, "o", "-"),
    (ORANGE, "s", "--"),
    (GREEN, "^", ":"),
    (PURPLE, "D", "-."),
    (BLACK, "v", "-"),
)


def gauge_svg(study: Study, result: GaugeResult) -> str:
    """Return the three panels as an SVG element, 7.1 inches wide."""
    with figure(7.1, 5.4) as drawing:
        _draw(drawing, study, result)
        return svg_text(
            drawing, title="Gauge study: readings against their part, parts in order, shares of the spread"
        )


def gauge_png(study: Study, result: GaugeResult) -> bytes:
    """Return the three panels as PNG, 200 dots per inch."""
    with figure(7.1, 5.4, dpi=200) as drawing:
        _draw(drawing, study, result)
        return png_bytes(drawing)


def _draw(drawing: Figure, study: Study, result: GaugeResult) -> None:
    _readings(drawing.add_axes((0.09, 0.66, 0.89, 0.28)), study, result)
    _told_apart(drawing.add_axes((0.09, 0.27, 0.89, 0.25)), study, result)
    _shares(drawing.add_axes((0.09, 0.08, 0.89, 0.06)), result)


def _readings(axes: Axes, study: Study, result: GaugeResult) -> None:
    """Each reading less its part's mean: an appraiser who reads high and cells that scatter show at once."""
    seen = averages(study)
    off = study.values - study.values.mean(axis=(1, 2), keepdims=True)
    ranges = np.ptp(study.values, axis=2)
    band = 2 * result.lines["gauge"].sd
    axes.axhspan(-band, band, color=GREY, alpha=0.18, linewidth=0)
    axes.axhline(0, color=BLACK, linewidth=0.8)
    places = np.arange(len(study.parts))
    for j, name in enumerate(study.appraisers):
        colour, mark, _dash = _APPRAISERS[j % len(_APPRAISERS)]
        x = places + 0.2 * (j - (len(study.appraisers) - 1) / 2)
        axes.vlines(x, off[:, j].min(axis=1), off[:, j].max(axis=1), color=colour, linewidth=0.8)
        for k in range(off.shape[2]):
            axes.plot(
                x, off[:, j, k], marker=mark, markersize=3.2, linestyle="", color=colour, markerfacecolor="white",
                markeredgewidth=0.8, label=name if k == 0 else None,
            )  # fmt: skip
        wide = ranges[:, j] > seen.range_limit
        axes.plot(
            x[wide], off[wide, j].mean(axis=1), marker="o", markersize=15, linestyle="", color=VERMILLION,
            markerfacecolor="none", markeredgewidth=1.1,
        )  # fmt: skip
    _parts(axes, study, range(len(study.parts)))
    axes.set_title("Readings less their part's mean; band: ± 2 sd of the gauge", loc="left", fontsize=8.5)
    axes.legend(
        frameon=False, fontsize=7, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=min(len(study.appraisers), 5),
        borderaxespad=0.1, columnspacing=0.9, handletextpad=0.1,
    )  # fmt: skip


def _told_apart(axes: Axes, study: Study, result: GaugeResult) -> None:
    """Parts from small to large: bars that overlap belong to parts that one reading cannot tell apart."""
    means = study.values.mean(axis=(1, 2))
    order = np.argsort(means, kind="stable")
    axes.errorbar(
        range(len(order)), means[order], yerr=2 * result.lines["gauge"].sd, fmt="s", markersize=3.6, color=BLUE,
        ecolor=SKY_BLUE, elinewidth=3.5, capsize=0,
    )  # fmt: skip
    _parts(axes, study, order.tolist())
    axes.set_title("Parts in order of size, with ± 2 sd of one reading", loc="left", fontsize=8.5)


def _shares(axes: Axes, result: GaugeResult) -> None:
    """One bar, the whole variance: what each source has of it."""
    left = 0.0
    sources = (("repeatability", ORANGE, ""), ("reproducibility", GREEN, "///"), ("part", SKY_BLUE, ""))
    for name, colour, hatch in sources:
        share = 100 * max(result.lines[name].contribution, 0.0)
        says = f"{name} {share:.1f} %"
        axes.barh(0, share, left=left, height=1, color=colour, hatch=hatch, edgecolor="white", label=says)
        left += share
    axes.set_xlim(0, max(left, 1.0))
    axes.set_yticks([])
    axes.set_xlabel("share of the variance, %")
    axes.legend(
        frameon=False, fontsize=7, loc="lower left", bbox_to_anchor=(0.0, 0.95), ncols=3, borderaxespad=0.1,
        columnspacing=1.2, handletextpad=0.4,
    )  # fmt: skip


def _parts(axes: Axes, study: Study, order: Sequence[int]) -> None:
    step = math.ceil(len(order) / 15)
    shown: Any = [study.parts[at] for at in list(order)[::step]]
    names: Any = [name if len(name) <= 8 else f"{name[:7]}…" for name in shown]
    axes.set_xticks(range(0, len(order), step), names, parse_math=False)
    axes.set_xlabel("part", labelpad=1)
