"""``xsect layer``: the thickness of one coating or reaction layer in a picture of any cross-section."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

import click

from xsect.commands.basics import DAY, PATH, CouldNotRun, day

if TYPE_CHECKING:
    from xsect.measure.layer_image import LayerReadings


class _Place(click.ParamType[tuple[float, float]]):
    """A place in the picture: X,Y in px."""

    name = "X,Y"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """Read two numbers with a comma between them."""
        try:
            x, y = (float(part) for part in str(value).split(","))
        except ValueError:
            self.fail(f"{value!r}: must be two numbers, such as 512,300", param, ctx)
        return x, y


@click.command(short_help="Measure the thickness of one layer between two others in a picture.")
@click.argument("image", type=PATH)
@click.option(
    "--um-per-px", type=click.FloatRange(0, min_open=True), metavar="UM", help="Scale, µm per pixel."
)
@click.option("--calibration", metavar="NAME", default="", help="Calibration record that gives the scale.")
@click.option(
    "--folder", type=PATH, metavar="DIR", help="Folder of calibration records.  [default: calibration/]"
)
@click.option(
    "--at", type=_Place(), metavar="X,Y", help="A place (px) inside the layer, where there are several."
)
@click.option(
    "--tilt", type=click.FloatRange(0, 89.9), metavar="DEG", default=0.0, show_default=True,
    help="Lean of the cut against the layer's normal.",
)  # fmt: skip
@click.option(
    "--u-tilt", type=click.FloatRange(0, 45), metavar="DEG", default=0.0, show_default=True,
    help="Standard uncertainty of the lean.",
)  # fmt: skip
@click.option(
    "--out", type=PATH, metavar="DIR", help="Folder of table and figure.  [default: beside the picture]"
)
@click.option("--date", type=DAY, metavar="YYYY-MM-DD", help="Day of use of the record.  [default: today]")
def layer(
    image: Path, um_per_px: float | None, calibration: str, folder: Path | None, at: tuple[float, float] | None,
    tilt: float, u_tilt: float, out: Path | None, date: dt.datetime | None,
) -> None:  # fmt: skip
    """Measure the coating or reaction layer in IMAGE: a layer between two others, in any direction, thick or thin.

    Without a scale the thickness is told in pixels.
    """
    from xsect.capture.calibration import find_folder
    from xsect.measure.layer_image import as_given, measure_layer_file, write_readings
    from xsect.reasons import Refusal
    from xsect.report.layer_figure import draw_layer_picture

    try:
        found, pixels = measure_layer_file(
            image, um_per_px=um_per_px, calibration=calibration, calibration_folder=find_folder(image.parent, folder),
            today=day(date), at=at, tilt_deg=tilt, u_tilt_deg=u_tilt,
        )  # fmt: skip
        target = out or image.parent
        target.mkdir(parents=True, exist_ok=True)
        table, drawn = target / f"{image.stem}_layer.csv", target / f"{image.stem}_layer.png"
        write_readings(found, table)
        drawn.write_bytes(draw_layer_picture(pixels, found.view))
    except Refusal as refusal:
        said = as_given(str(refusal)).removeprefix(f"{image}: ")
        raise CouldNotRun(f"{image}: {said}") from None
    except OSError as error:
        raise CouldNotRun(f"{error.filename or out}: cannot be written: {error.strerror or error}") from error
    _tell(found)
    click.echo(f"Readings: {table}; picture: {drawn}")


def _tell(found: LayerReadings) -> None:
    import numpy as np

    unit = "µm" if found.unit == "um" else "px"

    def say(name: str, value: str) -> None:
        click.echo(f"{name:<20}{value}")

    digits = 1 if found.mean >= 100 else 2
    if found.resolved:
        say("mean", f"{found.mean:.{digits}f} {unit}")
    else:
        say("mean", f"at most {found.high:.{digits}f} {unit} (best guess {found.mean:.{digits}f})")
    say("u of the mean", f"{found.u_mean:.{digits + 1}f} {unit}")
    say("95 % interval", f"{found.low:.{digits}f} to {found.high:.{digits}f} {unit}")
    say("least, most", f"{found.least:.{digits}f}, {found.most:.{digits}f} {unit}")
    say("standard deviation", f"{found.sd:.{digits}f} {unit}")
    length = float(np.ptp(found.along))
    say("readings", f"{len(found.thickness)}, spread over {length:.4g} {unit} of the layer")
    if found.scale:
        source = "as given" if found.scale.source == "lot sheet" else found.scale.source
        say("scale", f"{found.scale.um_per_px:.5g} µm/px, {source}")
    lean = f"all values corrected for a lean of {found.tilt_deg:g}° (times its cosine)"
    say("oblique cut", lean if found.tilt_deg else "not corrected: no lean was given (--tilt)")
    click.echo("Stated as coating thickness on cross-sections is (after the idea of ISO 1463 and ASTM B487).")
    for note in found.notes:
        click.echo(f"Note: {note}")
