"""The demo of an audit: two made-up packages drawn, audited, and what to look at."""

from __future__ import annotations

import datetime as dt
from importlib.resources import files
from pathlib import Path
from typing import Final

import click

from xsect.commands.audit import run
from xsect.commands.basics import CouldNotRun

_PACKAGES: Final = ("honest_package", "troubled_package")
_LOOK: Final = """
What to look at in {out}:
  reports/troubled_package/audit.html  a picture used twice, a scale off by 2, rounded-up widths, an expired calibration
  reports/honest_package/audit.html    a package that nothing major is found in
  packages/*/lot.csv, claim.toml       what a supplier's sheet and claim look like"""


def audit_demo(out: Path, *, jobs: int) -> None:
    """Draw both packages and their calibration records into a new folder, audit them and say what to look at."""
    from xsect.synth.demo_audit import write_packages

    if (out / "packages").exists():
        raise CouldNotRun(f"{out}: holds a demo already; name another folder with --out")
    click.echo("Drawing two packages and a stage micrometer …")
    criteria = out / "criteria.toml"
    try:
        write_packages(out / "packages")
        criteria.write_bytes((files("xsect.synth") / "demo_criteria.toml").read_bytes())
        _calibrate(out / "calibration")
    except OSError as error:
        raise CouldNotRun(f"{out}: the demo cannot be written: {error.strerror or error}") from error
    for name in _PACKAGES:
        click.echo(f"\nAuditing {name} …")
        folder = out / "packages" / name
        run(
            folder / "lot.csv", criteria=criteria, claim=folder / "claim.toml", out=out / "reports" / name,
            today=dt.date.today(), jobs=jobs,
        )  # fmt: skip
    click.echo(_LOOK.format(out=out))


def _calibrate(folder: Path) -> None:
    """File the records of the two made-up benches: one in force, one that had expired."""
    import tempfile

    from xsect.capture.calibrate import Setup, Standard, calibrate, save_calibration
    from xsect.synth.demo import CALIBRATION, write_micrometer
    from xsect.synth.demo_audit import OLD_CALIBRATION

    setups = (
        Setup(CALIBRATION, "5x/0.13", "bench 2", "bench 2", dt.date(2026, 9, 14), dt.date(2027, 9, 13)),
        Setup(OLD_CALIBRATION, "5x/0.13", "bench 1", "bench 1", dt.date(2025, 6, 2), dt.date(2026, 6, 1)),
    )
    with tempfile.TemporaryDirectory() as place:
        write_micrometer(Path(place))
        pictures = [Path(place) / f"{CALIBRATION}_{axis}.png" for axis in ("rows", "columns")]
        for setup in setups:
            save_calibration(calibrate(pictures, setup, Standard("SM-50-0231 (made up)", 50.0, 0.02)), folder)
