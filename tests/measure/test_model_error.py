"""Model error: what a factor does to a budget and its interval, and the file that holds the factors."""

import math
import tomllib

import pytest

from xsect.measure.model_error import FILE, PART, REGIMES, files, learned, widened, with_model_error
from xsect.quantities import COVERAGE_FACTOR, QUANTITIES, Component, measured, not_measured

PARTS = (Component("notches", 3.0), Component("edges", 4.0), Component("scale", 2.0))
WIDTH = measured("bond_width", 1000.0, PARTS)


def own(u: float) -> float:
    """The part of a standard uncertainty that is not the scale's."""
    return math.sqrt(u**2 - 2.0**2)


@pytest.mark.parametrize("factor", [0.5, 0.9, 1.0, 1.4, 3.0])
def test_a_factor_multiplies_all_but_the_scale(factor: float) -> None:
    made = widened(WIDTH, factor)
    assert own(made.u) == pytest.approx(5.0 * factor)
    assert made.high - made.value == pytest.approx(COVERAGE_FACTOR * made.u)
    assert math.hypot(*(part.u for part in made.budget)) == pytest.approx(made.u)
    assert (PART in [part.name for part in made.budget]) == (factor > 1)
    assert next(part.u for part in made.budget if part.name == "scale") == 2.0


def test_cut_intervals_are_cut_again() -> None:
    share = measured("continuity", 0.98, (Component("flaws inside", 0.02),), segment=2, note="kept")
    made = widened(share, 2.0)
    assert (made.low, made.high) == pytest.approx((0.98 - 2 * COVERAGE_FACTOR * 0.02, 1.0))
    assert (made.segment, made.note) == (2, "kept")
    narrow = widened(measured("void_fraction", 0.01, (Component("edges of voids", 0.02),)), 0.5)
    assert narrow.low == 0.0


def test_upper_bounds_and_what_was_not_measured_stay() -> None:
    from dataclasses import replace

    bound = replace(
        measured("imc_mean", 0.2, (Component("what the blur could hide", 0.5),)), low=0.0, high=2.0
    )
    refused = not_measured("bond_width", "no gap in view")
    factors = {("imc_mean", "etched"): 2.0, ("bond_width", "etched"): 2.0}
    assert with_model_error([bound, refused], "etched", factors) == [bound, refused]
    assert with_model_error([WIDTH], "unetched", factors) == [WIDTH]


def test_the_file_says_where_its_factors_come_from() -> None:
    table = tomllib.loads(files("xsect.measure").joinpath(FILE).read_text(encoding="utf-8"))
    for name, regime in learned():
        assert name in QUANTITIES
        assert regime in REGIMES
    for cells in table["factor"].values():
        assert all(0.2 <= cell["factor"] <= 20 and cell["readings"] > 0 for cell in cells.values())
