"""Uncertainty of what is computed from two lengths of one picture: errors that both share do not add up.

Both were multiplied by one scale, so its error cancels in a ratio and only counts for what they differ by in a
difference. First order throughout (JCGM 100:2008, 5.2, correlation coefficient 1 for the shared parts and 0 for
the others).
"""

from __future__ import annotations

from collections.abc import Collection

from xsect.quantities import Component, Measurement

SHARED = ("scale",)
"""Names of the parts that all lengths of one picture have in common."""


def difference_budget(
    one: Measurement, other: Measurement, *, shared: Collection[str] = SHARED
) -> tuple[Component, ...]:
    """Return the budget of ``one.value - other.value``, in their common unit."""
    return _combine(one, other, 1.0, -1.0, shared)


def ratio_budget(
    one: Measurement, other: Measurement, *, shared: Collection[str] = SHARED
) -> tuple[Component, ...]:
    """Return the budget of ``one.value / other.value``, a pure number. Raises ValueError where ``other`` is 0."""
    if other.value == 0:
        raise ValueError(f"{other.quantity} = 0: must not be 0 where it divides")
    return _combine(one, other, 1 / other.value, -one.value / other.value**2, shared)


def _combine(
    one: Measurement, other: Measurement, by_one: float, by_other: float, shared: Collection[str]
) -> tuple[Component, ...]:
    """Return the parts times their sensitivities; a shared part moves both values the same way at once."""
    ours = {part.name: part for part in one.budget}
    theirs = {part.name: part for part in other.budget}
    out = []
    for name in dict.fromkeys((*ours, *theirs)):
        first, second = (of.get(name, Component(name, 0.0)) for of in (ours, theirs))
        if name in shared:
            together = abs(by_one * first.u + by_other * second.u)
            out.append(Component(name, together, min(first.dof, second.dof)))
            continue
        for part, by, of in ((first, by_one, one), (second, by_other, other)):
            if part.u:
                out.append(Component(f"{name} of {of.quantity}", abs(by) * part.u, part.dof))
    return tuple(out)
