"""``xsect explain``: what a name in a file, on a screen or in a report means."""

from __future__ import annotations

from pathlib import Path

import click

from xsect.commands.basics import PATH, CouldNotRun


@click.command(short_help="Explain a quantity, a reason, advice or a clause.")
@click.argument("term", nargs=-1, required=True)
@click.option("--criteria", type=PATH, metavar="FILE", help="Look among the clauses of this file too.")
def explain(term: tuple[str, ...], criteria: Path | None) -> None:
    """Explain TERM: a quantity, why a section was put aside, advice, or a clause of the criteria."""
    from xsect import explain as library
    from xsect.judge.criteria import load_criteria

    try:
        click.echo(library.explain(" ".join(term), load_criteria(criteria) if criteria else None))
    except ValueError as error:
        raise CouldNotRun(str(error)) from error
