"""Capability: how a quantity's spread compares with its limits, with and without the gauge's share.

Cp and Cpk stand on the spread within lots (short term), Pp and Ppk on that of all values. Definitions: NIST/SEMATECH
e-Handbook, 6.1.6.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from xsect.lots.evidence import evidence, spread_within
from xsect.lots.indices import (
    CONFIDENCE,
    TARGET,
    Index,
    nearest_index,
    share_beyond,
    spread_index,
    values_needed,
)
from xsect.lots.shape import Method, Shape, fit_shape
from xsect.lots.spread import Floats, Groups
from xsect.lots.tolerance import one_sided_factor, two_sided_factor
from xsect.lots.variance import one_way

FEWEST: Final = 5
FEW: Final = 30
PERCENTILE_FEWEST: Final = 741
"""Values from which the 0.135 % point lies among them: 1 / 0.00135."""
AT_BOUND: Final = 0.05
"""Share of values on a natural bound from which no continuous curve describes them."""


@dataclass(frozen=True)
class Specification:
    """Limits of a quantity, ±infinity where there is none, the bounds that it cannot pass by nature, and where the
    limits come from, "" where they were given.
    """

    lower: float = -math.inf
    upper: float = math.inf
    natural: tuple[float, float] = (-math.inf, math.inf)
    origin: str = ""

    def __post_init__(self) -> None:
        """Refuse limits that hold nothing or lie beyond the natural bounds."""
        if math.isinf(self.lower) and math.isinf(self.upper):
            raise ValueError("capability needs a limit: lower, upper or both")
        if not self.lower < self.upper:
            raise ValueError(f"lower limit {self.lower:g}: must be below the upper limit {self.upper:g}")
        if self.upper <= self.natural[0] or self.lower >= self.natural[1]:
            raise ValueError(
                f"the limits lie beyond what the quantity can be ({self.natural[0]:g} to {self.natural[1]:g})"
            )

    @property
    def two_sided(self) -> bool:
        """Whether both limits are given."""
        return math.isfinite(self.lower) and math.isfinite(self.upper)


@dataclass(frozen=True)
class Indices:
    """The four indices of one spread; None where limits or spread give none.

    ``cp`` and ``pp`` of a one-sided specification use the natural bound opposite the limit, where there is one.
    """

    cp: Index | None
    cpk: Index | None
    pp: Index | None
    ppk: Index | None


@dataclass(frozen=True)
class Capability:
    """The result. Lengths in the quantity's unit; ``shape`` None: no curve fits, so there are no indices.

    ``process`` are the indices with the gauge's share taken out, None where none was given. ``judged`` names the index
    that counts: Cpk, or Ppk where the lots differ; ``needed`` is how many sections in all show it at the target, None
    where no number would. ``beyond`` counts values beyond a limit, with the 95 % interval of their share; ``tolerance``
    holds ``coverage`` of all sections with 95 % confidence. ``no_index`` says why there are no indices, "" where there
    are.
    """

    n: int
    lots: int
    mean: float
    sd: float
    sd_within: float
    dof_within: float
    gauge_sd: float
    specification: Specification
    shape: Shape | None
    observed: Indices
    process: Indices | None
    target: float
    judged: str
    needed: int | None
    beyond: int
    beyond_share: tuple[float, float]
    tolerance: tuple[float, float]
    coverage: float
    remarks: tuple[str, ...]
    no_index: str = ""


def capability(
    groups: Groups, specification: Specification, *, method: Method = "auto", gauge_sd: float = 0.0,
    target: float = TARGET, coverage: float = 0.99,
) -> Capability:  # fmt: skip
    """Judge a process by its values, in subgroups (lots) in their order of time.

    Values of subgroups that all hold one value have their spread within from moving ranges. ``gauge_sd`` is the
    standard deviation of one measurement repeated on the same weld. Raises ValueError below five values, where values
    do not vary, and where a method asked for by name cannot be applied.
    """
    values = np.concatenate(list(groups))
    if values.size < FEWEST:
        raise ValueError(f"{values.size} values: capability needs at least {FEWEST}")
    if not np.ptp(values):
        raise ValueError("the values do not vary: there is no spread to set against the limits")
    remarks, no_index = [], ""
    shape = None
    if _piled_up(values, specification) and method == "auto":
        no_index = "many values lie on the quantity's own bound: no curve describes them, their count does"
    elif method == "percentile":
        return _by_percentiles(groups, values, specification, target, coverage)
    else:
        shape = fit_shape(values, method=method, bounds=specification.natural)
        if shape is None:
            no_index = (
                "no curve fits the values (Anderson-Darling, 5 %): they may be of several phases or kinds"
            )
        elif not shape.fits:
            remarks.append(
                f"{shape.words}: refused by the Anderson-Darling test (p = {shape.p:.2g}); read with care"
            )
    if values.size < FEW:
        remarks.append(f"{values.size} values: intervals are wide below {FEW}")
    nothing = Indices(None, None, None, None)
    within, dof = spread_within(groups)
    observed, process, tolerance = nothing, None, (math.nan, math.nan)
    if shape is not None:
        if shape.method != "normal":
            remarks.append(
                f"reckoned on transformed values ({shape.words}); the fit's own doubt is not in the intervals"
            )
        observed = _indices(groups, specification, shape, 0.0)
        if gauge_sd > 0 and shape.method == "normal":
            process = _indices(groups, specification, shape, gauge_sd)
            if process.ppk is None:
                remarks.append(
                    "the gauge's spread is as large as the one observed: nothing is left to tell of the process"
                )
        elif gauge_sd > 0:
            remarks.append(
                "the gauge's share is not taken out of transformed values: it differs from place to place"
            )
        tolerance = _tolerance(values, specification, shape, coverage)
    differ = 1 < len(groups) < values.size and (lots := one_way(groups)).p < 0.01
    if differ:
        counts = ": Cpk tells of the spread within lots alone, and Ppk counts" if observed.cpk else ""
        remarks.append(f"the lots differ (F = {lots.f:.1f}, p = {lots.p:.1g}){counts}")
    beyond = int(((values < specification.lower) | (values > specification.upper)).sum())
    return Capability(
        values.size, len(groups), float(values.mean()), float(values.std(ddof=1)), within, dof, gauge_sd,
        specification, shape, observed, process, target, "Ppk" if differ or not observed.cpk else "Cpk",
        _needed(groups, shape, observed.ppk if differ else observed.cpk, target, differ=differ),
        beyond, share_beyond(beyond, values.size), tolerance, coverage, tuple(remarks), no_index,
    )  # fmt: skip


def _needed(
    groups: Groups, shape: Shape | None, index: Index | None, target: float, *, differ: bool
) -> int | None:
    if shape is None or index is None:
        return None
    behind = evidence([shape.forward(group) for group in groups])
    sigma, dof = behind.overall if differ else behind.within
    n = sum(group.size for group in groups)
    return values_needed(
        index.value, n=n, dof=dof, behind_centre=sigma**2 / behind.centre_variance, target=target
    )


def _indices(groups: Groups, limits: Specification, shape: Shape, gauge_sd: float) -> Indices:
    """Return the indices after the shape's transformation; the gauge's variance is taken out of both spreads."""
    values = np.concatenate(list(groups))
    z = shape.forward(values)
    lower, upper = (float(shape.forward(np.array([end]))[0]) for end in _ends(limits, shape))
    behind = evidence([shape.forward(group) for group in groups])
    centre = float(z.mean())

    def pair(sigma: float, dof: float) -> tuple[Index | None, Index | None]:
        left = sigma**2 - gauge_sd**2
        if left <= 1e-12 * sigma**2:
            return None, None
        # the gauge is taken as known: all of the doubt in the total falls on what is left
        dof *= (left / sigma**2) ** 2
        sigma = math.sqrt(left)
        width = upper - lower
        if not limits.two_sided and shape.method == "normal":
            low, high = (math.isfinite(limits.lower), math.isfinite(limits.upper))
            width = limits.upper - limits.natural[0] if high else limits.natural[1] - limits.lower
            width = width if low != high else math.inf
        spread = spread_index(width, sigma, dof) if math.isfinite(width) else None
        return spread, nearest_index(
            centre, sigma, lower, upper, n=sigma**2 / behind.centre_variance, dof=dof
        )

    return Indices(*pair(*behind.within), *pair(*behind.overall))


def _ends(limits: Specification, shape: Shape) -> tuple[float, float]:
    """Return the limits, without those that nothing can pass."""
    if shape.method == "normal":
        return limits.lower, limits.upper
    low = limits.lower if limits.lower > limits.natural[0] else -math.inf
    return low, limits.upper if limits.upper < limits.natural[1] else math.inf


def _piled_up(values: Floats, limits: Specification) -> bool:
    return any(float(np.mean(values == bound)) >= AT_BOUND for bound in limits.natural)


def _tolerance(values: Floats, limits: Specification, shape: Shape, coverage: float) -> tuple[float, float]:
    """Return the bounds that hold the coverage with 95 % confidence; one-sided towards a single limit."""
    z = shape.forward(values)
    centre, sd, n = float(z.mean()), float(z.std(ddof=1)), values.size
    low = high = math.inf
    if limits.two_sided:
        low = high = two_sided_factor(n, coverage, CONFIDENCE)
    elif math.isfinite(limits.lower):
        low = one_sided_factor(n, coverage, CONFIDENCE)
    else:
        high = one_sided_factor(n, coverage, CONFIDENCE)
    bottom = float(shape.back(np.array([centre - low * sd]))[0]) if math.isfinite(low) else -math.inf
    top = float(shape.back(np.array([centre + high * sd]))[0]) if math.isfinite(high) else math.inf
    return max(bottom, limits.natural[0]), min(top, limits.natural[1])


def _by_percentiles(
    groups: Groups, values: Floats, limits: Specification, target: float, coverage: float
) -> Capability:
    """Return Pp and Ppk from the values' own 0.135, 50 and 99.865 % points, without any curve (idea of ISO 22514-2).

    The intervals are those of 1,000 resamples (seeded, so that they repeat).
    """
    if values.size < PERCENTILE_FEWEST:
        raise ValueError(
            f"percentile: {values.size} values; the 0.135 % point lies among them from {PERCENTILE_FEWEST} on"
        )

    def indices(sample: Floats) -> tuple[float, float]:
        low, middle, high = np.quantile(sample, (0.00135, 0.5, 0.99865), method="median_unbiased")
        to_upper, to_lower = (
            (limits.upper - middle) / (high - middle),
            (middle - limits.lower) / (middle - low),
        )
        return (limits.upper - limits.lower) / (high - low), min(to_upper, to_lower)

    rng = np.random.default_rng(20261125)
    drawn = np.array([indices(rng.choice(values, values.size)) for _ in range(1000)])
    pp, ppk = (
        Index(float(value), *(float(q) for q in np.quantile(column, (0.025, 0.975, 0.05))))
        if math.isfinite(value)
        else None
        for value, column in zip(indices(values), drawn.T, strict=True)
    )
    within, dof = spread_within(groups)
    beyond = int(((values < limits.lower) | (values > limits.upper)).sum())
    tail = (1 - coverage) / 2
    inner = np.quantile(values, (tail, 1 - tail) if limits.two_sided else (1 - coverage, coverage))
    return Capability(
        values.size, len(groups), float(values.mean()), float(values.std(ddof=1)), within, dof, 0.0, limits, None,
        Indices(None, None, pp, ppk), None, target, "Ppk", None, beyond, share_beyond(beyond, values.size),
        (float(inner[0]), float(inner[1])), coverage,
        ("from the values' own percentiles; the interval of sections is theirs, without confidence",),
    )  # fmt: skip
