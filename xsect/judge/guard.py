"""Guard bands and conformance probability: how sure a value is to lie inside its limits.

Sources: JCGM 106:2012 (measurement uncertainty in conformity assessment), ISO 14253-1 (decision rules).
"""

from __future__ import annotations

import math
from typing import Final, Literal

from xsect.quantities import COVERAGE_FACTOR

Guard = Literal["interval", "one_sided_95"]
"""Width of the guarded rule's guard band.

``interval``: the two-sided 95 % interval must lie inside the limits; at most 2.5 % risk at a limit. Close to
the guard by U with k = 2 of the earlier editions of ISO 14253-1.
``one_sided_95``: 1.645 u, at most 5 % risk at a limit, the default of ISO 14253-1:2017 (from memory).
"""

GUARD_FACTORS: Final[dict[Guard, float]] = {"interval": COVERAGE_FACTOR, "one_sided_95": 1.6448536269514722}
"""Guard band over standard uncertainty (quantiles 0.975 and 0.95 of the normal distribution)."""


def guard_band(u: float, guard: Guard = "interval") -> float:
    """Return the guard band for a standard uncertainty ``u``: how far inside its limit a value must lie."""
    return GUARD_FACTORS[guard] * u


def guarded_interval(
    value: float, u: float, low: float, high: float, guard: Guard = "interval"
) -> tuple[float, float]:
    """Return the interval that must lie wholly inside the limits, from a 95 % interval [low, high].

    A lopsided interval keeps its shape under the narrower guard. An interval cut at 0 or 1 says less than
    ``u`` does, so the wider of the two counts; it never reaches beyond [low, high].
    """
    share, band = GUARD_FACTORS[guard] / COVERAGE_FACTOR, guard_band(u, guard)
    down, up = max(band, share * (value - low)), max(band, share * (high - value))
    if guard == "interval" or math.isnan(value + u + low + high):
        return low, high
    return max(low, value - down), min(high, value + up)


def conformance_probability(
    value: float, u: float, *, at_least: float = -math.inf, at_most: float = math.inf
) -> float:
    """Return the probability that the true value lies within the limits, for a normal distribution.

    JCGM 106:2012, 7.2 to 7.4. NaN where value or u is; with u = 0 it is 0 or 1. A lopsided or cut interval
    is treated as normal with its u: the probability is a guide beside the verdict, not its ground.
    """
    if math.isnan(value) or math.isnan(u):
        return math.nan
    if u == 0:
        return float(at_least <= value <= at_most)
    upper, lower = (at_most - value) / u, (at_least - value) / u
    return 0.5 * (math.erfc(-upper / math.sqrt(2)) - math.erfc(-lower / math.sqrt(2)))
