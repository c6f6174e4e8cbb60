"""Agreement of verdicts: kappa of two raters (J. Cohen, 1960, 1968) and of several (J. L. Fleiss, 1971)."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from xsect.quantities import COVERAGE_FACTOR


@dataclass(frozen=True)
class Kappa:
    """Agreement beyond chance: kappa, its standard error, 95 % interval, and the share that agreed.

    NaN where all ratings fall into one class: there is then no chance agreement to compare with.
    """

    kappa: float
    se: float
    observed: float
    expected: float

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval, normal approximation, cut at 1; NaN where all ratings agree and it would have no width."""
        if not self.se > 0:
            return math.nan, math.nan
        return self.kappa - COVERAGE_FACTOR * self.se, min(self.kappa + COVERAGE_FACTOR * self.se, 1.0)


def table_of(
    first: Sequence[Hashable], second: Sequence[Hashable], classes: Sequence[Hashable]
) -> NDArray[np.int64]:
    """Count pairs of ratings: (classes, classes), rows the first rater's."""
    table = np.zeros((len(classes), len(classes)), dtype=np.int64)
    for one, other in zip(first, second, strict=True):
        table[classes.index(one), classes.index(other)] += 1
    return table


def cohen(table: NDArray[np.int64], *, weights: Literal["none", "linear", "quadratic"] = "none") -> Kappa:
    """Return kappa of two raters from their table of counts (classes, classes), in order for the weighted ones.

    Standard error after J. L. Fleiss, J. Cohen and B. S. Everitt, Psychological Bulletin 72, 1969.
    """
    n, size = int(table.sum()), table.shape[0]
    p = table / n
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    apart = np.abs(np.subtract.outer(np.arange(size), np.arange(size))) / max(size - 1, 1)
    w = {"none": (apart == 0).astype(float), "linear": 1 - apart, "quadratic": 1 - apart**2}[weights]
    observed, expected = float((w * p).sum()), float((w * np.outer(rows, columns)).sum())
    if expected == 1:
        return Kappa(math.nan, math.nan, observed, expected)
    kappa = (observed - expected) / (1 - expected)
    mean_row, mean_column = w @ columns, w.T @ rows
    inner = w - (mean_row[:, None] + mean_column[None, :]) * (1 - kappa)
    variance = float((p * inner**2).sum()) - (kappa - expected * (1 - kappa)) ** 2
    return Kappa(kappa, math.sqrt(max(variance, 0.0) / n) / (1 - expected), observed, expected)


def fleiss(counts: NDArray[np.int64]) -> Kappa:
    """Return kappa of several raters from counts (subjects, classes), as many ratings a subject.

    The standard error is that of no agreement beyond chance, as in the paper: it tests, it does not bound.
    """
    subjects, raters = counts.shape[0], int(counts[0].sum())
    if raters < 2 or (counts.sum(axis=1) != raters).any():
        raise ValueError("every subject must have the same number of ratings, at least 2")
    share = counts.sum(axis=0) / (subjects * raters)
    observed = float(((counts**2).sum(axis=1) - raters).mean() / (raters * (raters - 1)))
    expected = float((share**2).sum())
    if expected == 1:
        return Kappa(math.nan, math.nan, observed, expected)
    square, cube = float((share**2).sum()), float((share**3).sum())
    variance = 2 * (square - (2 * raters - 3) * square**2 + 2 * (raters - 2) * cube)
    variance /= subjects * raters * (raters - 1) * (1 - square) ** 2
    return Kappa((observed - expected) / (1 - expected), math.sqrt(variance), observed, expected)
