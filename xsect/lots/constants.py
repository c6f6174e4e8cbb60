"""Control chart constants, reckoned by integration from the distribution of the range of normal values.

``d2`` and ``d3`` are mean and standard deviation of the range of n standard normal values (L. H. C. Tippett,
Biometrika 17, 1925), ``c4`` is the mean of their standard deviation; all other constants follow from these.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Final

import numpy as np

_NODES: Final = 400
"""Points of the quadrature: d2 and d3 are then right to nine decimals up to n = 200."""
_REACH: Final = 9.0


@cache
def range_moments(n: int) -> tuple[float, float]:
    """Return (d2, d3) of the range of ``n`` ≥ 2 standard normal values."""
    from scipy.special import ndtr

    if n < 2:
        raise ValueError(f"n = {n}: a range needs at least 2 values")
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    x, wx = _REACH * node, _REACH * weight
    w, ww = _REACH * (node + 1), _REACH * weight
    density = np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi)
    # P(range ≤ w) = n ∫ φ(x) [Φ(x + w) − Φ(x)]^(n−1) dx
    inside = (ndtr(x[None, :] + w[:, None]) - ndtr(x)[None, :]) ** (n - 1)
    above = 1 - n * inside @ (density * wx)
    mean = float(ww @ above)
    return mean, math.sqrt(float(2 * (ww * w) @ above) - mean**2)


def d2(n: int) -> float:
    """Return the mean range of ``n`` standard normal values."""
    return range_moments(n)[0]


def d3(n: int) -> float:
    """Return the standard deviation of the range of ``n`` standard normal values."""
    return range_moments(n)[1]


def d2_star(n: int, groups: int) -> float:
    """Return the divisor that makes the square of the mean of ``groups`` ranges of ``n`` values unbiased.

    sqrt(d2² + d3² / groups), after A. J. Duncan's table (from memory); used where there are few ranges.
    """
    return math.hypot(d2(n), d3(n) / math.sqrt(groups))


def c4(n: int) -> float:
    """Return the mean of the standard deviation (divisor n − 1) of ``n`` ≥ 2 standard normal values."""
    if n < 2:
        raise ValueError(f"n = {n}: a standard deviation needs at least 2 values")
    return math.sqrt(2 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))


def c5(n: int) -> float:
    """Return the standard deviation of that standard deviation, sqrt(1 − c4²)."""
    return math.sqrt(1 - c4(n) ** 2)


def a2(n: int) -> float:
    """Return A2: limits of means are centre ± A2 · mean range."""
    return 3 / (d2(n) * math.sqrt(n))


def a3(n: int) -> float:
    """Return A3: limits of means are centre ± A3 · mean standard deviation."""
    return 3 / (c4(n) * math.sqrt(n))


def e2(n: int) -> float:
    """Return E2: limits of individuals are centre ± E2 · mean moving range over ``n`` values."""
    return 3 / d2(n)


def range_factors(n: int) -> tuple[float, float]:
    """Return (D3, D4): lower and upper limit of a range in mean ranges."""
    reach = 3 * d3(n) / d2(n)
    return max(0.0, 1 - reach), 1 + reach


def sd_factors(n: int) -> tuple[float, float]:
    """Return (B3, B4): lower and upper limit of a standard deviation in mean standard deviations."""
    reach = 3 * c5(n) / c4(n)
    return max(0.0, 1 - reach), 1 + reach


def moving_range_dof(n: int) -> float:
    """Return the effective degrees of freedom of mean moving range / d2 over ``n`` ≥ 2 values in a row.

    From the variance of the mean of n − 1 overlapping ranges: neighbouring differences are correlated by −1/2, and
    E|U·V| = (2/π)(sqrt(1 − ρ²) + ρ asin ρ) for standard normal U, V. About 0.61 (n − 1).
    """
    ranges = n - 1
    squared_mean = 4 / math.pi
    own = 2 - squared_mean
    neighbours = 4 / math.pi * (math.sqrt(3) / 2 + math.pi / 12) - squared_mean
    variance = (ranges * own + 2 * (ranges - 1) * neighbours) / ranges**2
    return squared_mean / (2 * variance)
