"""``xsect calibrate`` and ``xsect calibrations``: the scale of an objective and camera, and its proofs on file."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from xsect.commands.basics import DAY, NOT_ALL_ACCEPTED, PATH, CouldNotRun, Number, day, terminal

if TYPE_CHECKING:
    from rich.table import Table

    from xsect.capture.calibrate import Calibration
    from xsect.capture.calibration import CalibrationRecord, RecordStatus
    from xsect.capture.drift import DriftSeries


_LENGTH = Number(min=0, min_open=True)


@click.command(short_help="Make a calibration record from pictures of a stage micrometer.")
@click.argument("images", type=PATH, nargs=-1, required=True, metavar="IMAGE...")
@click.option("--name", metavar="NAME", help="Name of the record; where left out, none is made.")
@click.option("--objective", metavar="TEXT", default="", help="Objective.")
@click.option("--camera", metavar="TEXT", default="", help="Camera.")
@click.option("--binning", type=click.IntRange(1), metavar="N", default=1, show_default=True, help="Binning.")
@click.option("--operator", metavar="TEXT", default="", help="Who took the pictures.")
@click.option("--certificate", metavar="TEXT", default="", help="The micrometer's certificate.")
@click.option(
    "--pitch-um", type=_LENGTH, required=True, metavar="UM", help="Pitch of its shortest lines, µm."
)
@click.option(
    "--u-pitch-um",
    type=Number(min=0),
    metavar="UM",
    help="Its standard uncertainty.  [default: an allowance]",
)
@click.option("--grid", is_flag=True, help="The micrometer is a square grid.")
@click.option(
    "--celsius", type=Number(-20, 60), metavar="C", help="Temperature of the micrometer, with --u-celsius."
)
@click.option("--u-celsius", type=Number(min=0), metavar="K", help="Standard uncertainty of the temperature.")
@click.option("--date", type=DAY, metavar="YYYY-MM-DD", help="Day of the pictures.  [default: today]")
@click.option(
    "--valid-until", type=DAY, metavar="YYYY-MM-DD", help="Last day of use.  [default: after a year]"
)
@click.option("--supersedes", metavar="NAME", help="The record that this one replaces.")
@click.option("--notes", metavar="TEXT", default="", help="Free text.")
@click.option(
    "--folder",
    type=PATH,
    metavar="DIR",
    default=Path("calibration"),
    show_default=True,
    help="Folder of the records.",
)
def calibrate(
    images: tuple[Path, ...],
    name: str | None,
    objective: str,
    camera: str,
    binning: int,
    operator: str,
    certificate: str,
    pitch_um: float,
    u_pitch_um: float | None,
    grid: bool,
    celsius: float | None,
    u_celsius: float | None,
    date: dt.datetime | None,
    valid_until: dt.datetime | None,
    supersedes: str | None,
    notes: str,
    folder: Path,
) -> None:
    """Make a calibration record from pictures of a certified stage micrometer: IMAGE... along the picture's rows, its
    columns or both, as many as there are.

    Writes the record, copies of the pictures, and a sheet (PDF) that shows how the scale was found. Nothing on file
    is overwritten. Without --name the scale is read and told, and nothing is written.
    """
    from xsect.capture.calibrate import Setup, Standard, calibrate, check_replaced, save_calibration
    from xsect.capture.micrometer import Thermal
    from xsect.reasons import Refusal
    from xsect.report.calibration_sheet import calibration_sheet

    if (celsius is None) != (u_celsius is None):
        raise click.UsageError("--celsius and --u-celsius go together")
    thermal = None if celsius is None or u_celsius is None else Thermal(celsius, u_celsius)
    on = day(date)
    needed = {"--objective": objective, "--camera": camera, "--operator": operator}
    missing = [option for option, value in needed.items() if not value]
    if name and missing:
        raise click.UsageError(f"a record (--name) needs {', '.join(missing)} too")
    last = valid_until.date() if valid_until else _after_a_year(on)
    setup = Setup(
        name or "reading",
        objective or "-",
        camera or "-",
        operator or "-",
        on,
        last,
        binning,
        supersedes,
        notes,
    )
    standard = Standard(certificate, pitch_um, u_pitch_um, thermal, grid)
    try:
        if supersedes:
            check_replaced(setup, folder)
        made = calibrate(images, setup, standard)
        files = save_calibration(made, folder, calibration_sheet(made)) if name else []
    except (Refusal, ValueError, OSError) as error:
        raise CouldNotRun(str(error)) from error
    _print_calibration(made, files)


def _after_a_year(on: dt.date) -> dt.date:
    """Return the last day of the year that begins on a date; a year is common practice."""
    try:
        return on.replace(year=on.year + 1) - dt.timedelta(days=1)
    except ValueError:  # 29 February
        return on.replace(year=on.year + 1, day=28)


@click.command(short_help="List the calibration records on file and how the scales drift.")
@click.option(
    "--folder",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    metavar="DIR",
    default=Path("calibration"),
    show_default=True,
    help="Folder of the records.",
)
@click.option("--date", type=DAY, metavar="YYYY-MM-DD", help="State on this day.  [default: today]")
@click.option(
    "--runs",
    type=click.Path(exists=True, path_type=Path),
    metavar="PATH",
    help="Check the records against this run.json, or all in and below this folder.",
)
@click.option("--charts", type=PATH, metavar="DIR", help="Write a control chart of each scale there (SVG).")
def calibrations(folder: Path, date: dt.datetime | None, runs: Path | None, charts: Path | None) -> None:
    """List the calibration records of a folder: scale, state on a day, what is wrong with them, and how the scale
    of each objective and camera has changed from one record to the next.

    Exit status with --runs: 1 where a record that a run used was changed or is gone.
    """
    from xsect.capture.calibration import list_records
    from xsect.capture.drift import calibration_drift

    found = list_records(folder, day(date))
    if not found:
        raise CouldNotRun(f"{folder}: holds no calibration record")
    console = terminal()
    console.print(_record_table(found))
    drift = calibration_drift(one.loaded.record for one in found if one.loaded)
    for series in drift:
        if len(series.points) > 1:
            console.print()
            console.print(_drift_table(series))
    if charts:
        _write_charts(drift, charts)
    if runs and not _all_unchanged(runs, folder):
        raise SystemExit(NOT_ALL_ACCEPTED)


def _all_unchanged(runs: Path, folder: Path) -> bool:
    """Tell what became of the records that runs used."""
    from xsect.report.used_records import used_records

    try:
        uses = used_records(runs, folder)
    except (ValueError, OSError) as error:
        raise CouldNotRun(str(error)) from error
    click.echo()
    for use in uses:
        click.echo(use.sentence, err=not use.unchanged)
    if not uses:
        click.echo(f"{runs}: no run there used a calibration record")
    return all(use.unchanged for use in uses)


def _write_charts(drift: Iterable[DriftSeries], folder: Path) -> None:
    from xsect.report.drift_chart import drift_chart

    try:
        folder.mkdir(parents=True, exist_ok=True)
        # One calibration alone has not drifted.
        for number, series in enumerate((one for one in drift if len(one.points) > 1), 1):
            path = folder / f"drift-{number}.svg"
            path.write_text(drift_chart(series), encoding="utf-8", newline="\n")
            click.echo(f"Chart of {series.title}: {path}")
    except OSError as error:
        raise CouldNotRun(f"{folder}: the charts cannot be written: {error.strerror or error}") from error


def _print_calibration(made: Calibration, files: list[Path]) -> None:
    record = made.record
    skew = "" if made.scales.skew_deg is None else f", axes {record.axes_deg:.2f}° apart"
    until = f", valid until {record.valid_until}" if files else ""
    click.echo(
        f"{record.name}: {record.um_per_px_x:g} µm/px along rows, {record.um_per_px_y:g} along columns{skew}, "
        f"relative standard uncertainty {record.u_relative:.2%}{until}"
    )
    for caution in made.scales.cautions:
        click.echo(f"Caution: {caution}")
    if files:
        click.echo("Written: " + ", ".join(str(path) for path in files))
    else:
        click.echo("Nothing was written: give --name for a record.")


def _record_table(found: list[RecordStatus]) -> Table:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="dim")
    for heading in ("Record", "Objective, camera", "µm/px", "u", "Valid", "State"):
        table.add_column(heading, justify="right" if heading in ("µm/px", "u") else "left")
    for one in found:
        record = one.loaded.record if one.loaded else None
        table.add_row(
            Text(one.name),
            Text(f"{record.objective}, {record.camera}" if record else ""),
            _both_axes(record) if record else "",
            f"{record.u_relative:.2%}" if record else "",
            f"{record.date} to {record.valid_until}" if record else "",
            Text(
                one.problem
                if one.problem.startswith(one.state)
                else ": ".join(filter(None, (one.state, one.problem)))
            ),
        )
    return table


def _both_axes(record: CalibrationRecord) -> str:
    x, y = record.um_per_px_x, record.um_per_px_y
    return f"{x:g}" if x == y else f"{x:g} × {y:g}"


def _drift_table(series: DriftSeries) -> Table:
    from rich.table import Table
    from rich.text import Text

    table = Table(
        title=Text(series.title), title_justify="left", box=None, pad_edge=False, header_style="dim"
    )
    for heading in ("Record", "Date", "µm/px", "Change", "Change over its u", ""):
        table.add_column(heading, justify="left" if heading in ("Record", "Date", "") else "right")
    for number, point in enumerate(series.points):
        table.add_row(
            Text(point.record.name),
            str(point.record.date),
            f"{point.um_per_px:.6g}",
            f"{point.change:+.3%}" if number else "",
            f"{point.sigma_change:+.1f}" if number else "",
            "outside the control limits" if point.outside else "",
        )
    return table
