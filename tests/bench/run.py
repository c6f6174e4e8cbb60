"""The truth bench: draw sections of known geometry, measure them, and tell how far the measurements are off.

python -m tests.bench.run --look second --kinds unetched,etched --seeds 100:110 --jobs 2 --out bench.md
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import click
import cv2

from tests.bench.outcomes import Outcome, measure_case
from tests.bench.overlay import write_overlay
from tests.bench.score import report, write_readings
from tests.bench.sections import LOOKS, Case, drawn


@dataclass(frozen=True)
class Job:
    """One case and where its files go."""

    case: Case
    cache: Path | None
    overlay: Path | None
    only_draw: bool


def run_job(job: Job) -> Outcome | None:
    """Measure one case with the main job; runs in a worker."""
    if job.only_draw:
        drawn(job.case, job.cache)
        return None
    from xsect.pipeline import measure_micrograph

    outcome, section, result = measure_case(job.case, measure_micrograph, job.cache)
    if job.overlay is not None:
        write_overlay(job.overlay, outcome, section, result)
    return outcome


def run_jobs(jobs: list[Job], workers: int) -> Iterator[Outcome | None]:
    """Yield the outcomes in the order of the jobs."""
    if workers == 1:
        cv2.setNumThreads(1)
        yield from map(run_job, jobs)
        return
    with get_context("spawn").Pool(workers, cv2.setNumThreads, (1,)) as pool:
        yield from pool.imap(run_job, jobs)


def seed_range(text: str) -> range:
    """Return the seeds of ``first:last`` (last left out), or of a single number."""
    first, _, last = text.partition(":")
    try:
        seeds = range(int(first), int(last) if last else int(first) + 1)
    except ValueError:
        raise click.BadParameter(f"{text!r}: must be a number, or first:last") from None
    if not seeds:
        raise click.BadParameter(f"{text!r}: holds no seed")
    return seeds


def names(text: str, known: tuple[str, ...], option: str) -> list[str]:
    """Return the comma-separated names, all known ones where none are given."""
    chosen = text.split(",") if text else list(known)
    for name in chosen:
        if name not in known:
            raise click.BadParameter(f"{option} = {name!r}: must be of {', '.join(known)}")
    return chosen


@click.command(help=__doc__)
@click.option("--look", type=click.Choice(list(LOOKS)), default="second", show_default=True)
@click.option("--kinds", default="", help="Comma-separated; all where left out.")
@click.option("--difficulty", default="", help="Comma-separated: easy, fair, hard; all where left out.")
@click.option("--seeds", default="100:110", show_default=True, help="first:last, last left out.")
@click.option("--jobs", default=1, show_default=True, type=click.IntRange(1))
@click.option("--out", type=click.Path(path_type=Path), help="Write the report (Markdown) there as well.")
@click.option("--rows", type=click.Path(path_type=Path), help="Write every single reading (CSV) there.")
@click.option("--cache", type=click.Path(path_type=Path), help="Folder in which drawn sections are kept.")
@click.option("--overlay", type=click.Path(path_type=Path), help="Folder for one marked picture a section.")
@click.option("--flagged", is_flag=True, help="Tell the errors of sections put aside as well.")
@click.option("--only-draw", is_flag=True, help="Fill the cache and measure nothing.")
def main(
    look: str, kinds: str, difficulty: str, seeds: str, jobs: int, out: Path | None, rows: Path | None,
    cache: Path | None, overlay: Path | None, flagged: bool, only_draw: bool,
) -> None:  # fmt: skip
    """Run the bench."""
    if only_draw and cache is None:
        raise click.UsageError("--only-draw needs --cache: the drawings would be lost")
    module = LOOKS[look]
    cases = [
        Case(look, kind, level, seed)
        for kind in names(kinds, module.KINDS, "--kinds")
        for level in names(difficulty, module.DIFFICULTIES, "--difficulty")
        for seed in seed_range(seeds)
    ]
    todo = [Job(case, cache, overlay, only_draw) for case in cases]
    outcomes = [one for one in run_jobs(todo, jobs) if one is not None]
    if only_draw:
        return
    text = report(outcomes, f"Truth bench, look {look}, seeds {seeds}", flagged=flagged)
    click.echo(text)
    if out is not None:
        out.write_text(text + "\n")
    if rows is not None:
        write_readings(outcomes, rows)


if __name__ == "__main__":
    main()
