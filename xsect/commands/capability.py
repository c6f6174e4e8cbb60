"""``xsect capability``: a quantity's spread against its limits, with what is sure of it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Final, cast

import click

from xsect.commands.basics import PATH, CouldNotRun, terminal

if TYPE_CHECKING:
    from xsect.lots.rows import Row, Rows
    from xsect.lots.shape import Method

METHODS: Final = ("auto", "normal", "box_cox", "johnson", "bounded", "percentile")


@click.command(short_help="Judge a process: Cp, Cpk, Pp, Ppk with confidence, tolerance interval.")
@click.argument("sources", nargs=-1, required=True, metavar="SOURCE...")
@click.option("--quantity", default="bond_width", show_default=True, metavar="NAME", help="What to judge.")
@click.option(
    "--segment", type=click.IntRange(1), metavar="N", help="Of this bond segment.  [default: whole sections]"
)
@click.option("--criteria", type=PATH, metavar="FILE", help="Limits from the clauses of this TOML file.")
@click.option("--lower", type=float, metavar="X", help="Lower limit, in the quantity's unit.")
@click.option("--upper", type=float, metavar="X", help="Upper limit, in the quantity's unit.")
@click.option(
    "--sheet", "sheets", type=PATH, multiple=True, metavar="FILE", help="Lot sheet behind a run folder."
)
@click.option(
    "--method", type=click.Choice(METHODS), default="auto", show_default=True, help="Shape of the values."
)
@click.option(
    "--gauge-sd", type=click.FloatRange(0), metavar="X", help="Repeatability sd, in the quantity's unit."
)
@click.option("--target", type=click.FloatRange(0), default=1.33, show_default=True, help="Least Cpk wanted.")
@click.option(
    "--coverage",
    type=click.FloatRange(0, 1, min_open=True, max_open=True),
    default=0.99,
    show_default=True,
    help="Share of sections in the tolerance interval.",
)
@click.option("--since", default="", metavar="START", help="Only sections from this lot or date on.")
@click.option("--vouched-only", is_flag=True, help="Leave out sections that need a look.")
@click.option(
    "--out", type=PATH, metavar="DIR", help="Folder of the report.  [default: reports/capability_<quantity>]"
)
def capability(
    sources: tuple[str, ...],
    quantity: str,
    segment: int | None,
    criteria: Path | None,
    lower: float | None,
    upper: float | None,
    sheets: tuple[Path, ...],
    method: str,
    gauge_sd: float | None,
    target: float,
    coverage: float,
    since: str,
    vouched_only: bool,
    out: Path | None,
) -> None:
    """Set the spread of a quantity against its limits: indices with confidence intervals, with and without the
    gauge's share, a tolerance interval, and how many more sections would show the target. SOURCE... are record
    stores, folders that xsect measure wrote, and tables.
    """
    from xsect.judge.criteria import CriteriaError
    from xsect.lots.capability import Specification
    from xsect.lots.capability import capability as judge
    from xsect.lots.rows import RowsError, subgroups
    from xsect.lots.rows import since as from_on
    from xsect.lots.sources import read_rows
    from xsect.report.capability_report import capability_files, capability_page, sentences
    from xsect.report.statistics_page import write_statistics

    folder = out or Path("reports") / f"capability_{quantity}"
    try:
        rows = from_on(read_rows(sources, quantity=quantity, segment=segment, sheets=sheets), since)
        groups = [group.used(vouched_only=vouched_only) for group in subgroups(rows)]
        groups = [group for group in groups if group]
        used = [row for group in groups for row in group]
        low, high, origin = _limits(criteria, lower, upper, rows, used, sources, sheets)
        limits = Specification(low, high, rows.natural, origin)
        gauge = gauge_sd
        if gauge is None:
            parts = [row.u_scatter**2 for row in used]
            gauge = math.sqrt(sum(parts) / len(parts)) if parts and not math.isnan(sum(parts)) else 0.0
        import numpy as np

        found = judge(
            [np.array([row.value for row in group]) for group in groups], limits,
            method=cast("Method", method), gauge_sd=gauge, target=target, coverage=coverage,
        )  # fmt: skip
        page = capability_page(found, rows, used, [Path(source).name for source in sources])
        write_statistics(page, folder, capability_files(found, rows, used))
    except (RowsError, CriteriaError, OSError) as error:
        raise CouldNotRun(str(error)) from error
    except ValueError as error:
        raise CouldNotRun(f"{quantity}: {error}") from error
    console = terminal()
    notes = (f"{note[0].upper()}{note[1:]}." for note in rows.notes)
    for sentence in (*sentences(found, quantity, used, len(rows.rows) - len(used)), *notes):
        console.print(f"• {sentence}", markup=False)
    click.echo(f"Report: {folder / 'report.html'} and report.pdf; chart and indices.csv beside them")


def _limits(
    criteria: Path | None, lower: float | None, upper: float | None, rows: Rows, used: list[Row],
    sources: tuple[str, ...], sheets: tuple[Path, ...],
) -> tuple[float, float, str]:  # fmt: skip
    """Return both limits, those given by hand before those of the criteria, and where they come from."""
    low, high = -math.inf if lower is None else lower, math.inf if upper is None else upper
    if criteria is None:
        return low, high, ""
    from xsect.judge.criteria import load_criteria
    from xsect.lots.limits import SIDES, limits_from, sheet_rows

    judged_by = load_criteria(criteria)
    sides = [side for side, end in zip(SIDES, (lower, upper), strict=True) if end is None]
    found = limits_from(
        judged_by, rows.quantity, rows.segment, used, sheet_rows(sources, sheets), sides=sides
    )
    origin = f"{judged_by.name}, {' and '.join(f'clause {one}' for one in found.clauses)} ({criteria.name})"
    return (
        found.lower if lower is None else low,
        found.upper if upper is None else high,
        origin if found.clauses else "",
    )
