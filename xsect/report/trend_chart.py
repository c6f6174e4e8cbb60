"""Trend chart: a control chart as people read it, with uncertainty, verdicts, signals, changes and phases."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from xsect.lots.charts import Panel
from xsect.lots.findings import difference
from xsect.lots.trend import Trend
from xsect.quantities import COVERAGE_FACTOR, QUANTITIES, decimals, shown_unit
from xsect.report.plotting import figure, png_bytes, svg_text
from xsect.report.style import BLACK, BLUE, GREY, ORANGE, SKY_BLUE, VERDICT_STYLES, VERMILLION
from xsect.report.typeface import covered

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_NAMES: Final = 40
_MANY: Final = 80
"""Points from which marks are small and intervals and rule numbers left away."""
_BY_HAND: Final[dict[str, Any]] = {"marker": "+", "color": BLACK, "markeredgewidth": 1.3, "linestyle": ""}
_RASTER: Final = 3000
"""Points from which marks are drawn as pixels, so that the file stays small."""


def trend_svg(trend: Trend) -> str:
    """Return the chart as an SVG element, 7.1 inches wide."""
    with figure(7.1, 4.3) as drawing:
        _draw(drawing, trend)
        return svg_text(drawing, title=f"{QUANTITIES[trend.rows.quantity].label}: control chart")


def trend_png(trend: Trend) -> bytes:
    """Return the chart as PNG, 200 dots per inch."""
    with figure(7.1, 4.3, dpi=200) as drawing:
        _draw(drawing, trend)
        return png_bytes(drawing)


def _draw(drawing: Figure, trend: Trend) -> None:
    top, *rest = trend.chart.panels
    one_axes = trend.chart.kind in ("ewma", "cusum")
    box = (0.085, 0.15, 0.80, 0.70) if one_axes else (0.085, 0.41, 0.80, 0.44)
    upper = drawing.add_axes(box)
    factor, unit = (1.0, "") if trend.chart.kind == "cusum" else _unit(trend)
    _upper(upper, trend, top, factor)
    name = QUANTITIES[trend.rows.quantity].label.lower()
    if one_axes:
        for panel in rest:
            _curve(upper, panel, factor)
        _ring(upper, trend, rest, factor)
        lowest = upper
        what = (
            "sum of deviations, sd of a point"
            if trend.chart.kind == "cusum"
            else f"weighted mean of {name}, {unit}"
        )
    else:
        lowest = drawing.add_axes((0.085, 0.15, 0.80, 0.20), sharex=upper)
        _spread(lowest, trend, rest[0], factor)
        lowest.set_ylabel(f"{rest[0].name.replace('standard deviation', 'sd')}, {unit}")
        upper.tick_params(labelbottom=False)
        what = f"{name}, {unit}" if top.name == "value" else f"mean {name}, {unit}"
    upper.set_ylabel(what)
    _phases(upper, trend)
    _names(lowest, trend)
    _legend(upper, trend)


def _unit(trend: Trend) -> tuple[float, str]:
    return shown_unit(float(np.median([point.value for point in trend.points])), trend.rows.unit)


def _upper(axes: Axes, trend: Trend, panel: Panel, factor: float) -> None:
    _curve(axes, panel, factor)
    _levels(axes, panel, factor, trend)
    if trend.chart.kind != "cusum":
        _points(axes, trend, factor)
        _changes(axes, trend, factor)
        at_edge: Any = axes.get_xaxis_transform()
        between = [place for place, _ in trend.missing]
        if between:  # what is drawn unclipped and empty would still claim room in the corner
            axes.plot(
                between, [0.025] * len(between), marker="x", markersize=4.5, color=GREY, transform=at_edge,
                clip_on=False, linestyle="",
            )  # fmt: skip
        axes.margins(y=0.14)
    _ring(axes, trend, (panel,), factor)


def _points(axes: Axes, trend: Trend, factor: float) -> None:
    """Draw the points by verdict and by whether they need a look, their intervals, and the bands of the lots."""
    small, raster = len(trend.points) > _MANY, len(trend.points) > _RASTER
    places = np.arange(len(trend.points))
    values = np.array([point.value for point in trend.points]) * factor
    if trend.lots and trend.basis != "sections" and trend.chart.kind != "ewma":
        lots = dict(trend.lots)
        known = [(place, lots[p.label]) for place, p in enumerate(trend.points) if p.label in lots]
        axes.vlines(
            [place for place, _ in known], [lot.low * factor for _, lot in known],
            [lot.high * factor for _, lot in known], color=SKY_BLUE, linewidth=2.0 if small else 5.0, alpha=0.45,
            zorder=0.8, rasterized=raster,
        )  # fmt: skip
    if not small:
        half = COVERAGE_FACTOR * np.array([point.u for point in trend.points]) * factor
        axes.vlines(places, values - half, values + half, color=GREY, linewidth=1.0, zorder=1.5)
    kinds = [(point.verdict, point.looks > 0) for point in trend.points]
    for kind in sorted(set(kinds)):
        style = VERDICT_STYLES[kind[0]]
        here = np.array([one == kind for one in kinds])
        axes.plot(
            places[here], values[here], marker=style.marker, markersize=2.6 if small else 4.6, color=style.colour,
            markerfacecolor="white" if kind[1] else style.colour, markeredgewidth=1.1, linestyle="", zorder=2.5,
            rasterized=raster,
        )  # fmt: skip
    by_hand = np.array([bool(point.by_hand) for point in trend.points])
    axes.plot(
        places[by_hand],
        values[by_hand],
        markersize=6.0 if small else 11.0,
        rasterized=raster,
        zorder=2.2,
        **_BY_HAND,
    )


def _curve(axes: Axes, panel: Panel, factor: float) -> None:
    raster = panel.values.size > _RASTER
    axes.plot(
        np.arange(panel.values.size),
        panel.values * factor,
        color=BLUE,
        linewidth=0.8,
        zorder=1.2,
        rasterized=raster,
    )


def _steps(axes: Axes, level: Any, factor: float, **style: Any) -> None:
    """Draw a level that may differ from place to place as a staircase, broken where it is not known."""
    level = np.asarray(level)
    # one step a run of equal levels: a long dashed staircase is slow to draw
    new = np.concatenate(([True], (level[1:] != level[:-1]) & ~(np.isnan(level[1:]) & np.isnan(level[:-1]))))
    starts = np.flatnonzero(new)
    axes.stairs(level[starts] * factor, np.append(starts, level.size) - 0.5, baseline=None, **style)


def _levels(axes: Axes, panel: Panel, factor: float, trend: Trend) -> None:
    above = 2.7 if len(trend.points) > _MANY else 1.0  # many points would hide the lines
    _steps(axes, panel.centre, factor, color=BLACK, linewidth=0.9, zorder=above)
    for level in (panel.lower, panel.upper):
        _steps(axes, level, factor, color=BLACK, linewidth=0.9, linestyle=(0, (4, 2)), zorder=above)
    if panel.sigma is not None and trend.plan.rules != "limits":
        for zone in (-2, -1, 1, 2):
            _steps(
                axes,
                panel.centre + zone * panel.sigma,
                factor,
                color=GREY,
                linewidth=0.5,
                linestyle=(0, (1, 3)),
            )
    _say(axes, panel, factor, ("upper limit", "centre", "lower limit"))


def _say(axes: Axes, panel: Panel, factor: float, names: tuple[str, str, str]) -> None:
    """Name the last point's levels at the right edge."""
    last = [level[-1] * factor for level in (panel.upper, panel.centre, panel.lower)]
    if not all(map(math.isfinite, last)):
        known = np.flatnonzero(np.isfinite(panel.upper))
        last = (
            [level[known[-1]] * factor for level in (panel.upper, panel.centre, panel.lower)]
            if known.size
            else []
        )
    places = decimals(max(map(abs, last), default=1.0), abs(last[0] - last[2]) / 6 or None) if last else 0
    for level, name in zip(last, names, strict=False):
        if name:
            axes.annotate(
                f"{name} {level:.{places}f}".replace("-", "−"), (1.0, level), xycoords=("axes fraction", "data"),
                xytext=(3, 0), textcoords="offset points", va="center", fontsize=7,
            )  # fmt: skip


def _ring(axes: Axes, trend: Trend, panels: tuple[Panel, ...] | list[Panel], factor: float) -> None:
    """Circle the points that signal and write the number of the first rule beside, with a + where there are more; of
    neighbours with the same, only at the first.
    """
    from matplotlib.patheffects import withStroke

    small, raster = len(trend.points) > _MANY, len(trend.points) > _RASTER
    for panel in panels:
        codes: dict[int, set[str]] = {}
        for signal in trend.chart.signals:
            if signal.panel == panel.name:
                codes.setdefault(signal.place, set()).add(signal.rule.split()[-1])
        places = sorted(codes)
        if not places:
            continue
        axes.plot(
            places, panel.values[places] * factor, marker="o", markersize=5.0 if small else 9.5, linestyle="",
            markerfacecolor="none", color=VERMILLION, markeredgewidth=1.2, zorder=3, rasterized=raster, clip_on=False,
        )  # fmt: skip
        said = {place: min(codes[place]) + ("+" if len(codes[place]) > 1 else "") for place in places}
        for place, first in () if small else said.items():
            if first == "limit" or said.get(place - 1) == first:
                continue
            below = panel.values[place] < panel.centre[place]
            axes.annotate(
                first, (place, panel.values[place] * factor), xytext=(0, -6.5 if below else 6.5),
                textcoords="offset points", ha="center", va="top" if below else "bottom", fontsize=6.5, color=BLACK,
                path_effects=[withStroke(linewidth=2, foreground="white")], zorder=4,
            )  # fmt: skip


def _spread(axes: Axes, trend: Trend, panel: Panel, factor: float) -> None:
    _curve(axes, panel, factor)
    size = 2.0 if len(trend.points) > _MANY else 3.4
    axes.plot(
        np.arange(panel.values.size),
        panel.values * factor,
        marker="o",
        linestyle="",
        markersize=size,
        color=BLUE,
        rasterized=panel.values.size > _RASTER,
    )
    _steps(axes, panel.centre, factor, color=BLACK, linewidth=0.9)
    for level in (panel.lower, panel.upper):
        _steps(axes, level, factor, color=BLACK, linewidth=0.9, linestyle=(0, (4, 2)))
    lowest = "lower limit" if np.nanmax(panel.lower, initial=0.0) > 0 else ""
    _say(axes, panel, factor, ("upper limit", "centre", lowest))
    _ring(axes, trend, (panel,), factor)
    axes.margins(y=0.16)
    axes.set_ylim(bottom=0)


def _changes(axes: Axes, trend: Trend, factor: float) -> None:
    """Draw the level on each side of a change, and say how far it stepped."""
    if not trend.changes or trend.chart.kind == "ewma":
        return
    starts = [0, *(change.place for change in trend.changes)]
    ends = [*starts[1:], len(trend.points)]
    levels = [trend.changes[0].before, *(change.after for change in trend.changes)]
    for start, end, level in zip(starts, ends, levels, strict=True):
        axes.plot(
            (start - 0.5, end - 0.5), (level * factor,) * 2, color=ORANGE, linewidth=2.2, zorder=1.8,
            linestyle=(0, (6, 1.5, 1, 1.5)),
        )  # fmt: skip
    for change in trend.changes:
        size = difference(change.shift, trend.rows.unit, (change.high - change.low) / 4)
        axes.axvline(
            change.place - 0.5, color=ORANGE, linewidth=0.9, linestyle=(0, (6, 1.5, 1, 1.5)), zorder=0.7
        )
        axes.annotate(
            f"{size} {'lower' if change.shift < 0 else 'higher'}", (change.place - 0.5, 0.02),
            xycoords=("data", "axes fraction"), xytext=(3, 0), textcoords="offset points", fontsize=7, va="bottom",
        )  # fmt: skip


def _phases(axes: Axes, trend: Trend) -> None:
    phase, base = trend.chart.phase, trend.baseline
    for place in np.flatnonzero(np.diff(phase)) + 1:
        axes.axvline(place - 0.5, color=BLACK, linewidth=1.0)
        _top(axes, place - 0.5, f"phase {phase[place] + 1}")
    if not base.all() and not trend.plan.frozen:
        end = int(np.flatnonzero(base)[-1])
        axes.axvspan(-0.5, end + 0.5, color="#F0F0F0", zorder=0.1, linewidth=0)
        _top(axes, -0.5, "baseline: sets the limits")


def _top(axes: Axes, place: float, text: str) -> None:
    axes.annotate(
        text, (place, 1.0), xycoords=("data", "axes fraction"), xytext=(3, -2), textcoords="offset points",
        fontsize=7, va="top",
    )  # fmt: skip


def _names(axes: Axes, trend: Trend) -> None:
    """Name the points below: lots; for single sections the first of each lot, or the sections where there are none."""
    named: list[tuple[int, str]] = []
    last = None
    for place, point in enumerate(trend.points):
        label = point.lot if trend.basis == "sections" and point.lot else point.label
        if label != last:
            named.append((place, label if covered(label) else f"no. {place + 1}"))
        last = label
    step = math.ceil(len(named) / _MOST_NAMES)
    named = named[::step]
    longest = max(len(label) for _, label in named)
    upright = len(named) * min(longest, 14) > 80
    axes.set_xticks(
        [place for place, _ in named], [name if len(name) <= 14 else f"{name[:13]}…" for _, name in named],
        rotation=90 if upright else 0, parse_math=False,
    )  # fmt: skip
    axes.set_xlim(-0.7, len(trend.points) - 0.3)


def _legend(axes: Axes, trend: Trend) -> None:
    from matplotlib.lines import Line2D

    def mark(label: str, **style: Any) -> Line2D:
        return Line2D([], [], label=label, **style)

    handles = []
    if trend.chart.kind != "cusum":
        seen = {point.verdict for point in trend.points}
        handles = [
            mark(style.label, color=style.colour, marker=style.marker, linestyle="")
            for name, style in VERDICT_STYLES.items()
            if name in seen
        ]
        if any(point.looks for point in trend.points):
            handles.append(
                mark("hollow: needs a look", color=BLACK, marker="o", linestyle="", markerfacecolor="white")
            )
        if any(point.by_hand for point in trend.points):
            handles.append(mark("value set by hand", markersize=9, **_BY_HAND))
        if trend.missing:
            handles.append(mark("no number", color=GREY, marker="x", linestyle=""))
        if len(trend.points) <= _MANY:
            handles.append(mark("measurement, 95 %", color=GREY, linewidth=1.0))
        if trend.lots and trend.basis != "sections" and trend.chart.kind != "ewma":
            handles.append(mark("lot mean, 95 %", color=SKY_BLUE, linewidth=5.0, alpha=0.45))
    if trend.changes and trend.chart.kind not in ("ewma", "cusum"):
        handles.append(mark("level", color=ORANGE, linewidth=2.2, linestyle=(0, (6, 1.5, 1, 1.5))))
    if trend.chart.signals:
        numbered = trend.chart.kind not in ("ewma", "cusum") and len(trend.points) <= _MANY
        handles.append(
            mark(
                "signal, with its rule" if numbered else "signal",
                color=VERMILLION,
                marker="o",
                markersize=8,
                markerfacecolor="none",
                linestyle="",
            )
        )
    axes.legend(
        handles=handles, loc="lower left", bbox_to_anchor=(-0.02, 1.01), ncols=min(len(handles), 5) or 1, frameon=False,
        borderaxespad=0, columnspacing=1.2, handletextpad=0.4, fontsize=7.5,
    )  # fmt: skip
