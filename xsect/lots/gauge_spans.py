"""Intervals of a gauge study: how far its few parts and appraisers leave its results open."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Draws = NDArray[np.float64]
Span = tuple[float, float]

DRAWS: Final = 20_000
CONFIDENCE: Final = 0.95


def drawn_mean_squares(
    mean_squares: Mapping[str, float], freedom: Mapping[str, int], *, rng: np.random.Generator
) -> dict[str, Draws]:
    """Return draws of what each mean square may be an estimate of: MS · df / chi-square(df), each (DRAWS,).

    Generalised inference: any result of the mean squares, reckoned from these draws in place of them, has its interval
    between their quantiles (S. Weerahandi, Journal of the American Statistical Association 88, 1993; for gauge studies
    M. Hamada and S. Weerahandi, Journal of Quality Technology 32, 2000; that it holds about its confidence there:
    R. K. Burdick, C. M. Borror and D. C. Montgomery, Journal of Quality Technology 35, 2003). The chi-square of each
    mean square takes evenly spaced probabilities in an order of its own: the interval of repeatability alone is exact.
    """
    return {
        name: ms * freedom[name] / rng.permutation(_chi_squares(freedom[name]))
        for name, ms in mean_squares.items()
    }


@lru_cache
def _chi_squares(df: int) -> Draws:
    """Return the chi-square's values at evenly spaced probabilities, (DRAWS,)."""
    from scipy.special import gammaincinv

    return np.asarray(2 * gammaincinv(df / 2, (np.arange(DRAWS) + 0.5) / DRAWS))


def span_of(draws: Draws, then: Callable[[Draws], Draws] = np.asarray) -> Span:
    """Return the 95 % interval of draws, ``then`` applied to its ends."""
    tail = (1 - CONFIDENCE) / 2
    low, high = then(np.quantile(draws, (tail, 1 - tail)))
    return float(low), float(high)
