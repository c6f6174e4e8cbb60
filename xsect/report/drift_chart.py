"""Drift chart: the scale of one objective and camera from calibration to calibration, with control limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from xsect.capture.drift import DriftSeries
from xsect.quantities import COVERAGE_FACTOR
from xsect.report.plotting import figure, svg_text
from xsect.report.style import BLACK, BLUE, GREY, VERMILLION

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MOST_DATES = 14


def drift_chart(series: DriftSeries) -> str:
    """Return an individuals chart over a moving-range chart as an SVG element, 7.1 × 3.4 inches.

    The individuals are relative to the centre line (to the first calibration where there are too few for limits), with
    their 95 % intervals. A filled square is beyond a limit, an open circle is not.
    """
    base = series.centre if math.isfinite(series.centre) else series.points[0].um_per_px
    with figure(7.1, 3.4) as drawing:
        upper = drawing.add_axes((0.10, 0.44, 0.78, 0.46))
        lower = drawing.add_axes((0.10, 0.13, 0.78, 0.22), sharex=upper)
        for place, point in enumerate(series.points):
            value = 100 * (point.um_per_px / base - 1)
            half = 100 * COVERAGE_FACTOR * point.record.u_relative * point.um_per_px / base
            out = not (math.isnan(series.lower) or series.lower <= point.um_per_px <= series.upper)
            upper.plot((place, place), (value - half, value + half), color=GREY, linewidth=1.0)
            _mark(upper, place, value, out)
            if math.isfinite(point.moving_range):
                _mark(lower, place, 100 * point.moving_range / base, point.moving_range > series.range_upper)
        upper.plot(range(len(series.points)), [100 * (p.um_per_px / base - 1) for p in series.points], color=BLUE,
                   linewidth=0.8, zorder=0.9)  # fmt: skip
        if math.isfinite(series.centre):
            _level(upper, "centre", 0.0)
            _level(upper, "lower limit", 100 * (series.lower / base - 1))
            _level(upper, "upper limit", 100 * (series.upper / base - 1))
            _level(lower, "mean", 100 * series.mean_range / base)
            _level(lower, "upper limit", 100 * series.range_upper / base)
        upper.set_ylabel(
            "scale against centre, %" if math.isfinite(series.centre) else "scale against first, %"
        )
        lower.set_ylabel("moving range, %")
        lower.set_ylim(bottom=0)
        upper.tick_params(labelbottom=False)
        upper.set_xlim(-0.6, len(series.points) - 0.4)
        every = math.ceil(len(series.points) / _MOST_DATES)
        places = range(0, len(series.points), every)
        lower.set_xticks(
            list(places), [series.points[k].record.date.isoformat() for k in places], rotation=30, ha="right"
        )
        word = "centre" if math.isfinite(series.centre) else "first"
        upper.set_title(f"{series.title}; {word} {base:.5g} µm/px", loc="left", fontsize=8.5)
        return svg_text(drawing, title=f"Scale from calibration to calibration: {series.title}")


def _mark(axes: Axes, place: float, value: float, out: bool) -> None:
    axes.plot(
        place, value, marker="s" if out else "o", markersize=5, color=VERMILLION if out else BLUE,
        markerfacecolor=VERMILLION if out else "white", markeredgewidth=1.2, clip_on=False,
    )  # fmt: skip


def _level(axes: Axes, label: str, level: float) -> None:
    dashed = "limit" in label
    axes.axhline(level, color=BLACK, linewidth=0.9, linestyle=(0, (4, 2)) if dashed else "-")
    axes.annotate(
        f"{label} {level:.3f}".replace("-", "−"), (1.0, level), xycoords=("axes fraction", "data"), xytext=(3, 0),
        textcoords="offset points", va="center", fontsize=7,
    )  # fmt: skip
