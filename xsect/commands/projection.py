"""``xsect projection``: a projection's dimensions against the published windows."""

from __future__ import annotations

import click

from xsect.commands.basics import DONE, NOT_ALL_ACCEPTED, CouldNotRun


@click.command(short_help="Check a projection's dimensions against published windows.")
@click.option(
    "--sheet-um", type=float, metavar="UM", required=True, help="Thickness of the part with the projection."
)
@click.option("--diameter-um", type=float, metavar="UM", required=True, help="Diameter of the projection.")
@click.option("--height-um", type=float, metavar="UM", required=True, help="Height of the projection.")
@click.option("--electrode-face-um", type=float, metavar="UM", help="Diameter of the electrode's face.")
@click.option(
    "--material", metavar="TEXT", default="", help="Material of that part; the tables are for steel."
)
def projection(
    sheet_um: float, diameter_um: float, height_um: float, electrode_face_um: float | None, material: str
) -> None:
    """Check whether a projection and the electrode's face lie in the published windows.

    Exit status: 0 each dimension lies in one window at least, 1 not each, 2 could not run.
    """
    from xsect.judge.projection import cautions, check_dimensions, outside

    try:
        checks = check_dimensions(
            sheet_um=sheet_um,
            diameter_um=diameter_um,
            height_um=height_um,
            electrode_face_um=electrode_face_um,
        )
    except ValueError as error:
        raise CouldNotRun(f"projection: {error}") from error
    for check in checks:
        sentence = check.sentence
        click.echo(f"{sentence[0].upper()}{sentence[1:]}.")
    missed = outside(checks)
    for name in missed:
        click.echo(f"The {name} lies in none of the windows above.")
    for caution in cautions(material):
        click.echo(caution)
    raise SystemExit(NOT_ALL_ACCEPTED if missed else DONE)
