"""Lot to lot: one-way analysis of variance, its components by moments and by REML, and each lot's mean."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from xsect.lots.spread import Floats, Groups


@dataclass(frozen=True)
class OneWay:
    """One-way analysis of variance: sums of squares, degrees of freedom, F and its probability.

    ``p`` is the probability of an F at least as large where all groups have one mean.
    """

    ss_between: float
    ss_within: float
    df_between: int
    df_within: int
    f: float
    p: float

    @property
    def ms_between(self) -> float:
        """Mean square between groups."""
        return self.ss_between / self.df_between

    @property
    def ms_within(self) -> float:
        """Mean square within groups."""
        return self.ss_within / self.df_within

    @property
    def r_squared(self) -> float:
        """Share of the total sum of squares that lies between groups."""
        return self.ss_between / (self.ss_between + self.ss_within)


@dataclass(frozen=True)
class Components:
    """Variance components of lots and of sections within them, as standard deviations in the quantity's unit.

    ``share`` is the lots' share of the total variance, ``share_low`` and ``share_high`` its 95 % interval; ``clamped``
    tells that the moment estimate of the lots' variance was negative and stands at 0.
    """

    sd_lots: float
    sd_within: float
    share: float
    share_low: float
    share_high: float
    clamped: bool
    method: str


@dataclass(frozen=True)
class LotMean:
    """One lot: sections, mean, and the 95 % interval of the mean from the spread within all lots."""

    n: int
    mean: float
    low: float
    high: float


def one_way(groups: Groups) -> OneWay:
    """Return the analysis of variance of at least two groups, of which one holds more than one value.

    Values are taken from their mean first, so that leading digits that all share cost no digits of the result.
    """
    from scipy.special import fdtrc

    total = sum(group.size for group in groups)
    if len(groups) < 2 or total <= len(groups):
        raise ValueError("lots cannot be compared: needs two lots, one of them with two sections")
    origin = float(np.concatenate(list(groups)).mean())
    shifted = [group - origin for group in groups]
    grand = math.fsum(float(value) for group in shifted for value in group) / total
    means = [math.fsum(map(float, group)) / group.size for group in shifted]
    between = math.fsum(group.size * (mean - grand) ** 2 for group, mean in zip(shifted, means, strict=True))
    within = math.fsum(float(((group - mean) ** 2).sum()) for group, mean in zip(shifted, means, strict=True))
    df = (len(groups) - 1, total - len(groups))
    ratio = (between / df[0]) / (within / df[1]) if within else math.inf
    return OneWay(between, within, *df, ratio, float(fdtrc(*df, ratio)) if within else 0.0)


def components_by_moments(groups: Groups) -> Components:
    """Return the components that make the mean squares equal their expectations; a negative one stands at 0.

    The interval of the share turns F round, exact for equal sizes, with the mean size n0 for unequal ones
    (S. R. Searle, Linear Models, 1971, ch. 9; from memory).
    """
    from scipy.special import fdtri

    table = one_way(groups)
    sizes = np.array([group.size for group in groups], dtype=float)
    n0 = float((sizes.sum() - (sizes**2).sum() / sizes.sum()) / (len(groups) - 1))
    raw = (table.ms_between - table.ms_within) / n0
    lots = max(raw, 0.0)
    share = lots / (lots + table.ms_within) if lots + table.ms_within else 0.0

    def bound(ratio: float) -> float:
        return max(0.0, (ratio - 1) / (ratio - 1 + n0)) if math.isfinite(ratio) else 1.0

    df = (table.df_between, table.df_within)
    low = bound(table.f / float(fdtri(*df, 0.975)))
    high = bound(table.f / float(fdtri(*df, 0.025)))
    return Components(math.sqrt(lots), math.sqrt(table.ms_within), share, low, high, raw < 0, "moments")


def components_by_reml(groups: Groups) -> Components:
    """Return the components that make the restricted likelihood largest (mixed model: lots random, one mean).

    The interval of the share holds all shares whose likelihood is within 1.92 of the largest (half the 95 % point
    of chi-square with one degree of freedom).
    """
    from scipy.optimize import brentq, minimize_scalar

    one_way(groups)  # refuses what cannot be compared
    sizes = np.array([group.size for group in groups], dtype=float)
    means = np.array([group.mean() for group in groups])
    within = sum(float(((group - group.mean()) ** 2).sum()) for group in groups)
    dof = sizes.sum() - 1

    def fit(share: float) -> tuple[float, float]:
        """Return (−log restricted likelihood, variance within) at a share of the lots in the total variance."""
        ratio = share / (1 - share)
        spread = 1 + sizes * ratio
        weight = sizes / spread
        centre = float(weight @ means / weight.sum())
        variance = (within + float(weight @ (means - centre) ** 2)) / dof
        return 0.5 * (
            dof * math.log(variance) + float(np.log(spread).sum()) + math.log(weight.sum())
        ), variance

    most = 1 - 1e-9
    best = minimize_scalar(
        lambda s: fit(s)[0], bounds=(0.0, most), method="bounded", options={"xatol": 1e-10}
    )
    share = float(best.x) if best.fun < fit(0.0)[0] else 0.0
    lowest, variance = fit(share)

    def excess(share: float) -> float:
        return fit(share)[0] - lowest - 1.920729

    low = brentq(excess, 0.0, share) if share and excess(0.0) > 0 else 0.0
    high = brentq(excess, share, most) if excess(most) > 0 else 1.0
    lots = variance * share / (1 - share)
    return Components(math.sqrt(lots), math.sqrt(variance), share, float(low), float(high), False, "REML")


def lot_means(groups: Groups) -> tuple[LotMean, ...]:
    """Return each lot's mean with its 95 % interval (Student's t, spread pooled over the lots)."""
    from scipy.special import stdtrit

    from xsect.lots.spread import pooled_sigma

    nan = math.nan
    if all(group.size == 1 for group in groups):
        return tuple(LotMean(1, float(group[0]), nan, nan) for group in groups)
    sigma, dof = pooled_sigma(groups)
    factor = float(stdtrit(dof, 0.975)) * sigma
    return tuple(
        LotMean(group.size, mean := float(group.mean()), mean - half, mean + half)
        for group in groups
        for half in (factor / math.sqrt(group.size),)
    )


def lag_one(values: Floats) -> float:
    """Return the lag-1 autocorrelation: control limits from moving ranges are too tight where it is high."""
    rest = values - values.mean()
    square = float(rest @ rest)
    return float(rest[1:] @ rest[:-1]) / square if square else 0.0
