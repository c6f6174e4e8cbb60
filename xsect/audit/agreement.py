"""Agreement of two methods on the same sections: limits of agreement, errors-in-variables lines."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Vector = NDArray[np.float64]
Interval = tuple[float, float]

_Z: Final = 1.959963984540054


@dataclass(frozen=True)
class Limits:
    """Differences of paired values: their mean (``bias``), spread, and the limits that hold 95 % of them.

    Every interval is one of 95 % confidence by Student's t with n - 1 degrees of freedom.
    """

    n: int
    bias: float
    sd: float
    low: float
    high: float
    bias_interval: Interval
    low_interval: Interval
    high_interval: Interval


@dataclass(frozen=True)
class Line:
    """A straight line y = intercept + slope · x with errors in both; standard errors and 95 % intervals."""

    slope: float
    intercept: float
    u_slope: float
    u_intercept: float
    slope_interval: Interval
    intercept_interval: Interval


@dataclass(frozen=True)
class Scatter:
    """A line fitted with each point's own uncertainties, and whether the points lie as near as those allow.

    ``chi2_per_df`` near 1: the uncertainties explain the scatter; ``p`` is the chance of as much scatter or more.
    """

    slope: float
    intercept: float
    u_slope: float
    u_intercept: float
    chi2_per_df: float
    p: float


def limits_of_agreement(one: ArrayLike, other: ArrayLike) -> Limits:
    """Return bias and limits of agreement of ``one`` minus ``other``, (n,) each, n ≥ 3.

    Source: J. M. Bland and D. G. Altman, Lancet 1986, i, 307-310. The limits are bias ± 1.96 sd, and their
    standard error is √(3/n) sd, the paper's approximation.
    """
    from scipy import stats

    difference = _vector("one", one) - _vector("other", other)
    n = len(difference)
    if n < 3:
        raise ValueError(f"pairs = {n}: limits of agreement need at least 3")
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    t = float(stats.t.ppf(0.975, n - 1))
    low, high = bias - _Z * sd, bias + _Z * sd
    at_limit = t * sd * math.sqrt(3 / n)
    return Limits(
        n, bias, sd, low, high,
        _around(bias, t * sd / math.sqrt(n)), _around(low, at_limit), _around(high, at_limit),
    )  # fmt: skip


def deming(x: ArrayLike, y: ArrayLike, *, error_ratio: float) -> Line:
    """Fit a line to (n,) pairs, n ≥ 4, whose errors are of one size in x and of another in y.

    ``error_ratio`` is the variance of the errors of x over that of y. Standard errors by the jackknife, intervals by
    Student's t with n - 2 degrees of freedom. Refuses pairs without any co-variation. Source: W. E. Deming,
    Statistical Adjustment of Data (1943); K. Linnet, Clin. Chem. 39 (1993) 424-432, for the jackknife.
    """
    from scipy import stats

    x, y = _vector("x", x), _vector("y", y)
    n = len(x)
    if n < 4:
        raise ValueError(f"pairs = {n}: a Deming line needs at least 4")
    if not (error_ratio > 0 and math.isfinite(error_ratio)):
        raise ValueError(f"error_ratio = {error_ratio}: must be > 0 and finite")
    slope, intercept = _deming(x, y, error_ratio)
    keep = ~np.eye(n, dtype=bool)
    left_out = np.array([_deming(x[rows], y[rows], error_ratio) for rows in keep])
    pseudo = n * np.array([slope, intercept]) - (n - 1) * left_out
    u_slope, u_intercept = pseudo.std(axis=0, ddof=1) / math.sqrt(n)
    t = float(stats.t.ppf(0.975, n - 2))
    return Line(
        slope, intercept, float(u_slope), float(u_intercept),
        _around(slope, t * float(u_slope)), _around(intercept, t * float(u_intercept)),
    )  # fmt: skip


def _deming(x: Vector, y: Vector, error_ratio: float) -> tuple[float, float]:
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy, sxy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    if sxy == 0:
        raise ValueError("the pairs do not vary together: no line can be fitted")
    delta = 1 / error_ratio
    slope = (syy - delta * sxx + math.sqrt((syy - delta * sxx) ** 2 + 4 * delta * sxy**2)) / (2 * sxy)
    return slope, float(y.mean() - slope * x.mean())


def scatter(x: ArrayLike, y: ArrayLike, *, u_x: ArrayLike, u_y: ArrayLike) -> Scatter:
    """Fit a line to (n,) pairs, n ≥ 3, by each pair's own standard uncertainties (all > 0, not correlated).

    Source: D. York, N. M. Evensen, M. L. Martínez and J. De Basabe Delgado, Am. J. Phys. 72 (2004) 367-375.
    """
    from scipy import stats

    x, y, u_x, u_y = _vector("x", x), _vector("y", y), _vector("u_x", u_x), _vector("u_y", u_y)
    if len(x) < 3:
        raise ValueError(f"pairs = {len(x)}: a line with its scatter needs at least 3")
    if min(u_x.min(), u_y.min()) <= 0:
        raise ValueError("u_x and u_y: every standard uncertainty must be > 0")
    wx, wy = u_x**-2.0, u_y**-2.0
    slope = _deming(x, y, float(np.median(u_x) ** 2 / np.median(u_y) ** 2))[0]
    for _ in range(200):
        w = wx * wy / (wx + slope**2 * wy)
        dx, dy = x - np.average(x, weights=w), y - np.average(y, weights=w)
        beta = w * (dx / wy + slope * dy / wx)
        before, slope = slope, float((w * beta) @ dy / ((w * beta) @ dx))
        if abs(slope - before) <= 1e-14 * abs(slope):
            break
    middle = float(np.average(x, weights=w))
    intercept = float(np.average(y, weights=w)) - slope * middle
    adjusted = middle + beta
    u_slope = float(w @ (adjusted - np.average(adjusted, weights=w)) ** 2) ** -0.5
    u_intercept = math.sqrt(1 / float(w.sum()) + float(np.average(adjusted, weights=w)) ** 2 * u_slope**2)
    chi2, df = float(w @ (y - intercept - slope * x) ** 2), len(x) - 2
    return Scatter(slope, intercept, u_slope, u_intercept, chi2 / df, float(stats.chi2.sf(chi2, df)))


def _around(middle: float, reach: float) -> Interval:
    return middle - reach, middle + reach


def _vector(name: str, values: ArrayLike) -> Vector:
    array = np.asarray(values, float)
    if array.ndim != 1 or not np.isfinite(array).all():
        raise ValueError(f"{name}: must be one row of finite numbers")
    return array
