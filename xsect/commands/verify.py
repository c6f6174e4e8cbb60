"""``xsect verify``: a finished run measured again, and what differs from what it left behind."""

from __future__ import annotations

from pathlib import Path

import click

from xsect.commands.basics import DONE, NOT_ALL_ACCEPTED, PATH, CouldNotRun, cores


@click.command(short_help="Measure a finished run again and tell what differs.")
@click.argument("folder", type=PATH, metavar="DIR")
@click.option(
    "--sheet",
    type=PATH,
    metavar="FILE",
    help="Its lot sheet.  [default: found by name and hash in DIR, above it, or below the working directory]",
)
@click.option(
    "--calibration",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    metavar="DIR",
    help="Folder of calibration records.  [default: calibration/ beside the sheet or above it]",
)
@click.option(
    "--jobs",
    type=click.IntRange(1),
    metavar="N",
    default=cores,
    show_default="number of cores",
    help="Sections measured at a time.",
)
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def verify(folder: Path, sheet: Path | None, calibration: Path | None, jobs: int, quiet: bool) -> None:
    """Recompute the hashes of all inputs of the run in DIR, measure its sections again and compare every output.

    Exit status: 0 nothing differs, 1 something does, 2 could not run.
    """
    from xsect.capture.lot_sheet import SheetError
    from xsect.judge.criteria import CriteriaError
    from xsect.report.wording import printable
    from xsect.verify import verify as verify_run

    try:
        made = verify_run(folder, sheet=sheet, calibration=calibration, jobs=jobs)
    except (SheetError, CriteriaError, ValueError, OSError) as error:
        raise CouldNotRun(str(error)) from error
    count = len(made.differences)
    if not quiet:
        for one in made.differences:
            click.echo(printable(one.sentence))
        found = f"{count} difference{'' if count == 1 else 's'}" if count else "nothing differs"
        sections = f"{made.sections} section{'' if made.sections == 1 else 's'}"
        click.echo(f"{sections} measured again, {made.files} files compared: {found}")
    raise SystemExit(NOT_ALL_ACCEPTED if count else DONE)
