"""``xsect trend``: one quantity over lots, as a control chart with its findings."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final, cast

import click

from xsect.commands.basics import PATH, CouldNotRun, terminal

if TYPE_CHECKING:
    from xsect.lots.charts import Kind
    from xsect.lots.rows import By, Rows
    from xsect.lots.trend import Trend

KINDS: Final = ("individuals", "xbar_r", "xbar_s", "lot_means", "ewma", "cusum")
RULE_SETS: Final = ("zone", "eight", "limits")


@click.command(short_help="Chart a quantity over lots: limits, signals, changes, spread.")
@click.argument("sources", nargs=-1, required=True, metavar="SOURCE...")
@click.option("--quantity", default="bond_width", show_default=True, metavar="NAME", help="What to chart.")
@click.option(
    "--segment", type=click.IntRange(1), metavar="N", help="Of this bond segment.  [default: whole sections]"
)
@click.option(
    "--by",
    type=click.Choice(("lot", "supplier", "line")),
    default="lot",
    show_default=True,
    help="One chart over lots, or one a supplier or line.",
)
@click.option(
    "--sheet", "sheets", type=PATH, multiple=True, metavar="FILE", help="Lot sheet behind a run folder."
)
@click.option("--chart", type=click.Choice(KINDS), help="Kind of chart.  [default: by the data]")
@click.option(
    "--rules",
    type=click.Choice(RULE_SETS),
    default="zone",
    show_default=True,
    help="Which patterns are signals.",
)
@click.option(
    "--baseline", default="", metavar="END", help="Limits from the points up to a number, date or lot."
)
@click.option(
    "--limits", "frozen", type=PATH, metavar="FILE", help="Judge by the limits.json of an earlier chart."
)
@click.option(
    "--phase", "phases", multiple=True, metavar="START", help="A new phase begins with this lot or date."
)
@click.option(
    "--gauge-sd", type=click.FloatRange(0), metavar="UM", help="Repeatability sd, in the quantity's unit."
)
@click.option("--vouched-only", is_flag=True, help="Show sections that need a look, but leave them out.")
@click.option(
    "--weight", type=click.FloatRange(0, 1, min_open=True), default=0.2, show_default=True, help="Of EWMA."
)
@click.option(
    "--k", type=click.FloatRange(0), default=0.5, show_default=True, help="Slack of CUSUM, in sd of a point."
)
@click.option(
    "--h",
    type=click.FloatRange(0, min_open=True),
    default=5.0,
    show_default=True,
    help="Limit of CUSUM, in the same.",
)
@click.option(
    "--out",
    type=PATH,
    metavar="DIR",
    help="Folder for report and figures.  [default: reports/trend_<quantity>]",
)
def trend(
    sources: tuple[str, ...],
    quantity: str,
    segment: int | None,
    by: str,
    sheets: tuple[Path, ...],
    chart: str | None,
    rules: str,
    baseline: str,
    frozen: Path | None,
    phases: tuple[str, ...],
    gauge_sd: float | None,
    vouched_only: bool,
    weight: float,
    k: float,
    h: float,
    out: Path | None,
) -> None:
    """Chart a quantity over lots in their order of time, from record stores, folders that xsect measure wrote and
    tables (SOURCE...), say what the chart says, and write a report.
    """
    from xsect.lots.findings import findings
    from xsect.lots.rows import RowsError, parted
    from xsect.lots.trend import TrendPlan, make_trend
    from xsect.report.statistics_page import write_statistics
    from xsect.report.trend_chart import trend_svg
    from xsect.report.trend_report import read_limits, trend_files, trend_page

    folder = out or Path("reports") / f"trend_{quantity}"
    try:
        plan = TrendPlan(
            cast("Kind | None", chart), rules, baseline, phases, read_limits(frozen) if frozen else None,
            vouched_only, gauge_sd, weight, k, h,
        )  # fmt: skip
        rows = _rows(sources, quantity, segment, sheets)
        trends = [make_trend(part, plan, title=label) for label, part in parted(rows, cast("By", by))]
        plots = [trend_svg(one) for one in trends]
        page = trend_page(trends, [Path(source).name for source in sources], plots)
        write_statistics(page, folder, trend_files(trends, plots))
    except (RowsError, OSError) as error:
        raise CouldNotRun(str(error)) from error
    for one in trends:
        _say(one, findings(one))
    click.echo(f"Report: {folder / 'report.html'} and report.pdf; charts, points.csv beside them")


def _rows(sources: tuple[str, ...], quantity: str, segment: int | None, sheets: tuple[Path, ...]) -> Rows:
    from xsect.lots.sources import read_rows

    return read_rows(sources, quantity=quantity, segment=segment, sheets=sheets)


def _say(trend: Trend, sentences: tuple[str, ...]) -> None:
    console = terminal()
    if trend.title:
        console.print(f"{trend.title}:", markup=False)
    for sentence in (*sentences, *(f"{note[0].upper()}{note[1:]}." for note in trend.notes)):
        console.print(f"• {sentence}", markup=False)
