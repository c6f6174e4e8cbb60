"""``xsect measure``: the sections of a lot sheet, measured, judged and reported."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from xsect.commands.basics import DAY, DONE, NOT_ALL_ACCEPTED, PATH, CouldNotRun, Number, cores, day, terminal

if TYPE_CHECKING:
    from xsect.record import LotRecord, SectionRecord

MAX_PIXELS: Final = 500_000_000
"""The capture stage's own limit, repeated here because --help must not load that stage."""


def default_out(sheet: Path) -> Path:
    """Return the report's folder where none is named: reports/ and the sheet's name, or its folder's name
    where the sheet is just called lot."""
    sheet = sheet.absolute()
    return Path("reports") / (sheet.parent.name if sheet.stem.lower() == "lot" else sheet.stem)


@click.command(short_help="Measure the sections of a lot sheet, judge them, write the report.")
@click.argument("sheet", type=PATH)
@click.option("--criteria", type=PATH, metavar="FILE", help="Judge by the clauses of this TOML file.")
@click.option(
    "--out",
    type=PATH,
    metavar="DIR",
    help="Folder for tables, figures and reports.  [default: reports/<name of the lot>]",
)
@click.option(
    "--jobs",
    type=click.IntRange(1),
    metavar="N",
    default=cores,
    show_default="number of cores",
    help="Sections measured at a time.",
)
@click.option(
    "--calibration",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    metavar="DIR",
    help="Folder of calibration records.  [default: calibration/ beside the sheet or above it]",
)
@click.option(
    "--date",
    type=DAY,
    metavar="YYYY-MM-DD",
    help="Day of use of the calibration records, for rows without cut_on.  [default: today]",
)
@click.option(
    "--bar-um",
    type=Number(min=0, min_open=True),
    metavar="UM",
    help="Length of the scale bar drawn in the pictures, for rows without bar_um.",
)
@click.option(
    "--max-pixels",
    type=click.IntRange(1),
    metavar="N",
    default=MAX_PIXELS,
    show_default=True,
    help="Refuse larger pictures.",
)
@click.option(
    "--store", metavar="FILE|URL", help="Keep each section in this record store, as soon as it is done."
)
@click.option(
    "--resume", is_flag=True, help="Take over the sections that --store holds from the same inputs."
)
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def measure(
    sheet: Path,
    criteria: Path | None,
    out: Path | None,
    jobs: int,
    calibration: Path | None,
    date: dt.datetime | None,
    bar_um: float | None,
    max_pixels: int,
    store: str | None,
    resume: bool,
    quiet: bool,
) -> None:
    """Measure every section of the lot sheet SHEET (CSV or XLSX), judge it and write the report.

    Exit status: 0 every section accepted (without criteria: measured), 1 not every one, 2 could not run.
    """
    if resume and not store:
        raise click.UsageError("--resume needs --store: it takes over what a store holds")
    passed = run(
        sheet, criteria=criteria, out=out or default_out(sheet), jobs=jobs,
        calibration=calibration, today=day(date),
        bar_um=bar_um, max_pixels=max_pixels, store=store, resume=resume, quiet=quiet,
    )  # fmt: skip
    raise SystemExit(DONE if passed else NOT_ALL_ACCEPTED)


def run(
    sheet: Path, *, criteria: Path | None, out: Path, today: dt.date, jobs: int,
    calibration: Path | None = None, bar_um: float | None = None, max_pixels: int = MAX_PIXELS,
    store: str | None = None, resume: bool = False, quiet: bool = False,
) -> bool:  # fmt: skip
    """Measure a lot, write its outputs and tell of it; return whether all its sections passed.

    Raises CouldNotRun where sheet, criteria, output folder or record store cannot be used.
    """
    from xsect.capture.lot_sheet import SheetError, read_lot_sheet
    from xsect.commands.keeping import keeping
    from xsect.judge.criteria import CriteriaError, load_criteria
    from xsect.pipeline import Options, measure_lot
    from xsect.report.standing import all_passed
    from xsect.report.write import check_writable, write_outputs

    try:
        rows = read_lot_sheet(sheet)
        judged_by = load_criteria(criteria) if criteria else None
        options = Options(judged_by, out, today, calibration, max_pixels, bar_um)
        check_writable(out)
        with (
            keeping(store, rows, options, resume=resume, jobs=jobs) as kept,
            _progress(len(rows.rows) + len(rows.problems), quiet=quiet) as advance,
        ):

            def done(record: SectionRecord) -> None:
                kept.keep(record)
                advance(record.row.section)

            lot = measure_lot(sheet, options, jobs=jobs, on_section=done, already=kept.already)
            lot = kept.finish(lot)
        write_outputs(lot, out)
    except (SheetError, CriteriaError, OSError) as error:
        raise CouldNotRun(str(error)) from error
    except BrokenExecutor as error:
        why = "the system ended a worker, perhaps for lack of memory: try --jobs 1"
        raise CouldNotRun(f"{sheet}: {why}") from error
    _print_faults(lot)
    if not quiet:
        _print_summary(lot, out)
        if store:
            click.echo(kept.told())
    return all_passed(lot)


@contextmanager
def _progress(sections: int, *, quiet: bool) -> Iterator[Callable[[str], None]]:
    """Show a progress bar on stderr, where that is a terminal; yield the function that advances it."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    from xsect.report.wording import printable

    console = Console(stderr=True)
    columns = (
        TextColumn("Measuring"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(),
        TextColumn("{task.fields[section]}", markup=False),
    )  # fmt: skip
    shown = console.is_terminal and not quiet
    with Progress(*columns, console=console, transient=True, disable=not shown) as bar:
        task = bar.add_task("", total=sections, section="")
        yield lambda section: bar.update(task, advance=1, section=printable(section))


def _print_faults(lot: LotRecord) -> None:
    """Print to stderr why sections were not measured, a line each, and the sheet's doubtful columns."""
    from xsect.report.wording import printable

    name = lot.sheet.path.name
    for note in lot.sheet.notes:
        click.echo(printable(f"{name}: {note}"), err=True)
    for record in lot.sections:
        for finding in (found for found in record.findings if found.effect == "not_measured"):
            place = "" if finding.code == "row_invalid" else f"{name}: row {record.row.number}, "
            click.echo(printable(f"{place}{finding.sentence}"), err=True)


def _print_summary(lot: LotRecord, out: Path) -> None:
    from xsect.report.summary import summary

    terminal().print(summary(lot))
    click.echo(f"Report: {out / 'report.html'} and report.pdf; tables and run.json beside them")
