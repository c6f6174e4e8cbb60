"""Trust: what putting sections aside at another limit would catch of the wrong ones, and cost of the good ones.

python -m tests.bench.trust synth.jsonl second.jsonl --page docs/accuracy_factors.md --figure docs/img/trust.png

Wrong: a bond width off by more than 10 %, or a bond told where there is none. Good: within that. Rows are those of
`tests.bench.intervals look` or `tests.bench.accepts`; sections refused outright are counted beside the curve.
"""

from __future__ import annotations

import math
import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta

from tests.bench.intervals import spans
from tests.bench.pages import put
from tests.bench.passes import Seen, read

WRONG = 0.1
HEADING = "Which wrong sections are put aside, and at what cost"
ASIDE = 0.05
LIMITS = (0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5, 2.0)


@dataclass(frozen=True)
class Curve:
    """Scores of good and of wrong sections, each ascending."""

    good: NDArray[np.float64]
    wrong: NDArray[np.float64]

    def at(self, limit: float) -> tuple[float, float]:
        """Return the shares of good sections put aside and of wrong ones caught: score above ``limit``."""
        return tuple(float(np.mean(of > limit)) if of.size else math.nan for of in (self.good, self.wrong))  # type: ignore[return-value]

    def best(self) -> float:
        """Return the lowest limit that puts at most ASIDE of the good sections aside."""
        return float(np.quantile(self.good, 1 - ASIDE, method="higher"))


def error(one: Seen) -> float:
    """Return the bond width's relative error, NaN where it was not measured."""
    pair = one.find("bond_width")
    if pair is None or pair.truth <= 0:
        return math.nan
    return abs(pair.made.value - pair.truth) / pair.truth


def curve(seen: Sequence[Seen]) -> Curve:
    """Return the curve of all sections with a bond width."""
    told = [(max(one.signs.values(), default=0.0), error(one)) for one in seen if math.isfinite(error(one))]
    scores, errors = (np.array(column) for column in zip(*told, strict=True))
    return Curve(np.sort(scores[errors <= WRONG]), np.sort(scores[errors > WRONG]))


def tables(seen: Sequence[Seen]) -> list[str]:
    """Return the trade-off, and which sign told the wrong ones, in Markdown."""
    found = curve(seen)
    refused = sum(one.status == "not_measured" for one in seen)
    lines = [
        f"{len(seen)} sections ({', '.join(sorted({one.case.look for one in seen}))}; seeds "
        f"{spans({one.case.seed for one in seen})}), {refused} refused outright; bond width measured in "
        f"{found.good.size + found.wrong.size}, of which {found.wrong.size} wrong by more than {WRONG:.0%}.",
        "",
        "| put aside from a score of | good sections put aside | wrong sections caught |",
        "| --- | --- | --- |",
    ]
    best = math.ceil(1000 * found.best()) / 1000
    for limit in sorted({*LIMITS, best}):
        aside, caught = found.at(limit)
        mark = " (the tool's limit)" if limit == 1 else " (5 % of the good)" if limit == best else ""
        lines.append(f"| {limit:g}{mark} | {aside:.1%} | {caught:.1%} |")
    n, k = found.wrong.size, int(np.sum(found.wrong > best))
    if n:
        low = float(beta.ppf(0.025, k, n - k + 1)) if k else 0.0
        lines += [
            "",
            f"At {ASIDE:.0%} of the good sections {k} of {n} wrong ones are caught; 95 % sure above {low:.0%}.",
        ]
    first = Counter(max(one.signs, key=lambda code: one.signs[code]) for one in seen if error(one) > WRONG)
    good = Counter(
        max(one.signs, key=lambda code: one.signs[code])
        for one in seen
        if error(one) <= WRONG and max(one.signs.values()) > 1
    )
    lines += ["", "| foremost sign | of wrong sections | of good ones above 1 |", "| --- | --- | --- |"]
    lines += [f"| {code} | {first[code]} | {good[code]} |" for code in dict.fromkeys((*first, *good))]
    missed = [one for one in seen if error(one) > WRONG and max(one.signs.values()) <= 1]
    lines += [f"- not caught: {one.case.name}, {error(one):.0%} ({one.regime})" for one in missed]
    return lines


def figure(seen: Sequence[Seen], path: Path) -> None:
    """Draw share caught against share put aside."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    found = curve(seen)
    limits = np.unique(np.concatenate([[0.0], found.good, found.wrong, LIMITS]))
    aside, caught = np.array([found.at(limit) for limit in limits]).T
    made = Figure(figsize=(6.4, 4.2), dpi=150, layout="constrained")
    FigureCanvasAgg(made)
    axes = made.add_subplot()
    axes.axvspan(
        0, 100 * ASIDE, color="#F0E442", alpha=0.35, lw=0, label=f"at most {ASIDE:.0%} of the good put aside"
    )
    axes.step(100 * aside, 100 * caught, where="post", color="#0072B2", lw=1.8, label="limit on the score")
    now = found.at(1.0)
    axes.plot(100 * now[0], 100 * now[1], "D", color="#D55E00", ms=8, label="the tool's limit, 1")
    axes.set(
        xlabel="good sections put aside, %", ylabel="wrong sections caught, %", xlim=(0, 40), ylim=(0, 102),
        title=f"Bond width wrong by more than {WRONG:.0%}: {found.wrong.size}; good: {found.good.size}",
    )  # fmt: skip
    axes.grid(alpha=0.3)
    axes.legend(loc="lower right", frameon=True)
    made.savefig(path)


@click.command(help=__doc__)
@click.argument("rows", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option("--page", type=click.Path(path_type=Path), help="Write the tables into this page (Markdown).")
@click.option("--figure", "picture", type=click.Path(path_type=Path), help="Draw the curve there (PNG).")
def main(rows: tuple[Path, ...], page: Path | None, picture: Path | None) -> None:
    """Run the bench."""
    seen = [one for path in rows for one in read(path)]
    lines = tables(seen)
    click.echo("\n".join(lines))
    if page is not None:
        shown = (
            ["", f"![share of wrong sections caught]({os.path.relpath(picture, page.parent)})"]
            if picture
            else []
        )
        put(page, HEADING, [*lines, *shown])
    if picture is not None:
        figure(seen, picture)


if __name__ == "__main__":
    main()
