"""Selection: signs that the sections shown are not simply the sections taken, each with its p-value.

A sign is a number that chance alone would rarely give. It accuses nobody: the p-values are corrected for the number of
signs looked for, and each says what it was compared with.
"""

from __future__ import annotations

import math
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from xsect.audit.multiple import holm
from xsect.audit.slips import rounding_step

Vector = NDArray[np.float64]

SPOILT: Final = 0.02
"""Share of sections that are lost in preparation without anybody's doing (one in fifty: common practice, value from
memory)."""

DRAWS: Final = 4000
"""Samples drawn under chance where a p-value has no closed form: the smallest p is 1 in this many."""

FEWEST: Final = 8
"""Values below which digits, repeats and crowding say nothing."""


@dataclass(frozen=True)
class Sign:
    """One sign looked for: what was seen, against what, and the chance of as much by chance alone.

    ``p`` is the raw p-value, ``adjusted`` the one corrected for all signs of the same audit.
    """

    code: str
    title: str
    seen: str
    against: str
    p: float
    adjusted: float = math.nan


def corrected(signs: Sequence[Sign]) -> tuple[Sign, ...]:
    """Return the signs with their p-values corrected for the number of them (Holm)."""
    adjusted = holm([sign.p for sign in signs])
    return tuple(replace(sign, adjusted=p) for sign, p in zip(signs, adjusted, strict=True))


def missing_numbers(names: Sequence[str]) -> Sign | None:
    """Look for gaps in running numbers at the end of names; None where fewer than 5 names form a series.

    Compared with sections spoilt at random, one in fifty.
    """
    from scipy import stats

    series: dict[str, set[int]] = defaultdict(set)
    for name in names:
        parted = re.fullmatch(r"(.*?)(\d{1,9})", name)
        if parted:
            series[parted[1]].add(int(parted[2]))
    gaps: list[str] = []
    span = missing = 0
    for prefix, numbers in series.items():
        run = max(numbers) - min(numbers) + 1
        if len(numbers) < 5 or run > 2 * len(numbers):
            continue  # too few, or numbers that do not run on
        span += run
        absent = sorted(set(range(min(numbers), max(numbers))) - numbers)
        missing += len(absent)
        gaps += [f"{prefix}{number}" for number in absent]
    if not span:
        return None
    seen = f"{missing} of {span} numbers are missing" + (f": {_some(gaps)}" if gaps else "")
    p = float(stats.binom.sf(missing - 1, span, SPOILT))
    return Sign("missing_numbers", "Numbers missing in a series", seen, "one section in fifty spoilt", p)


def cut_days(cut_on: Sequence[str], *, days: int | None) -> Sign | None:
    """Look whether sections said to be taken over ``days`` were cut on few; None where nothing is said of days.

    Compared with each section cut on any of the days alike.
    """
    given = [day for day in cut_on if day]
    if days is None or days < 2 or len(given) < 3:
        return None
    used = len(set(given))
    p = _few_days(len(given), days, used)
    seen = f"{len(given)} sections cut on {used} {'day' if used == 1 else 'different days'}"
    return Sign("cut_days", "Cut on few days", seen, f"sections taken over {days} days", p)


def _few_days(n: int, days: int, used: int) -> float:
    """Return the chance that n sections, each on one of so many days, fall on at most ``used`` of them."""
    chance = np.zeros(days + 1)
    chance[0] = 1.0
    for _ in range(n):
        taken = np.arange(days + 1)
        chance[1:] = chance[1:] * taken[1:] / days + chance[:-1] * (days - taken[:-1]) / days
        chance[0] = 0.0
    return float(min(1.0, chance[: used + 1].sum()))


def small_spread(stated: Sequence[float], *, process_sd: float) -> Sign | None:
    """Look whether stated values spread less than the process does by its own record (chi-square, one-sided)."""
    from scipy import stats

    n = len(stated)
    if n < 3 or not process_sd > 0:
        return None
    sd = float(np.std(stated, ddof=1))
    p = float(stats.chi2.cdf((n - 1) * (sd / process_sd) ** 2, n - 1))
    return Sign(
        "small_spread", "Spread below the process's own", f"{sd / process_sd:.2f} of the process's spread",
        "the process's standard deviation in the claim", p,
    )  # fmt: skip


def smaller_than_measured(stated: Sequence[float], measured: Sequence[float]) -> Sign | None:
    """Look whether stated values spread less than measured ones of the same sections, (n,) each.

    Pitman and Morgan's test of two correlated variances, one-sided (Biometrika 31 (1939) 9-19). Our own errors
    widen the measured spread a little, which makes this sign more ready to speak: it is told beside the numbers.
    """
    from scipy import stats

    said, seen = np.asarray(stated, float), np.asarray(measured, float)
    n = len(said)
    if n < FEWEST or said.std() == 0 or seen.std() == 0:
        return None
    total, apart = said + seen, said - seen
    if total.std() == 0 or apart.std() == 0:
        return None
    r = float(np.corrcoef(total, apart)[0, 1])
    t = r * math.sqrt((n - 2) / max(1 - r * r, 1e-12))
    share = said.std() / seen.std()
    return Sign(
        "smaller_than_measured", "Stated values spread less than measured",
        f"{share:.2f} of the measured spread", "the same sections as measured here", float(stats.t.cdf(t, n - 2)),
    )  # fmt: skip


def terminal_digits(values: Sequence[float], rng: np.random.Generator) -> Sign | None:
    """Look for last digits preferred beyond chance.

    Compared with a normal distribution of the values' own mean and spread, rounded to the step in use; p by samples
    drawn from it. None below 8 values, or where they spread too little for their last digit to be free.
    """
    step = _decimal_step(values)
    if len(values) < FEWEST or not np.std(values) > 3 * step:
        return None

    def uneven(rows: Vector) -> Vector:
        digit = np.rint(rows / step).astype(np.int64) % 10
        counts = np.stack([(digit == one).sum(axis=1) for one in range(10)], axis=1)
        return np.asarray((counts**2).sum(axis=1), float)

    p = _by_chance(values, step, uneven, rng)
    digits = Counter(round(value / step) % 10 for value in values).most_common(3)
    seen = ", ".join(f"{digit} ends {count}" for digit, count in digits) + f" of {len(values)} values"
    return Sign("terminal_digits", "Last digits preferred", seen, "values rounded without preference", p)


def repeated_values(values: Sequence[float], rng: np.random.Generator) -> Sign | None:
    """Look for equal values beyond chance, compared as the last digits are; None below 8 values."""
    step = _decimal_step(values)
    if len(values) < FEWEST or not np.std(values) > 0:
        return None

    def pairs(rows: Vector) -> Vector:
        whole = np.sort(np.rint(rows / step), axis=1)
        same = whole[:, 1:] == whole[:, :-1]
        run = np.zeros(len(rows))
        total = np.zeros(len(rows))
        for column in range(same.shape[1]):  # a run of k equal values holds k (k - 1) / 2 pairs
            run = np.where(same[:, column], run + 1, 0)
            total += run
        return total

    p = _by_chance(values, step, pairs, rng)
    common = [(value, count) for value, count in Counter(values).most_common(3) if count > 1]
    seen = ", ".join(f"{value:g} stands {count} times" for value, count in common) or "no value stands twice"
    return Sign("repeated_values", "Repeated values", seen, "values rounded without preference", p)


def crowded_at_limit(
    stated: Sequence[float], measured: Sequence[float], *, limit: float, above: bool
) -> Sign | None:
    """Look for too many stated values just on the good side of a limit.

    Counted within half a standard deviation of the limit, on either side. Compared with a normal distribution of the
    measured values: given that a value lies that near, its chance to lie on the good side (binomial, one-sided).
    """
    from scipy import stats

    if len(measured) < FEWEST or not np.std(measured) > 0:
        return None
    mean, sd = float(np.mean(measured)), float(np.std(measured, ddof=1))
    step = rounding_step(stated)
    steps = max(1, round(sd / 2 / step))
    away = np.rint((np.asarray(stated, float) - limit) / step * (1 if above else -1))
    on_good = int(((away >= 0) & (away < steps)).sum())
    near = on_good + int(((away < 0) & (away >= -steps)).sum())
    if near < 3:
        return None
    # what rounds to a value lies up to half a step to either side of it
    edges = limit + (np.array([-steps, 0, steps]) - 0.5) * step * (1 if above else -1)
    share = np.abs(np.diff(stats.norm.cdf(edges, mean, sd)))
    if not share.sum() > 0:
        return None
    p = float(stats.binom.sf(on_good - 1, near, share[1] / share.sum()))
    seen = f"{on_good} of the {near} values near the limit lie on its good side"
    return Sign("crowded_at_limit", "Crowded at the limit", seen, "the spread of the measured values", p)


def _decimal_step(values: Sequence[float]) -> float:
    """Return the power of ten that values are written to."""
    step = rounding_step(values)
    return 10.0 ** math.floor(math.log10(step) + 1e-9) if math.isfinite(step) else math.nan


def _by_chance(
    values: Sequence[float], step: float, statistic: Callable[[Vector], Vector], rng: np.random.Generator
) -> float:
    """Return how often values drawn at random reach the statistic of the given ones, which count as one draw."""
    mean, sd = float(np.mean(values)), float(np.std(values, ddof=1))
    drawn = np.rint(rng.normal(mean, sd, (DRAWS - 1, len(values))) / step) * step
    seen = statistic(np.asarray([values], float))[0]
    return float((1 + (statistic(drawn) >= seen).sum()) / DRAWS)


def _some(names: Sequence[str], most: int = 8) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")
