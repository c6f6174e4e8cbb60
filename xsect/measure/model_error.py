"""Model error: what the budgets leave out, learned on drawn sections whose truth is known.

For each quantity and regime a factor says by how much the standard uncertainty of the budget, the scale's part left
out, has to be multiplied so that 95 % intervals hold the truth. It is the rank of the readings' own need, with the
correction for a finite sample (split conformal prediction), so that no distribution is taken for granted; it goes below
1 only where the readings leave no doubt that the budget is too wide. ``model_error.toml`` holds the factors with the
drawings they were learned on; `python -m tests.bench.intervals` writes it and proves it on other drawings.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from importlib.resources import files
from typing import Final

from xsect.capture.lot_sheet import SheetRow
from xsect.locate.nugget import Nugget
from xsect.locate.section import Located
from xsect.measure.bond import TEXTURED
from xsect.quantities import (
    Component,
    Measurement,
    combined,
    coverage_factor,
    effective_dof,
    measured,
    possible,
)

REGIMES: Final = ("unetched", "etched", "plated, colour", "plated, grey", "fusion")
"""Kinds of picture that are measured in different ways, and so are wrong in different ways."""

PART: Final = "model error"
"""Name of the part of a budget that the factor adds."""

FILE: Final = "model_error.toml"

Factors = Mapping[tuple[str, str], float]


def regime_of(located: Located, nuggets: Sequence[Nugget], row: SheetRow) -> str:
    """Return which of REGIMES a section is in: fusion before plated, plated before etched.

    Etched is what shows grains, whatever the lot sheet says; grey plating is what no colour tells from base metal.
    """
    if row.weld_type == "fusion" or any(one.likely for one in nuggets):
        return "fusion"
    if row.plated:
        colour = located.plating is not None and located.plating.by == "colour"
        return "plated, colour" if colour else "plated, grey"
    return "etched" if located.parts.texture > TEXTURED else "unetched"


@cache
def learned() -> Factors:
    """Return the factors of the package's own file by (quantity, regime)."""
    text = files("xsect.measure").joinpath(FILE).read_text(encoding="utf-8")
    table = tomllib.loads(text)["factor"]
    return {(name, regime): cell["factor"] for name, cells in table.items() for regime, cell in cells.items()}


def with_model_error(
    found: Iterable[Measurement], regime: str, factors: Factors | None = None
) -> list[Measurement]:
    """Return the measurements with the model error in their budgets; those without a factor are as they were."""
    known = learned() if factors is None else factors
    return [widened(one, known.get((one.quantity, regime), 1.0)) for one in found]


def widened(one: Measurement, factor: float) -> Measurement:
    """Return a measurement whose uncertainty, all but the scale's part, is multiplied by ``factor``.

    From 1 up the budget gets a part of its own for it; below, its parts shrink. An interval that is not the budget's
    (an upper bound) stays as it is, for the budget says nothing about its shape.
    """
    if factor == 1 or not one or not one.budget or not _by_budget(one):
        return one
    own = [part for part in one.budget if part.name != "scale"]
    if factor > 1:
        budget = (*one.budget, Component(PART, math.sqrt(factor**2 - 1) * combined(own)))
    else:
        budget = tuple(
            part if part.name == "scale" else replace(part, u=factor * part.u) for part in one.budget
        )
    made = measured(one.quantity, one.value, budget, segment=one.segment, note=one.note, method=one.method)
    return replace(made, status=one.status)


def _by_budget(one: Measurement) -> bool:
    expanded = coverage_factor(effective_dof(one.budget)) * one.u
    ends = possible(one.quantity, one.value - expanded, one.value + expanded)
    return all(
        math.isclose(made, is_now, rel_tol=1e-9, abs_tol=1e-12)
        for made, is_now in zip(ends, (one.low, one.high), strict=True)
    )
