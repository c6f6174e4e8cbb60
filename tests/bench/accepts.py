"""False accepts: sections around a limit, judged by the guarded rule with the intervals that the package gives.

python -m tests.bench.accepts --seeds 4000:4026 --rows accepts.jsonl

Of each section the limit is set at random within 6 % of the true bond width, so that half of them truly fail. Sections
are small pictures of all kinds and difficulties; truth, not the measurement, says who may pass.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import click
import cv2
import numpy as np
from scipy.stats import beta

from tests.bench.pages import put
from tests.bench.passes import Seeds, Seen, cases, read, run_pass
from xsect.judge.decision import VerdictWord, decide
from xsect.judge.guard import guarded_interval
from xsect.measure.model_error import Factors, learned, with_model_error

HEADING = "False accepts around a limit"
WIDTH_PX = 700
AROUND = 0.06
"""Limits lie within this share of the truth, evenly spread: most intervals straddle such a limit or come near."""
RISK = 0.025
"""Share of sections on the limit that a 95 % interval lets pass."""


@dataclass(frozen=True)
class Judged:
    """One section against one limit ``at_least``: its truth, what was measured, its verdict."""

    seen: Seen
    at_least: float
    truth: float
    value: float
    expanded: float
    verdict: VerdictWord

    @property
    def fails(self) -> bool:
        """Whether it truly is below the limit."""
        return self.truth < self.at_least

    @property
    def beyond(self) -> float:
        """By how much it truly is below the limit, in expanded uncertainties."""
        return (self.at_least - self.truth) / self.expanded


def limit_of(seen: Seen, truth: float, number: int = 0) -> float:
    """Return a limit near the truth; the same section always has the same."""
    rng = np.random.default_rng([zlib.crc32(seen.case.name.encode()), number])
    return truth * (1 + float(rng.uniform(-AROUND, AROUND)))


def judge(seen: Iterable[Seen], factors: Factors) -> list[Judged]:
    """Judge every section whose bond width was measured; one that needs a look is undecided at best."""
    out = []
    for one in seen:
        pair = one.find("bond_width")
        if pair is None or pair.truth <= 0:
            continue
        made = with_model_error([pair.made], one.regime, factors)[0]
        at_least = limit_of(one, pair.truth)
        low, high = guarded_interval(made.value, made.u, made.low, made.high)
        verdict = decide(low, high, at_least=at_least)
        if verdict == "accept" and "needs_review" in (one.status, made.status):
            verdict = "undecided"
        out.append(Judged(one, at_least, pair.truth, made.value, (made.high - made.low) / 2, verdict))
    return out


def report(seen: Sequence[Seen], judged: Sequence[Judged]) -> list[str]:
    """Return what came of it in Markdown."""
    failing = [one for one in judged if one.fails]
    passing = [one for one in judged if not one.fails]
    false = [one for one in failing if one.verdict == "accept"]
    far = [one for one in false if one.beyond > 1]
    good_rejected = [one for one in passing if one.verdict == "reject"]
    lines = [
        f"{len(seen)} sections, bond width measured in {len(judged)}; limits within {AROUND:.0%} of the truth.",
        "",
        "| truly | sections | accept | reject | undecided |",
        "| --- | --- | --- | --- | --- |",
    ]
    for name, here in (("above the limit", passing), ("below the limit", failing)):
        counts = [sum(one.verdict == word for one in here) for word in ("accept", "reject", "undecided")]
        lines.append(f"| {name} | {len(here)} | " + " | ".join(map(str, counts)) + " |")
    most = float(beta.ppf(0.975, len(false) + 1, len(failing) - len(false))) if failing else 1.0
    share = len(false) / max(len(failing), 1)
    lines += [
        "",
        f"False accepts: {len(false)} of {len(failing)} that truly fail ({share:.2%}; 95 % sure below {most:.2%}; "
        f"a 95 % interval allows {RISK:.1%} of those on the limit).",
        f"Of these, below the limit by more than the expanded uncertainty: {len(far)}.",
        f"Rejected although above the limit: {len(good_rejected)} of {len(passing)}.",
    ]
    for one in false:
        lines.append(
            f"- {one.seen.case.name}: limit {one.at_least:.1f}, true {one.truth:.1f}, measured {one.value:.1f} ± "
            f"{one.expanded:.1f} µm, below the limit by {one.beyond:.2f} U ({one.seen.regime})"
        )
    return lines


@click.command(help=__doc__)
@click.option("--seeds", type=Seeds(), default="4000:4026", show_default=True)
@click.option("--looks", default="second", show_default=True, help="Comma-separated.")
@click.option(
    "--rows",
    required=True,
    multiple=True,
    type=click.Path(path_type=Path),
    help="Sections go into the first file.",
)
@click.option("--cache", type=click.Path(path_type=Path), help="Folder in which drawn sections are kept.")
@click.option("--only-report", is_flag=True, help="Judge what the files hold already.")
@click.option("--page", type=click.Path(path_type=Path), help="Write the report into this page (Markdown).")
def main(
    seeds: list[int],
    looks: str,
    rows: tuple[Path, ...],
    cache: Path | None,
    only_report: bool,
    page: Path | None,
) -> None:
    """Run the bench."""
    cv2.setNumThreads(1)
    if only_report:
        seen = [one for path in rows for one in read(path)]
    else:
        every = (
            case for seed in seeds for look in looks.split(",") for case in cases(look, [seed], WIDTH_PX)
        )
        seen = run_pass(every, rows[0], cache)
    lines = report(seen, judge(seen, learned()))
    click.echo("\n".join(lines))
    if page is not None:
        put(page, HEADING, lines)


if __name__ == "__main__":
    main()
