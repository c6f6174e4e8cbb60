"""Charts with a memory, for small lasting shifts: exponentially weighted moving average, and cumulative sum.

EWMA: S. W. Roberts, Technometrics 1, 1959; CUSUM: E. S. Page, Biometrika 41, 1954, in its tabular form
(NIST/SEMATECH e-Handbook, 6.3.2.3 and 6.3.2.4).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from xsect.lots.spread import Floats

if TYPE_CHECKING:
    from xsect.lots.charts import Panel, Plan


def ewma(values: Floats, start: float, weight: float) -> Floats:
    """Return z_i = weight · x_i + (1 − weight) · z_(i−1), with z_0 = ``start``; 0 < weight ≤ 1."""
    if not 0 < weight <= 1:
        raise ValueError(f"weight = {weight:g}: must be above 0 and at most 1")
    out, last = np.empty(values.size), start
    for i, value in enumerate(values):
        last = weight * float(value) + (1 - weight) * last
        out[i] = last
    return out


def ewma_sd(sd: Floats, weight: float, *, steady: bool = False) -> Floats:
    """Return the standard deviation of each z_i for points of standard deviation ``sd`` (n,).

    ``steady``: the value that is reached in the end, for each point's own ``sd``, instead of the one that grows from
    the first point on.
    """
    if steady:
        return np.asarray(sd * np.sqrt(weight / (2 - weight)))
    out, last = np.empty(sd.size), 0.0
    for i, one in enumerate(sd):
        last = (weight * float(one)) ** 2 + (1 - weight) ** 2 * last
        out[i] = last
    return np.sqrt(out)


def cusum(values: Floats, target: float, k: float) -> tuple[Floats, Floats]:
    """Return the sums above and below a target, C+ and C−, both ≥ 0 and in the values' unit, as ``k`` is."""
    above, below = np.empty(values.size), np.empty(values.size)
    high = low = 0.0
    for i, value in enumerate(values - target):
        high, low = max(0.0, high + float(value) - k), max(0.0, low - float(value) - k)
        above[i], below[i] = high, low
    return above, below


def memory_panels(
    kind: str, means: Floats, centre: Floats, sd: Floats, phase: NDArray[np.int64], plan: Plan
) -> tuple[Panel, ...]:
    """Return the panels of an EWMA chart (in the quantity's unit) or a CUSUM chart (in sd of a point)."""
    from xsect.lots.charts import Panel

    parts = [np.flatnonzero(phase == one) for one in np.unique(phase)]
    if kind == "ewma":
        smooth, spread = np.empty(means.size), np.empty(means.size)
        for part in parts:
            smooth[part] = ewma(means[part], float(centre[part[0]]), plan.weight)
            spread[part] = ewma_sd(sd[part], plan.weight, steady=plan.steady)
        return (Panel("weighted mean", smooth, centre, centre - 3 * spread, centre + 3 * spread),)
    z = (means - centre) / sd
    above, below = np.empty(means.size), np.empty(means.size)
    for part in parts:
        above[part], below[part] = cusum(z[part], 0.0, plan.k)
    zero, limit = np.zeros(means.size), np.full(means.size, plan.h)
    return (
        Panel("sum above", above, zero, -limit, limit),
        Panel("sum below", -below, zero, -limit, limit),
    )
