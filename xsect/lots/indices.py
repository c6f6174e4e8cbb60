"""Capability indices with their confidence intervals, and how many more values would show a target."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

CONFIDENCE: Final = 0.95
TARGET: Final = 1.33
"""Usual least Cpk of a running process (common practice)."""
MOST_NEEDED: Final = 100_000


@dataclass(frozen=True)
class Index:
    """One index: its value, two-sided 95 % interval, and the bound that it exceeds with 95 % confidence."""

    value: float
    low: float
    high: float
    bound: float


def spread_index(width: float, sigma: float, dof: float, *, confidence: float = CONFIDENCE) -> Index:
    """Return Cp (or Pp) = width / 6 sigma of limits ``width`` apart, with the chi-square interval of sigma."""
    from scipy.stats import chi2

    value = width / (6 * sigma)
    tail = (1 - confidence) / 2
    low, high, bound = (
        value * math.sqrt(float(chi2.ppf(p, dof)) / dof) for p in (tail, 1 - tail, 1 - confidence)
    )
    return Index(value, low, high, bound)


def nearest_index(
    centre: float,
    sigma: float,
    lower: float,
    upper: float,
    *,
    n: float,
    dof: float,
    confidence: float = CONFIDENCE,
) -> Index:
    """Return Cpk (or Ppk): distance from the centre to the nearer limit over 3 sigma.

    An infinite limit is none. The interval is value ± z sqrt(1 / (9 n) + value² / (2 dof)) (A. F. Bissell, Applied
    Statistics 39, 1990), ``dof`` degrees of freedom behind sigma and n values behind the centre; where values are not
    independent, n is sigma² over the centre's variance.
    """
    value = min(upper - centre, centre - lower) / (3 * sigma)
    two, one = (_half(value, n, dof, q) for q in ((1 + confidence) / 2, confidence))
    return Index(value, value - two, value + two, value - one)


def _half(value: float, n: float, dof: float, quantile: float) -> float:
    from scipy.special import ndtri

    return float(ndtri(quantile)) * math.sqrt(1 / (9 * n) + value * value / (2 * dof))


def values_needed(
    value: float,
    *,
    n: int,
    dof: float,
    behind_centre: float | None = None,
    target: float = TARGET,
    confidence: float = CONFIDENCE,
) -> int | None:
    """Return how many values in all show that the index is at least ``target``, if it stays at ``value``.

    ``behind_centre`` is what ``nearest_index`` takes for n (the number itself by default); it and the degrees of
    freedom grow with the values as so far. At least ``n``; None where no number would do (the index is not above the
    target) or more than 100,000 were needed.
    """
    base = n if behind_centre is None else behind_centre

    def shown(count: int) -> bool:
        return value - _half(value, base * count / n, dof * count / n, confidence) >= target

    if value <= target or not shown(MOST_NEEDED):
        return None
    few, many = n - 1, MOST_NEEDED
    while many - few > 1:
        middle = (few + many) // 2
        few, many = (few, middle) if shown(middle) else (middle, many)
    return many


def share_beyond(count: int, n: int, *, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Return the interval of a share of which ``count`` of ``n`` were seen (C. J. Clopper and E. S. Pearson, 1934)."""
    from scipy.stats import beta

    tail = (1 - confidence) / 2
    low = float(beta.ppf(tail, count, n - count + 1)) if count else 0.0
    high = float(beta.isf(tail, count + 1, n - count)) if count < n else 1.0
    return low, high
