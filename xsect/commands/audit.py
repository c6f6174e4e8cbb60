"""``xsect audit``: a supplier's package measured anew and compared with what it states and claims."""

from __future__ import annotations

import datetime as dt
from contextlib import nullcontext
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from xsect.commands.basics import DAY, DONE, NOT_ALL_ACCEPTED, PATH, CouldNotRun, cores, day
from xsect.commands.measure import default_out

if TYPE_CHECKING:
    from xsect.audit.examine import ExaminedLot
    from xsect.audit.run import Audit
    from xsect.pipeline import Options


@click.command(short_help="Audit a supplier's sections against what is stated and claimed.")
@click.argument("sheet", type=PATH)
@click.option("--criteria", type=PATH, metavar="FILE", help="Judge by the clauses of this TOML file.")
@click.option("--claim", type=PATH, metavar="FILE", help="What the supplier says of the sample (TOML).")
@click.option(
    "--against", type=click.Path(exists=True, file_okay=False, path_type=Path), multiple=True, metavar="DIR",
    help="Folder of earlier pictures to look for re-use in, with its subfolders; may be given more than once.",
)  # fmt: skip
@click.option(
    "--store",
    metavar="STORE",
    help="Record store whose pictures are compared, too; this package's are added.",
)
@click.option(
    "--out", type=PATH, metavar="DIR", help="Folder for the report.  [default: reports/<lot>_audit]"
)
@click.option(
    "--jobs", type=click.IntRange(1), metavar="N", default=cores, show_default="number of cores",
    help="Pictures looked at a time.",
)  # fmt: skip
@click.option(
    "--calibration", type=click.Path(exists=True, file_okay=False, path_type=Path), metavar="DIR",
    help="Folder of calibration records.  [default: calibration/ beside the sheet or above it]",
)  # fmt: skip
@click.option(
    "--date", type=DAY, metavar="YYYY-MM-DD",
    help="Day of use of the calibration records, for rows without cut_on.  [default: today]",
)  # fmt: skip
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def audit(
    sheet: Path, criteria: Path | None, claim: Path | None, against: tuple[Path, ...], store: str | None,
    out: Path | None, jobs: int, calibration: Path | None, date: dt.datetime | None, quiet: bool,
) -> None:  # fmt: skip
    """Measure the sections of SHEET anew, compare them with what the sheet states and the claim says, look for pictures
    used twice and for scales that disagree, and write the audit report.

    Exit status: 0 no major finding, 1 at least one, 2 could not run.
    """
    folder = out or default_out(sheet).with_name(default_out(sheet).name + "_audit")
    clean = run(
        sheet, criteria=criteria, claim=claim, against=against, store=store, out=folder, jobs=jobs,
        calibration=calibration, today=day(date), quiet=quiet,
    )  # fmt: skip
    raise SystemExit(DONE if clean else NOT_ALL_ACCEPTED)


def run(
    sheet: Path, *, criteria: Path | None, claim: Path | None, out: Path, today: dt.date, jobs: int,
    against: tuple[Path, ...] = (), store: str | None = None, calibration: Path | None = None, quiet: bool = False,
) -> bool:  # fmt: skip
    """Audit one package and write its report; return whether it has no major finding. Raises CouldNotRun."""
    from xsect.audit.claim import NOTHING, ClaimError, load_claim
    from xsect.audit.findings import find_all
    from xsect.audit.known import pictures_in
    from xsect.audit.remembered import pictures_in_store, remember, small_copies
    from xsect.audit.reuse import no_copies, with_fingerprints
    from xsect.audit.run import audit_lot, pictures_of
    from xsect.capture.lot_sheet import SheetError
    from xsect.judge.criteria import CriteriaError, load_criteria
    from xsect.lots.database import StoreError, open_store
    from xsect.pipeline import Options
    from xsect.report.audit_report import write_audit
    from xsect.report.write import check_writable

    try:
        said = load_claim(claim) if claim else NOTHING
        judged_by = load_criteria(criteria) if criteria else None
        check_writable(out)
        examined = _examined(sheet, Options(judged_by, None, today, calibration), jobs=jobs)
        earlier = with_fingerprints(pictures_in(against, examined.lot), jobs=jobs)
        with open_store(store) if store else nullcontext() as opened:
            known = [*earlier, *(pictures_in_store(opened, examined.lot) if opened else ())]
            recall = partial(small_copies, opened) if opened else no_copies
            made = audit_lot(examined, said, known=known, jobs=jobs, recall=recall)
            write_audit(made, out)
            if opened:
                remember(opened, examined.lot, pictures_of(examined), earlier)
    except (SheetError, CriteriaError, ClaimError, StoreError, OSError) as error:
        raise CouldNotRun(str(error)) from error
    _print_faults(made)
    if not quiet:
        _print(made, out)
    return all(one.grade != "major" for one in find_all(made))


def _examined(sheet: Path, options: Options, *, jobs: int) -> ExaminedLot:
    """Measure a lot and look at its pictures, both in the same processes, so that each starts with warm libraries."""

    from xsect.audit.examine import ExaminedLot, examine, look_at
    from xsect.capture.calibration import find_folder
    from xsect.capture.lot_sheet import read_lot_sheet
    from xsect.pipeline import measure_lot, measure_section

    options = replace(options, calibration_folder=find_folder(sheet.parent, options.calibration_folder))
    measured = partial(measure_section, options=options)
    look = partial(look_at, calibration_folder=options.calibration_folder, today=options.today)
    done = examine(read_lot_sheet(sheet).rows, measured, look, jobs=jobs)
    # what is left to measure are rows that cannot be
    lot = measure_lot(
        sheet, options, already=lambda row: done[row.number].record if row.number in done else None
    )
    return ExaminedLot(lot, tuple(done.get(one.row.number) or look(one) for one in lot.sections))


def _print_faults(made: Audit) -> None:
    """Print to stderr why sections were not measured, a line each, and the sheet's doubtful columns."""
    from xsect.report.wording import printable

    name = made.lot.sheet.path.name
    for note in made.lot.sheet.notes:
        click.echo(printable(f"{name}: {note}"), err=True)
    for record in made.lot.sections:
        for finding in (found for found in record.findings if found.effect == "not_measured"):
            place = "" if finding.code == "row_invalid" else f"{name}: row {record.row.number}, "
            click.echo(printable(f"{place}{finding.sentence}"), err=True)


def _print(made: Audit, out: Path) -> None:
    from xsect.audit.findings import find_all

    for one in find_all(made):
        where = f" ({', '.join(one.where)})" if one.where else ""
        click.echo(f"{one.grade}: {one.title}{where}")
    click.echo(f"Report: {out / 'audit.html'} and audit.pdf; findings.csv and run.json beside them")
