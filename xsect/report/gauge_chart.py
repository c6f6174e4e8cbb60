"""Gauge chart: sources of spread, ranges by appraiser, part means by appraiser, all values by part."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from xsect.lots.gauge import GaugeResult, Study, averages
from xsect.report.plotting import figure, rendered, svg_text
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
    """Return the four panels as an SVG element, 7.1 inches wide."""
    with figure(7.1, 4.9) as drawing:
        _draw(drawing, study, result)
        return svg_text(
            drawing, title="Gauge study: sources of spread, ranges and means by appraiser, values by part"
        )


def gauge_png(study: Study, result: GaugeResult) -> bytes:
    """Return the four panels as PNG, 200 dots per inch."""
    import cv2

    with figure(7.1, 4.9, dpi=200) as drawing:
        _draw(drawing, study, result)
        return cv2.imencode(".png", np.ascontiguousarray(rendered(drawing)[..., ::-1]))[1].tobytes()


def _draw(drawing: Figure, study: Study, result: GaugeResult) -> None:
    _sources(drawing.add_axes((0.08, 0.59, 0.38, 0.34)), result)
    _ranges(drawing.add_axes((0.57, 0.59, 0.42, 0.34)), study)
    _means(drawing.add_axes((0.08, 0.09, 0.38, 0.34)), study)
    _values(drawing.add_axes((0.57, 0.09, 0.42, 0.34)), study)


def _sources(axes: Axes, result: GaugeResult) -> None:
    names = ("gauge", "repeatability", "reproducibility", "part")
    columns: list[tuple[str, list[float], str, str]] = [
        ("contribution", [result.lines[n].contribution for n in names], SKY_BLUE, ""),
        ("study variation", [result.lines[n].of_study for n in names], BLUE, "///"),
    ]
    if math.isfinite(result.lines["gauge"].of_tolerance):
        columns.append(("of tolerance", [result.lines[n].of_tolerance for n in names], ORANGE, "..."))
    width = 0.8 / len(columns)
    for at, (label, shares, colour, hatch) in enumerate(columns):
        axes.bar(
            np.arange(len(names)) + (at - (len(columns) - 1) / 2) * width, [100 * share for share in shares], width,
            color=colour, hatch=hatch, edgecolor="white", linewidth=0.5, label=label,
        )  # fmt: skip
    axes.set_xticks(range(len(names)), ["gauge", "repeat-\nability", "reproduc-\nibility", "part"])
    axes.set_ylabel("%")
    axes.set_title("Sources of spread", loc="left", fontsize=8.5)
    axes.legend(frameon=False, fontsize=7, loc="upper left", borderaxespad=0.1)


def _ranges(axes: Axes, study: Study) -> None:
    seen = averages(study)
    ranges = np.ptp(study.values, axis=2).T  # appraiser by appraiser, parts in order
    parts = len(study.parts)
    for j, name in enumerate(study.appraisers):
        places = np.arange(parts) + j * (parts + 1)
        axes.plot(places, ranges[j], marker="o", markersize=3, color=BLUE, linewidth=0.8)
        beyond = ranges[j] > seen.range_limit
        axes.plot(
            places[beyond], ranges[j][beyond], marker="o", markersize=8, markerfacecolor="none", color=VERMILLION,
            linestyle="",
        )  # fmt: skip
        axes.annotate(
            name, (places.mean(), 0), xycoords=("data", "axes fraction"), xytext=(0, -4), textcoords="offset points",
            ha="center", va="top", fontsize=7.5,
        )  # fmt: skip
        if j:
            axes.axvline(places[0] - 1, color=GREY, linewidth=0.6)
    axes.axhline(seen.mean_range, color=BLACK, linewidth=0.9)
    axes.axhline(seen.range_limit, color=BLACK, linewidth=0.9, linestyle=(0, (4, 2)))
    axes.set_xticks([])
    axes.set_ylim(bottom=0)
    axes.set_title("Range of the trials, part by part; dashed: upper limit", loc="left", fontsize=8.5)


def _means(axes: Axes, study: Study) -> None:
    cells = study.values.mean(axis=2)
    for j, name in enumerate(study.appraisers):
        colour, mark, dash = _APPRAISERS[j % len(_APPRAISERS)]
        axes.plot(
            range(len(study.parts)), cells[:, j], marker=mark, markersize=3.4, linestyle=dash, linewidth=0.9,
            color=colour, markerfacecolor="white", label=name,
        )  # fmt: skip
    _parts(axes, study)
    axes.set_title("Part means by appraiser", loc="left", fontsize=8.5)
    axes.legend(
        frameon=False, fontsize=7, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=min(len(study.appraisers), 4),
        borderaxespad=0.1, columnspacing=0.9, handletextpad=0.3,
    )  # fmt: skip


def _values(axes: Axes, study: Study) -> None:
    for j, _ in enumerate(study.appraisers):
        colour, mark, _dash = _APPRAISERS[j % len(_APPRAISERS)]
        shift = 0.16 * (j - (len(study.appraisers) - 1) / 2)
        for k in range(study.values.shape[2]):
            axes.plot(
                np.arange(len(study.parts)) + shift, study.values[:, j, k], marker=mark, markersize=2.6, linestyle="",
                color=colour, markerfacecolor="none", markeredgewidth=0.7,
            )  # fmt: skip
    means = study.values.mean(axis=(1, 2))
    for i, mean in enumerate(means):
        axes.plot((i - 0.36, i + 0.36), (mean, mean), color=BLACK, linewidth=1.1)
    _parts(axes, study)
    axes.set_title("All values by part; bars: part means", loc="left", fontsize=8.5)


def _parts(axes: Axes, study: Study) -> None:
    step = math.ceil(len(study.parts) / 15)
    names: Any = [name if len(name) <= 8 else f"{name[:7]}…" for name in study.parts[::step]]
    axes.set_xticks(range(0, len(study.parts), step), names, parse_math=False)
    axes.set_xlabel("part")
