"""Bias and linearity: measured values against reference values (an analyst's, or certified ones)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xsect.lots.spread import Floats
from xsect.quantities import COVERAGE_FACTOR

FEWEST = 5


@dataclass(frozen=True)
class Line:
    """A straight line by least squares: intercept, slope, their standard errors, residual sd and its freedom."""

    intercept: float
    slope: float
    se_intercept: float
    se_slope: float
    residual_sd: float
    dof: int

    @property
    def p_slope(self) -> float:
        """Probability of a slope as far from 0 if it were 0."""
        from scipy.special import stdtr

        return 2 * float(stdtr(self.dof, -abs(self.slope) / self.se_slope)) if self.se_slope else 0.0


@dataclass(frozen=True)
class Bias:
    """Mean deviation (value − reference), its 95 % interval and spread; and how it changes along the reference.

    ``sd`` is that of the parts' mean deviations. ``agreement`` holds 95 % of the deviations of single values,
    ``agreement_reach`` is how far either end is uncertain, at 95 % (J. M. Bland and D. G. Altman, Lancet 1986, i,
    307-310). ``linearity`` is the line of the deviation over the reference, None where references do not differ.
    ``parts`` are (part, reference, n, mean deviation), in order of the reference.
    """

    n: int
    mean: float
    low: float
    high: float
    sd: float
    agreement: tuple[float, float]
    agreement_reach: float
    linearity: Line | None
    parts: tuple[tuple[str, float, int, float], ...]

    @property
    def shown(self) -> bool:
        """Whether the interval leaves 0 out."""
        return not self.low <= 0 <= self.high


def straight_line(x: Floats, y: Floats) -> Line:
    """Fit y over x; both are taken from their means first, so that large offsets cost no digits."""
    if x.size < 3 or not np.ptp(x):
        raise ValueError("a line needs three points at two different places")
    cx, cy = float(x.mean()), float(y.mean())
    dx, dy = x - cx, y - cy
    square = math.fsum(dx * dx)
    slope = math.fsum(dx * dy) / square
    rest = dy - slope * dx
    dof = x.size - 2
    sd = math.sqrt(math.fsum(rest * rest) / dof)
    return Line(
        cy - slope * cx, slope, sd * math.sqrt(1 / x.size + cx * cx / square), sd / math.sqrt(square), sd, dof
    )


def bias(rows: Sequence[tuple[str, float, float]]) -> Bias:
    """Return the bias of (part, reference, value) rows; a part's reference must be the same in all its rows.

    Raises ValueError below five rows, and where values are no numbers.
    """
    from scipy.special import stdtrit

    if len(rows) < FEWEST:
        raise ValueError(f"{len(rows)} values: bias needs at least {FEWEST}")
    references: dict[str, float] = {}
    deviations: dict[str, list[float]] = {}
    for part, reference, value in rows:
        if not (math.isfinite(reference) and math.isfinite(value)):
            raise ValueError(f"part {part}: reference and value must be numbers")
        if references.setdefault(part, reference) != reference:
            raise ValueError(f"part {part}: has two references, {references[part]:g} and {reference:g}")
        deviations.setdefault(part, []).append(value - reference)
    # trials of one part are no independent witnesses of the bias: the interval stands on the parts' means
    means = np.array([float(np.mean(deviations[part])) for part in references])
    x = np.array(list(references.values()))
    if means.size < 3:
        raise ValueError(f"{means.size} parts: bias needs at least 3")
    sd = float(means.std(ddof=1))
    half = float(stdtrit(means.size - 1, 0.975)) * sd / math.sqrt(means.size)
    mean = float(means.mean())
    # the mean of a part's trials scatters less than one value does: what the trials average away is added again
    held = [np.array(deviations[part]) for part in references]
    within = sum(float(((one - one.mean()) ** 2).sum()) for one in held) / max(len(rows) - len(held), 1)
    single = math.sqrt(sd**2 + within * float(np.mean([1 - 1 / one.size for one in held])))
    ends = mean - COVERAGE_FACTOR * single, mean + COVERAGE_FACTOR * single
    return Bias(
        len(rows), mean, mean - half, mean + half, sd, ends, half / sd * single * math.sqrt(3) if sd else 0.0,
        straight_line(x, means) if np.ptp(x) else None,
        tuple(sorted(
            ((part, references[part], len(held), float(np.mean(held))) for part, held in deviations.items()),
            key=lambda one: one[1],
        )),
    )  # fmt: skip
