"""Change points: where the mean of a series steps, how far, and how sure that is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from xsect.lots.constants import moving_range_dof
from xsect.lots.spread import Floats

FALSE_ALARM: Final = 0.05
"""Bound on the chance that a series without a change is said to have one; simulated, it is about 1 to 2 %."""
PLACE_DROP: Final = 6.0
"""How much less a step elsewhere may explain and still be the step, in variances: simulated, this holds the place in
95 % of steps of 2 standard deviations. (Chi-square's 3.84 does not hold for a place.)"""
SHORTEST: Final = 2
MOST_POINTS: Final = 1500
"""Longest series searched point by point; longer ones are searched by lot."""


@dataclass(frozen=True)
class Change:
    """The mean steps at point ``place`` (the first of the new level).

    ``earliest`` and ``latest`` bound the place at 95 %; ``before`` and ``after`` are the levels on both sides, up to
    the next change; ``shift`` with its 95 % interval ``low`` to ``high``, in the values' unit.
    """

    place: int
    earliest: int
    latest: int
    before: float
    after: float
    low: float
    high: float

    @property
    def shift(self) -> float:
        """Level after the change minus level before."""
        return self.after - self.before


def change_points(
    values: Floats,
    *,
    weights: Floats | None = None,
    false_alarm: float = FALSE_ALARM,
    shortest: int = SHORTEST,
) -> tuple[Change, ...]:
    """Return the steps of the mean of a series, in order.

    ``weights`` (n,) are the points' precisions relative to one another (a lot's number of sections). The levels are
    those of least weighted squares plus a price a step, found by dynamic programming over all ways to part the series.
    The spread comes from successive differences, which a step hardly widens; the price is the F quantile at which all
    places together give a false step with at most the probability ``false_alarm`` (Bonferroni). Fewer than six points
    give none: their spread is not known well enough.
    """
    from scipy.special import fdtri

    n = values.size
    if n < 6:
        return ()
    if n > MOST_POINTS:
        raise ValueError(f"{n} points: change points are searched in up to {MOST_POINTS}; take them by lot")
    w = np.ones(n) if weights is None else weights / weights.mean()
    # the median of what is left after steps would be more robust still, but wastes a third of few points
    scale = np.diff(values) ** 2 / (1 / w[1:] + 1 / w[:-1])
    variance = float(scale.mean())
    if not variance:
        return ()
    dof = moving_range_dof(n)
    price = float(fdtri(1, dof, 1 - false_alarm / (n - 1)))
    starts = _partition(values, w, variance, price, shortest)
    return tuple(
        _describe(values, w, variance, dof, before, place, after, shortest)
        for before, place, after in zip(starts, starts[1:], [*starts[2:], n], strict=False)
    )


def _sums(values: Floats, w: Floats) -> tuple[Floats, Floats, Floats]:
    """Cumulative sums of weights, weighted values and their squares, about the mean to keep digits."""
    shifted = values - np.average(values, weights=w)
    zero = np.zeros(1)
    return (
        np.concatenate((zero, np.cumsum(w))),
        np.concatenate((zero, np.cumsum(w * shifted))),
        np.concatenate((zero, np.cumsum(w * shifted**2))),
    )


def _partition(values: Floats, w: Floats, variance: float, price: float, shortest: int) -> list[int]:
    """Return the starts of the levels of least cost, the first of them 0."""
    n = values.size
    s0, s1, s2 = _sums(values, w)
    cost = np.full(n + 1, np.inf)
    cost[0], origin = -price, np.zeros(n + 1, dtype=int)
    for end in range(shortest, n + 1):
        start = np.arange(0, end - shortest + 1)
        square = (s2[end] - s2[start]) - (s1[end] - s1[start]) ** 2 / (s0[end] - s0[start])
        total = cost[start] + square / variance + price
        origin[end] = int(np.argmin(total))
        cost[end] = total[origin[end]]
    starts, end = [], n
    while end:
        end = int(origin[end])
        starts.append(end)
    return starts[::-1]


def _describe(
    values: Floats, w: Floats, variance: float, dof: float, begin: int, place: int, end: int, shortest: int
) -> Change:
    from scipy.special import stdtrit

    part, weight = values[begin:end], w[begin:end]
    places = np.arange(shortest, end - begin - shortest + 1)
    s0, s1, _ = _sums(part, weight)
    # what a step at each place explains
    explained = (s1[places] ** 2 * (1 / s0[places] + 1 / (s0[-1] - s0[places]))) / variance
    near = places[explained >= explained.max() - PLACE_DROP] + begin
    cut = place - begin
    before, after = (
        float(np.average(part[side], weights=weight[side])) for side in (slice(cut), slice(cut, None))
    )
    spread = math.sqrt(variance * (1 / weight[:cut].sum() + 1 / weight[cut:].sum()))
    half = float(stdtrit(dof, 0.975)) * spread
    return Change(
        place, int(near[0]), int(near[-1]), before, after, after - before - half, after - before + half
    )
