"""``xsect demo``: the whole job on lots that are drawn on the spot."""

from __future__ import annotations

import datetime as dt
from importlib.resources import files
from pathlib import Path
from typing import Final

import click

from xsect.commands.basics import PATH, CouldNotRun, cores
from xsect.commands.measure import run

CRITERIA: Final = "tin_plated_copper_solid_state.toml"
_LOTS: Final = ("good_lot", "trouble_lot")
_LOOK: Final = """
What to look at in {out}:
  reports/good_lot/report.html     a lot whose sections are all accepted
  reports/trouble_lot/report.html  residual plating, a void, a narrow bond, a bond off its axis, a picture out of focus
  sample_images/*/lot.csv          what a lot sheet looks like; truth.csv beside it: what was drawn
  sample_images/criteria/          what criteria look like
  calibration/                     the record that proves the scale, and how it was found ({name}.pdf)"""


@click.command(short_help="Draw made-up lots, measure them and say what to look at.")
@click.option(
    "--out",
    type=PATH,
    metavar="DIR",
    default=Path("xsect_demo"),
    show_default=True,
    help="Folder for the pictures and reports.",
)
@click.option(
    "--jobs",
    type=click.IntRange(1),
    metavar="N",
    default=cores,
    show_default="number of cores",
    help="Sections measured at a time.",
)
@click.option("--audit", is_flag=True, help="Draw and audit two suppliers' packages instead.")
def demo(out: Path, jobs: int, audit: bool) -> None:
    """Draw a stage micrometer and two lots of made-up welds, calibrate, measure both lots and say what to look at."""
    if audit:
        from xsect.commands.demo_audit import audit_demo

        audit_demo(out, jobs=jobs)
        return
    from xsect.synth.demo import CALIBRATION, write_demo

    if (out / "calibration").exists():
        raise CouldNotRun(f"{out}: holds a demo already; name another folder with --out")
    samples = out / "sample_images"
    click.echo("Drawing a stage micrometer and two lots …")
    try:
        write_demo(samples)
        criteria = samples / "criteria" / CRITERIA
        criteria.parent.mkdir(parents=True, exist_ok=True)
        criteria.write_bytes((files("xsect.synth") / "demo_criteria.toml").read_bytes())
        _calibrate(out)
    except OSError as error:
        raise CouldNotRun(f"{out}: the demo cannot be written: {error.strerror or error}") from error
    for lot in _LOTS:
        click.echo(f"\nMeasuring {lot} …")
        run(
            samples / lot / "lot.csv",
            criteria=criteria,
            out=out / "reports" / lot,
            today=dt.date.today(),
            jobs=jobs,
        )
    click.echo(_LOOK.format(out=out, name=CALIBRATION))


def _calibrate(out: Path) -> None:
    """Draw the stage micrometer of the demo's microscope and file the record of it."""
    import tempfile

    from xsect.capture.calibrate import Setup, Standard, calibrate, save_calibration
    from xsect.report.calibration_sheet import calibration_sheet
    from xsect.synth.demo import CALIBRATION, write_micrometer

    setup = Setup(CALIBRATION, "5x/0.13", "bench 2", "bench 2", dt.date(2026, 9, 14), dt.date(2027, 9, 13))
    with tempfile.TemporaryDirectory() as folder:
        write_micrometer(Path(folder))
        pictures = [Path(folder) / f"{CALIBRATION}_{axis}.png" for axis in ("rows", "columns")]
        made = calibrate(pictures, setup, Standard("SM-50-0231 (made up)", 50.0, 0.02))
        save_calibration(made, out / "calibration")
    (out / "calibration" / f"{CALIBRATION}.pdf").write_bytes(calibration_sheet(made))
