"""Spread within subgroups: the process standard deviation that control limits stand on, with its degrees of freedom."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from xsect.lots.constants import c4, c5, d2, d3, moving_range_dof

Floats = NDArray[np.float64]
Groups = Sequence[Floats]

FEWEST_POINTS: Final = 3
"""Below this many points (two moving ranges) there are no limits; 20 to 25 subgroups are common practice."""


@dataclass(frozen=True)
class Limits:
    """Centre and process standard deviation of one value, from which all limits follow; ``dof`` is sigma's.

    ``points`` is the number of subgroups they rest on, 0 where they were given.
    """

    centre: float
    sigma: float
    dof: float
    points: int

    def __post_init__(self) -> None:
        """Refuse a spread of zero: every point would be beyond every limit."""
        if not self.sigma > 0:
            raise ValueError("the values do not vary: there is no spread to draw limits from")


def moving_range_sigma(values: Floats) -> tuple[float, float]:
    """Return (sd, degrees of freedom) from the mean moving range of values in their order of time."""
    if values.size < FEWEST_POINTS:
        raise ValueError(f"{values.size} points: control limits need at least {FEWEST_POINTS}")
    return float(np.abs(np.diff(values)).mean()) / d2(2), moving_range_dof(values.size)


def range_sigma(groups: Groups) -> tuple[float, float]:
    """Return (sd, degrees of freedom) from the subgroups' ranges; unequal sizes are weighted by d2² / d3².

    With equal sizes this is mean range / d2. The weights give the unbiased combination of least variance.
    """
    several = _several(groups)
    means = np.array([d2(group.size) for group in several])
    weights = (means / np.array([d3(group.size) for group in several])) ** 2
    estimates = np.array([np.ptp(group) for group in several]) / means
    return float(weights @ estimates / weights.sum()), float(weights.sum() / 2)


def sd_sigma(groups: Groups) -> tuple[float, float]:
    """Return (sd, degrees of freedom) from the subgroups' standard deviations, weighted by c4² / (1 − c4²).

    With equal sizes this is mean standard deviation / c4 (least variance weights: I. W. Burr, from memory).
    """
    several = _several(groups)
    means = np.array([c4(group.size) for group in several])
    weights = (means / np.array([c5(group.size) for group in several])) ** 2
    estimates = np.array([group.std(ddof=1) for group in several]) / means
    return float(weights @ estimates / weights.sum()), float(weights.sum() / 2)


def pooled_sigma(groups: Groups) -> tuple[float, float]:
    """Return (sd, degrees of freedom) of all values about their subgroups' means."""
    several = _several(groups)
    dof = sum(group.size - 1 for group in several)
    return float(np.sqrt(sum(((group - group.mean()) ** 2).sum() for group in several) / dof)), float(dof)


def _several(groups: Groups) -> list[Floats]:
    several = [group for group in groups if group.size > 1]
    if not several:
        raise ValueError("no subgroup holds two values: there is no spread within them")
    return several
