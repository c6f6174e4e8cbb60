"""Trend report: figures, tables, limits to keep, and pages, from one trend or several (one a supplier or line)."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from xsect.lots.charts import Kind
from xsect.lots.findings import findings, span
from xsect.lots.rows import RowsError
from xsect.lots.run_rules import RULES
from xsect.lots.spread import Limits
from xsect.lots.trend import Frozen, Trend
from xsect.quantities import QUANTITIES, show
from xsect.report.page import Fact
from xsect.report.statistics_page import Block, StatisticsPage
from xsect.report.tables import Cell, csv_bytes
from xsect.report.trend_chart import trend_png

KIND_NAMES: Final[dict[Kind, str]] = {
    "individuals": "individuals and moving range",
    "xbar_r": "means and ranges",
    "xbar_s": "means and standard deviations",
    "lot_means": "lot means as individuals, and their moving range",
    "ewma": "exponentially weighted moving average",
    "cusum": "cumulative sums",
}
POINT_COLUMNS: Final = (
    "group", "point", "lot", "made_on", "sections", "needs_look", "by_hand", "verdict", "value", "u", "phase",
    "baseline", "centre", "lower", "upper", "signals",
)  # fmt: skip
_MOST_ROWS: Final = 300
"""Rows of a table on a page; the CSV holds all."""

_HOW: Final = (
    "Limits are three standard deviations of a plotted point from the centre; all constants are reckoned by "
    "integration. The spread is estimated within lots (ranges or standard deviations, unequal sizes weighted) or from "
    "moving ranges.",
    "Changes: the parting of the series into levels of least squares, each step at a price that keeps false steps "
    "below 5 % in all. Lots: restricted maximum likelihood, the interval from the likelihood.",
    "Grey bars: 95 % interval of the measurement; what the scale gives to all sections does not shrink with their "
    "number.",
)


def trend_page(trends: Sequence[Trend], sources: Sequence[str], plots: Sequence[str]) -> StatisticsPage:
    """Return the report of one trend, or of several of the same quantity; ``plots`` are their charts as SVG."""
    first = trends[0]
    quantity = QUANTITIES[first.rows.quantity]
    segment = "" if first.rows.segment is None else f", segment {first.rows.segment}"
    sections = sum(len(trend.rows.rows) for trend in trends)
    dates = [row.made_on for trend in trends for row in trend.rows.rows]
    facts = [
        Fact("Quantity", f"{quantity.label}{segment}"),
        Fact("Sections", str(sections)),
        Fact(
            "Sources", ", ".join(sources[:4]) + (f" and {len(sources) - 4} more" if len(sources) > 4 else "")
        ),
        Fact(
            "Made",
            f"{min(dates)} to {max(dates)}" if all(dates) else "not dated: in the order of the sources",
        ),
        Fact("Definition", quantity.definition),
    ]
    if len(trends) == 1:
        facts.insert(3, Fact("Chart", f"{KIND_NAMES[first.chart.kind]} ({first.reason})"))
    blocks = [_compared(trends)] if len(trends) > 1 else []
    for trend, plot in zip(trends, plots, strict=True):
        blocks += _blocks(trend, plot, alone=len(trends) == 1)
    blocks.append(Block("How it is reckoned", _HOW))
    return StatisticsPage("Trend", f"{quantity.label}{segment}", tuple(facts), tuple(blocks))


def _compared(trends: Sequence[Trend]) -> Block:
    rows = []
    for trend in trends:
        values = [row.value for point in trend.points for row in point.used]
        mean = sum(values) / len(values)
        sd = math.sqrt(sum((value - mean) ** 2 for value in values) / max(len(values) - 1, 1))
        unit = trend.rows.unit
        signals = len({signal.place for signal in trend.chart.signals})
        rows.append(
            (trend.title, str(len(values)), show(mean, unit, digits_from=sd / 5), show(sd, unit, digits_from=sd),
             f"{signals} of {len(trend.points)}", str(len(trend.changes)))
        )  # fmt: skip
    heads = ("Group", "Sections", "Mean", "Standard deviation", "Points that signal", "Changes")
    return Block("Side by side", heads=heads, rows=tuple(rows), numeric=(1, 2, 3, 4, 5))


def _blocks(trend: Trend, plot: str, *, alone: bool) -> list[Block]:
    title = "" if alone else f"{trend.title}: "
    notes = tuple(f"{note[0].upper()}{note[1:]}." for note in trend.notes)
    about = () if alone else (f"Chart: {KIND_NAMES[trend.chart.kind]} ({trend.reason}).",)
    blocks = [
        Block(f"{title}what it says" if title else "What it says", (*findings(trend), *about, *notes)),
        Block(
            plot=plot,
            alt=f"Control chart of {QUANTITIES[trend.rows.quantity].label}; its numbers stand in the table of points",
            caption=_caption(trend),
        ),
        _points_block(trend, title),
    ]
    if trend.lots and trend.basis == "sections":
        blocks.insert(2, _lots_block(trend, title))
    return blocks


def _caption(trend: Trend) -> str:
    codes = sorted({signal.rule for signal in trend.chart.signals if signal.rule in RULES})
    said = "; ".join(f"{code}: {RULES[code].sentence}" for code in codes)
    origin = f" ({RULES[codes[0]].origin})" if codes else ""
    return (
        f"Numbers at rings are rules{origin}, written at the first of neighbours alike. {said}."
        if codes
        else ""
    )


def _lots_block(trend: Trend, title: str) -> Block:
    unit = trend.rows.unit
    rows = tuple(
        (
            label,
            str(lot.n),
            show(lot.mean, unit, digits_from=(lot.high - lot.low) / 4),
            span(lot.low, lot.high, unit),
        )
        for label, lot in trend.lots[:_MOST_ROWS]
    )
    more = (f"The first {_MOST_ROWS} of {len(trend.lots)} lots.",) if len(trend.lots) > _MOST_ROWS else ()
    return Block(
        f"{title}lots" if title else "Lots", more,
        heads=("Lot", "Sections", "Mean", "95 % interval of the mean"), rows=rows, numeric=(1, 2, 3),
    )  # fmt: skip


def _points_block(trend: Trend, title: str) -> Block:
    unit, top = trend.rows.unit, trend.chart.panels[0]
    lots = dict(trend.lots) if trend.basis != "sections" else {}
    said = _said(trend)
    rows = []
    for place, point in enumerate(trend.points[:_MOST_ROWS]):
        looks = f", {point.looks} to look at" if point.looks else ""
        looks += f", {len(point.by_hand)} by hand" if point.by_hand else ""
        name = f"{point.lot} {point.label}" if trend.basis == "sections" and point.lot else point.label
        level = (
            "–"
            if trend.chart.kind == "cusum"
            else span(float(top.lower[place]), float(top.upper[place]), unit)
        )
        lot = lots.get(point.label)
        known = lot is not None and math.isfinite(lot.low)
        rows.append(
            (
                name, point.made_on or "–", f"{len(point.used)}{looks}",
                show(point.value, unit, digits_from=point.u if point.u > 0 else None),
                *((span(lot.low, lot.high, unit) if lot and known else "–",) if lots else ()),
                level, ", ".join(said.get(place, ())) or "–",
            )
        )  # fmt: skip
    more = f"The first {_MOST_ROWS} of {len(trend.points)}; points.csv holds all."
    heads = (
        "Point",
        "Made",
        "Sections",
        "Value",
        *(("95 % of the mean",) if lots else ()),
        "Limits",
        "Signals",
    )
    return Block(
        f"{title}points" if title else "Points", (more,) if len(trend.points) > _MOST_ROWS else (),
        heads=heads, rows=tuple(rows), numeric=tuple(range(3, len(heads) - 1)),
    )  # fmt: skip


def _said(trend: Trend) -> dict[int, list[str]]:
    """Return what is said at each place that signals."""
    said: dict[int, list[str]] = {}
    for signal in trend.chart.signals:
        text = signal.rule if signal.rule != "limit" else f"{signal.panel} beyond its limit"
        said.setdefault(signal.place, []).append(text)
    return said


def trend_files(trends: Sequence[Trend], plots: Sequence[str]) -> list[tuple[str, bytes]]:
    """Return the files beside the report: charts (SVG and PNG), points.csv and limits.json."""
    files = []
    for number, (trend, plot) in enumerate(zip(trends, plots, strict=True), 1):
        stem = "chart" if len(trends) == 1 else f"chart-{number}"
        files += [(f"{stem}.svg", plot.encode()), (f"{stem}.png", trend_png(trend))]
    files.append(
        ("points.csv", csv_bytes(POINT_COLUMNS, [row for trend in trends for row in _point_rows(trend)]))
    )
    if len(trends) == 1:
        files.append(("limits.json", limits_bytes(trends[0].frozen)))
    return files


def _point_rows(trend: Trend) -> list[tuple[Cell, ...]]:
    top, said = trend.chart.panels[0], _said(trend)

    def number(value: float) -> float | None:
        return float(value) if math.isfinite(value) else None

    return [
        (
            trend.title, point.label, point.lot, point.made_on, len(point.used), point.looks,
            "; ".join(f"{row.section}: {row.by_hand}" for row in point.by_hand), point.verdict,
            point.value, number(point.u), int(trend.chart.phase[place]) + 1, "yes" if trend.baseline[place] else "no",
            *(number(level[place]) for level in (top.centre, top.lower, top.upper)), "; ".join(said.get(place, ())),
        )
        for place, point in enumerate(trend.points)
    ]  # fmt: skip


def limits_bytes(frozen: Frozen) -> bytes:
    """Return limits.json: what later points are judged by."""
    content: dict[str, Any] = {
        "format": 1,
        "quantity": frozen.quantity,
        "segment": frozen.segment,
        "chart": frozen.kind,
        "points": frozen.basis,
        "centre": frozen.limits.centre,
        "sigma": frozen.limits.sigma,
        "dof": frozen.limits.dof,
        "based_on": frozen.limits.points,
    }
    return (json.dumps(content, indent=2, ensure_ascii=False) + "\n").encode()


def read_limits(path: Path) -> Frozen:
    """Read a limits.json; raise RowsError, one line, where it is none."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if content["format"] != 1 or content["chart"] not in KIND_NAMES:
            raise ValueError("format or chart not known")
        limits = Limits(
            float(content["centre"]), float(content["sigma"]), float(content["dof"]), int(content["based_on"])
        )
        if not all(map(math.isfinite, (limits.centre, limits.sigma, limits.dof))):
            raise ValueError("centre, sigma and dof must be numbers")
        return Frozen(content["quantity"], content["segment"], content["chart"], content["points"], limits)
    except OSError as error:
        raise RowsError(f"{path}: cannot be read ({error.strerror})") from error
    except (ValueError, KeyError, TypeError) as error:
        raise RowsError(f"{path}: not limits kept by xsect trend ({error})") from error
