"""Many tests at once: p-values corrected so that the family errs as rarely as one test should."""

from __future__ import annotations

from collections.abc import Sequence


def holm(p_values: Sequence[float]) -> list[float]:
    """Return p-values adjusted by the step-down method, in the given order.

    Source: S. Holm, Scand. J. Stat. 6 (1979) 65-70. Holds whatever the dependence between the tests.
    """
    order = sorted(range(len(p_values)), key=lambda at: p_values[at])
    adjusted = [0.0] * len(p_values)
    largest = 0.0
    for rank, at in enumerate(order):
        largest = max(largest, min(1.0, (len(p_values) - rank) * p_values[at]))
        adjusted[at] = largest
    return adjusted
