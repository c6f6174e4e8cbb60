"""Evidence: what stands behind a mean and a spread when sections come in lots and are not independent."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xsect.lots.spread import Groups, moving_range_sigma, pooled_sigma
from xsect.lots.variance import one_way


@dataclass(frozen=True)
class Evidence:
    """What stands behind the estimates: variance of the centre, and (sd, freedom) within lots and of all values."""

    centre_variance: float
    within: tuple[float, float]
    overall: tuple[float, float]


def evidence(groups: Groups) -> Evidence:
    """Return it, with sections of one lot not counted as independent.

    Freedom of the whole spread after F. E. Satterthwaite (Biometrics 2, 1946), from the mean squares between and within
    lots; where lots do not differ it is about n − 1.
    """
    values = np.concatenate(list(groups))
    n, sd = values.size, float(values.std(ddof=1))
    within = spread_within(groups)
    if not 1 < len(groups) < n:
        return Evidence(sd**2 / n, within, (sd, n - 1))
    table = one_way(groups)
    sizes = np.array([group.size for group in groups], dtype=float)
    n0 = float((n - (sizes**2).sum() / n) / (len(groups) - 1))
    between, inner = table.ms_between / n0, (1 - 1 / n0) * table.ms_within
    freedom = (between + inner) ** 2 / (between**2 / table.df_between + inner**2 / table.df_within)
    among = max(0.0, (table.ms_between - table.ms_within) / n0)
    centre = among * float((sizes**2).sum()) / n**2 + table.ms_within / n
    return Evidence(centre, within, (sd, min(freedom, n - 1)))


def spread_within(groups: Groups) -> tuple[float, float]:
    """Return (sd, degrees of freedom) within lots; from moving ranges where every lot holds one value."""
    if any(group.size > 1 for group in groups):
        return pooled_sigma(groups)
    return moving_range_sigma(np.concatenate(list(groups)))
