"""Intervals that hold: learn the model error on one family of drawings, prove it on another.

python -m tests.bench.intervals look --look synth  --seeds 0:12 --rows synth.jsonl
python -m tests.bench.intervals learn synth.jsonl
python -m tests.bench.intervals look --look second --seeds 3000:3006 --rows second.jsonl
python -m tests.bench.intervals prove second.jsonl --page docs/accuracy_factors.md
"""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import click
import cv2
import numpy as np
from scipy.special import ndtri
from scipy.stats import beta

import xsect
from tests.bench.pages import put
from tests.bench.passes import Pair, Seeds, Seen, cases, in_px, read, run_pass, vouched
from tests.bench.score import UNIT_SHOWN
from xsect.measure import model_error
from xsect.measure.model_error import REGIMES, Factors, widened
from xsect.quantities import COVERAGE_FACTOR, QUANTITIES

HELD = (0.94, 0.97)
"""Shares of readings that intervals shall hold at least and at most, inside the aim of 93 to 97 %."""
HEADING = "Intervals, quantity by quantity and regime by regime"
LEAST, MOST = 0.5, 3.0
"""Factors beyond these are not learned: an interval never shrinks below half of its budget's, and readings that would
need more than three times as much are mistakes, which widening can but hide: they are for the reasons to catch."""
AGREED = 20
"""Readings that a budget is taken to have got right before any is seen: a few outliers among few readings then move a
factor a little, many of them fully."""
BEYOND = 20.0
SLIGHT = 0.05
"""Change of a budget that so few readings do not tell."""
DIGITS = 3


@dataclass(frozen=True)
class Learned:
    """A factor and the readings behind it."""

    factor: float
    readings: int


def need(pair: Pair) -> float:
    """Return the least factor with which the interval holds the truth, between LEAST and BEYOND.

    By bisection on what the package itself makes of a factor, so that cut intervals and degrees of freedom count as
    they will.
    """
    low, high = math.log(LEAST), math.log(BEYOND)
    if holds(pair, LEAST):
        return LEAST
    if not holds(pair, BEYOND):
        return BEYOND
    while high - low > 1e-4:
        middle = (low + high) / 2
        low, high = (low, middle) if holds(pair, math.exp(middle)) else (middle, high)
    return math.exp(high)


def holds(pair: Pair, factor: float) -> bool:
    """Return whether the interval, widened by a factor, holds the truth."""
    made = widened(pair.made, factor)
    slack = 1e-9 * max(abs(pair.truth), 1.0)
    return made.low - slack <= pair.truth <= made.high + slack


def rank_factor(needs: Sequence[float]) -> float:
    """Return the factor from the needs of single readings: the one nearest to 1 that holds a share within HELD.

    The need at rank p (n + 1) of n, between two readings in proportion: intervals so widened hold the next reading with
    probability p, whatever the distribution. To the readings come AGREED ones of a budget that is right, evenly spread
    over a normal distribution. So a budget stands where it holds enough and not too much, is widened until it holds
    enough, and shrinks until it no longer holds too much.
    """
    right = ndtri(0.5 + (np.arange(AGREED) + 0.5) / AGREED / 2) / COVERAGE_FACTOR
    every = np.minimum([*needs, *np.maximum(right, LEAST)], MOST)
    least, most = (float(np.quantile(every, share, method="weibull")) for share in HELD)
    factor = round(min(max(1.0, least), most), DIGITS)
    return 1.0 if abs(factor - 1) < SLIGHT else factor


def learn_factors(seen: Iterable[Seen]) -> dict[tuple[str, str], Learned]:
    """Return the factors by (quantity, regime) of what is vouched for."""
    needs: dict[tuple[str, str], list[float]] = defaultdict(list)
    for one, pair in vouched(seen):
        needs[pair.made.quantity, one.regime].append(need(pair))
    return {
        (name, regime): Learned(rank_factor(needs[name, regime]), len(needs[name, regime]))
        for name in QUANTITIES
        for regime in REGIMES
        if (name, regime) in needs
    }


def write_factors(found: dict[tuple[str, str], Learned], seen: Sequence[Seen], path: Path) -> None:
    """Write the package's file of factors with what they were learned on."""
    looks = sorted({one.case.look for one in seen})
    seeds = spans({one.case.seed for one in seen})
    lines = [
        "# Factors on the standard uncertainty of a budget, the scale's part left out: see model_error.py.",
        "# Written by: python -m tests.bench.intervals learn",
        "[learned]",
        f'drawings = "{", ".join(looks)}"',
        f'seeds = "{seeds}"',
        f'kinds = "{", ".join(dict.fromkeys(one.case.kind for one in seen))}"',
        f"sections = {len(seen)}",
        f"vouched_for = {sum(one.status == 'measured' for one in seen)}",
        f"date = {dt.date.today()}",
        f'version = "{xsect.__version__}"',
        f"held = [{HELD[0]}, {HELD[1]}]",
    ]
    for name in dict.fromkeys(name for name, _ in found):
        lines += ["", f"[factor.{name}]"]
        for regime in REGIMES:
            if (name, regime) in found:
                one = found[name, regime]
                lines.append(f'"{regime}" = {{ factor = {one.factor}, readings = {one.readings} }}')
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def spans(numbers: set[int]) -> str:
    """Write whole numbers as spans: 0-11, 20-31."""
    out: list[list[int]] = []
    for number in sorted(numbers):
        if out and number == out[-1][1] + 1:
            out[-1][1] = number
        else:
            out.append([number, number])
    return ", ".join(f"{first}-{last}" if last > first else str(first) for first, last in out)


def table(seen: Iterable[Seen], factors: Factors, *, by_regime: bool) -> list[str]:
    """Return a Markdown table: coverage before and after, with the 95 % confidence interval of the latter, half-width.

    The confidence interval is that of Clopper and Pearson: what the true coverage may be, given so many readings.
    """
    groups: dict[tuple[str, str], list[tuple[Seen, Pair]]] = defaultdict(list)
    for one, pair in vouched(seen):
        groups[pair.made.quantity, one.regime if by_regime else "all"].append((one, pair))
    head = ["quantity", "regime", "readings", "budget alone", "with model error", "true coverage, 95 % sure",
            "median half-width", "budget's", "median error", "factor"]  # fmt: skip
    lines = [_line(head), _line(["---"] * len(head))]
    for name in QUANTITIES:
        for regime in (*REGIMES, "all"):
            here = groups.get((name, regime), [])
            if here:
                lines.append(_line([name, regime, *_cells(here, factors, regime)]))
    return lines


def _cells(here: Sequence[tuple[Seen, Pair]], factors: Factors, regime: str) -> list[str]:
    n, pairs = len(here), [pair for _, pair in here]
    applied = [factors.get((pair.made.quantity, one.regime), 1.0) for one, pair in here]
    before = sum(holds(pair, 1.0) for pair in pairs)
    after = sum(holds(pair, factor) for pair, factor in zip(pairs, applied, strict=True))
    low = float(beta.ppf(0.025, after, n - after + 1)) if after else 0.0
    high = float(beta.ppf(0.975, after + 1, n - after)) if after < n else 1.0
    unit = pairs[0].made.unit
    shown = UNIT_SHOWN[unit]
    by = 100.0 if unit == "fraction" else 1.0
    scaled = [in_px(pair, one.um_per_px) for one, pair in here]
    half = [
        by * (widened(pair.made, factor).high - widened(pair.made, factor).low) / 2
        for pair, factor in zip(scaled, applied, strict=True)
    ]
    plain = [by * (pair.made.high - pair.made.low) / 2 for pair in scaled]
    error = [by * abs(pair.made.value - pair.truth) for pair in scaled]
    factor = f"{applied[0]:.2f}" if regime != "all" else "–"
    return [
        str(n), f"{before / n:.0%}", f"{after / n:.1%}", f"{low:.0%} to {high:.0%}", f"{np.median(half):.2f} {shown}",
        f"{np.median(plain):.2f}", f"{np.median(error):.2f}", factor,
    ]  # fmt: skip


def _line(cells: Iterable[str]) -> str:
    return "| " + " | ".join(cells) + " |"


@click.group(help=__doc__)
def main() -> None:
    """Gather the commands."""
    cv2.setNumThreads(1)


@main.command()
@click.option("--look", required=True, type=click.Choice(["synth", "second"]))
@click.option("--seeds", required=True, type=Seeds())
@click.option(
    "--width-px", type=click.IntRange(300), help="Width of the pictures.  [default: the generator's own]"
)
@click.option(
    "--rows", required=True, type=click.Path(path_type=Path), help="Sections are added to this file."
)
@click.option("--cache", type=click.Path(path_type=Path), help="Folder in which drawn sections are kept.")
def look(look: str, seeds: list[int], width_px: int | None, rows: Path, cache: Path | None) -> None:
    """Measure drawn sections, and keep their budgets and truths."""
    run_pass(cases(look, seeds, width_px), rows, cache)


@main.command()
@click.argument("rows", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option(
    "--file",
    type=click.Path(path_type=Path),
    default=Path(model_error.__file__).with_name(model_error.FILE),
    help="Where the factors go.  [default: the package's own file]",
)
def learn(rows: tuple[Path, ...], file: Path) -> None:
    """Learn the factors and freeze them in a file."""
    seen = [one for path in rows for one in read(path)]
    found = learn_factors(seen)
    write_factors(found, seen, file)
    click.echo(f"{len(found)} factors from {len(seen)} sections: {file}")


@main.command()
@click.argument("rows", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option("--page", type=click.Path(path_type=Path), help="Write the tables into this page (Markdown).")
def prove(rows: tuple[Path, ...], page: Path | None) -> None:
    """Tell the coverage of the frozen factors on sections they were not learned on."""
    seen, factors = [one for path in rows for one in read(path)], model_error.learned()
    lines = [
        f"{len(seen)} sections of look {', '.join(sorted({one.case.look for one in seen}))}, seeds "
        f"{spans({one.case.seed for one in seen})}; {sum(one.status == 'measured' for one in seen)} vouched for. "
        "px are of the picture, pp percentage points.",
        "",
        *table(seen, factors, by_regime=False),
        "",
        *table(seen, factors, by_regime=True),
    ]
    click.echo("\n".join(lines))
    if page is not None:
        put(page, HEADING, lines)


if __name__ == "__main__":
    main()
