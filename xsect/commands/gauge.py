"""``xsect gauge``: the measurement itself put to the test."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path
from typing import TYPE_CHECKING, Literal, cast

import click

from xsect.commands.basics import DAY, PATH, CouldNotRun, day, terminal

if TYPE_CHECKING:
    from xsect.lots.study_files import StudyFile
    from xsect.report.statistics_page import StatisticsPage


@click.command(short_help="Judge a gauge study: repeatability, reproducibility, verdicts, bias.")
@click.argument("study", type=PATH, metavar="STUDY")
@click.option(
    "--tolerance", type=click.FloatRange(0, min_open=True), metavar="X", help="Width between the limits."
)
@click.option(
    "--pool",
    type=click.Choice(("auto", "yes", "no")),
    default="auto",
    show_default=True,
    help="Pool interaction with repeatability.",
)
@click.option(
    "--self", "again", is_flag=True, help="STUDY is a lot sheet: image its sections again, and measure."
)
@click.option(
    "--quantity", default="bond_width", show_default=True, metavar="NAME", help="What --self studies."
)
@click.option(
    "--looks", type=click.IntRange(2), default=8, show_default=True, metavar="N", help="Looks a section."
)
@click.option("--date", type=DAY, metavar="YYYY-MM-DD", help="Day of use of calibrations.  [default: today]")
@click.option(
    "--out", type=PATH, metavar="DIR", help="Folder of the report.  [default: reports/gauge_<study>]"
)
def gauge(
    study: Path,
    tolerance: float | None,
    pool: str,
    again: bool,
    quantity: str,
    looks: int,
    date: dt.datetime | None,
    out: Path | None,
) -> None:
    """Judge a study of the measurement, by the columns of STUDY (CSV or XLSX): part, appraiser, trial, value for
    repeatability and reproducibility; part, appraiser, trial, verdict and perhaps reference for the agreement of
    verdicts; part, reference, value for bias and linearity. With --self, STUDY is a lot sheet whose sections are
    measured again in pictures shifted, turned, exposed otherwise and noisier.
    """
    from xsect.capture.tables import SheetError
    from xsect.lots.rows import RowsError
    from xsect.lots.study_files import read_study
    from xsect.report.statistics_page import write_statistics

    folder = out or Path("reports") / f"gauge_{study.stem}"
    try:
        if again:
            page, sentences, files = _look_again(study, quantity, looks, day(date))
        else:
            page, sentences, files = _judge(read_study(study), study, tolerance, pool)
        write_statistics(page, folder, files)
    except (RowsError, SheetError, OSError) as error:
        raise CouldNotRun(str(error)) from error
    except ValueError as error:
        raise CouldNotRun(f"{study.name}: {error}") from error
    for sentence in sentences:
        terminal().print(f"• {sentence}", markup=False)
    click.echo(f"Report: {folder / 'report.html'} and report.pdf")


Made = tuple["StatisticsPage", tuple[str, ...], list[tuple[str, bytes]]]


def _look_again(sheet: Path, quantity: str, looks: int, today: dt.date) -> Made:
    from xsect.report.self_study_report import self_files, self_page, self_sentences
    from xsect.self_study import self_study

    found = self_study(
        sheet, quantity=quantity, looks=looks, today=today,
        on_section=lambda section: click.echo(f"{section} …", err=True),
    )  # fmt: skip
    return self_page(found, sheet.name), self_sentences(found), self_files(found)


def _judge(file: StudyFile, path: Path, tolerance: float | None, pool: str) -> Made:
    from xsect.report import gauge_report as report

    if file.kind == "verdicts":
        from xsect.lots.verdict_study import verdict_study

        agreements = verdict_study(file.rows)
        return report.verdict_page(agreements, path.name), report.verdict_sentences(agreements), []
    if file.kind == "reference":
        from xsect.lots.bias import bias

        found = bias([(row.part, float(row.reference), row.value) for row in file.rows])
        return report.bias_page(found, path.name), report.bias_sentences(found), []
    from xsect.lots.gauge import average_and_range, by_variance, crossed_study

    study = crossed_study([(row.part, row.appraiser, row.trial, row.value) for row in file.rows])
    width = math.nan if tolerance is None else tolerance
    results = [
        average_and_range(study, tolerance=width),
        by_variance(study, tolerance=width, pool=cast(Literal["auto", "yes", "no"], pool)),
    ]
    page = report.crossed_page(study, results, path.name)
    return page, report.crossed_sentences(study, results), report.crossed_files(study, results)
