"""Sampling: what a number of sections can show, by attributes plans and without failures, and by variables."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

LETTERS: Final = "ABCDEFGHJKLMNPQR"
SIZES: Final = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000)
AQLS: Final = (0.065, 0.1, 0.15, 0.25, 0.4, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0, 15.0)
"""Acceptance quality limits (% nonconforming) that the plans are made for."""

_LOT_ENDS: Final = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10000, 35000, 150000, 500000)
_CODES: Final = {
    "S-1": "AAAABBBBCCCCDDD", "S-2": "AAABBBCCCDDDEEE", "S-3": "AABBCCDDEEFFGGH", "S-4": "AABCCDEEFGGHJJK",
    "I": "AABCCDEFGHJKLMN", "II": "ABCDEFGHJKLMNPQ", "III": "BCDEFGHJKLMNPQR",
}  # fmt: skip
_DIAGONAL: Final = (0, None, None, 1, 2, 3, 5, 7, 10, 14, 21)
"""Acceptance numbers along a diagonal of letters and limits; the two empty places point to a neighbour."""


@dataclass(frozen=True)
class Plan:
    """A single sampling plan: examine ``n``, accept the lot with up to ``accept`` nonconforming, reject from
    ``reject`` on. ``letter`` is the code letter of the plan in use, which arrows may have moved."""

    letter: str
    n: int
    accept: int
    reject: int


@dataclass(frozen=True)
class Support:
    """What ``n`` sections with ``failures`` of them nonconforming show at a confidence.

    ``reliability``: lower limit of the share of conforming welds (Clopper and Pearson, Biometrika 26 (1934)
    404-413). ``needed``: sections without failure that the claimed reliability would need, None where no
    reliability is claimed; ``confidence_reached``: the confidence at which they show the claimed reliability.
    """

    n: int
    failures: int
    confidence: float
    reliability: float
    claimed: float | None
    needed: int | None
    confidence_reached: float | None


def code_letter(lot_size: int, level: str = "II") -> str:
    """Return the code letter of ISO 2859-1, table 1, for a lot of at least 2 at an inspection level."""
    if lot_size < 2:
        raise ValueError(f"lot_size = {lot_size}: must be ≥ 2")
    if level not in _CODES:
        raise ValueError(f"level = {level!r}: must be one of {', '.join(_CODES)}")
    return _CODES[level][sum(lot_size > end for end in _LOT_ENDS)]


def attribute_plan(letter: str, aql: float) -> Plan:
    """Return the single plan of ISO 2859-1 for normal inspection (table 2-A), arrows followed.

    The table is rebuilt from its diagonal structure: one step down in letter does what one step up in limit does.
    """
    if letter not in LETTERS:
        raise ValueError(f"letter = {letter!r}: must be one of {LETTERS}")
    if aql not in AQLS:
        raise ValueError(f"aql = {aql:g}: must be one of {', '.join(f'{one:g}' for one in AQLS)}")
    first = LETTERS.index("L") - AQLS.index(aql)  # the letter whose plan accepts none
    place = max(LETTERS.index(letter) - first, 0)
    if place in (1, 2):  # an arrow up to the plan that accepts none, where there is one; an arrow down
        place = 0 if place == 1 and first >= 0 else 3
    place = min(place, len(_DIAGONAL) - 1)
    used, accept = first + place, _DIAGONAL[place]
    assert accept is not None
    return Plan(LETTERS[used], SIZES[used], accept, accept + 1)


def accept_probability(plan: Plan, nonconforming: float) -> float:
    """Return the chance that a lot with this share nonconforming passes the plan (binomial)."""
    from scipy import stats

    return float(stats.binom.cdf(plan.accept, plan.n, nonconforming))


def zero_failure_n(reliability: float, confidence: float) -> int:
    """Return how many sections, all conforming, show a reliability at a confidence: n = ln(1 - C) / ln R."""
    for name, value in (("reliability", reliability), ("confidence", confidence)):
        if not 0 < value < 1:
            raise ValueError(f"{name} = {value:g}: must lie between 0 and 1")
    return math.ceil(math.log1p(-confidence) / math.log(reliability) - 1e-9)


def support(n: int, failures: int, *, confidence: float, claimed: float | None = None) -> Support:
    """Return what ``n`` ≥ 1 sections, ``failures`` of them nonconforming, show at a confidence."""
    from scipy import stats

    if not 0 <= failures <= n or n < 1:
        raise ValueError(f"failures = {failures} of {n}: must lie between 0 and n, and n be ≥ 1")
    conforming = n - failures
    reliability = float(stats.beta.ppf(1 - confidence, conforming, failures + 1)) if conforming else 0.0
    reached = None if claimed is None else float(stats.binom.sf(failures, n, 1 - claimed))
    needed = None if claimed is None else zero_failure_n(claimed, confidence)
    return Support(n, failures, confidence, reliability, claimed, needed, reached)


@dataclass(frozen=True)
class Reach:
    """How far measured values reach from a limit: ``k`` standard deviations, and what that shows.

    ``needed`` is the tolerance factor at which ``coverage`` of the welds lies within at ``confidence``; ``sides`` is 1
    or 2. Holds for normally distributed values only.
    """

    n: int
    mean: float
    sd: float
    sides: int
    k: float
    needed: float
    coverage: float
    confidence: float

    @property
    def shown(self) -> bool:
        """Whether the values show the coverage."""
        return self.k >= self.needed


def reach(
    values: Sequence[float], *, at_least: float, at_most: float, coverage: float, confidence: float
) -> Reach | None:
    """Return how far (n,) values reach from their limits (infinite: none), None below 3 values or without spread."""
    from xsect.lots.tolerance import one_sided_factor, two_sided_factor

    n = len(values)
    if n < 3 or not (math.isfinite(at_least) or math.isfinite(at_most)):
        return None
    mean, sd = statistics.fmean(values), statistics.stdev(values)
    if not sd > 0:
        return None
    sides = math.isfinite(at_least) + math.isfinite(at_most)
    factor = two_sided_factor if sides == 2 else one_sided_factor
    k = min(mean - at_least, at_most - mean) / sd
    return Reach(n, mean, sd, sides, k, factor(n, coverage, confidence), coverage, confidence)
