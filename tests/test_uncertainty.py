"""Combining uncertainties: the GUM's worked example, degrees of freedom, and what one scale does to two lengths.

JCGM 100:2008, annex H.1 (end gauge), inputs and results as quoted in public test files; recomputed. The Monte Carlo
checks draw 200,000 times: a standard deviation is then known to 0.16 % (standard error), 0.8 % is five of them.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from xsect.measure.chord import diameter_from_chord
from xsect.quantities import (
    COVERAGE_FACTOR,
    Component,
    Measurement,
    combined,
    coverage_factor,
    effective_dof,
    measured,
)
from xsect.uncertainty import difference_budget, ratio_budget

DRAWS, WITHIN = 200_000, 0.008

COMPARISON = (
    Component("readings", 5.8, 24),
    Component("comparator, random", 3.9, 5),
    Component("systematic", 6.7, 8),
)
"""Uncertainty of the comparison of the two gauges in nm (H.1.3.2)."""
LENGTH_NM = 50e6
END_GAUGE = {
    # name: (estimate, standard uncertainty, degrees of freedom); lengths in nm, temperatures in °C
    "standard": (50_000_623.0, 25.0, 18.0),
    "difference": (215.0, 9.7, 25.6),
    "expansion": (11.5e-6, 2e-6 / math.sqrt(3), math.inf),
    "temperature": (-0.1, math.hypot(0.2, 0.5 / math.sqrt(2)), math.inf),
    "expansion difference": (0.0, 1e-6 / math.sqrt(3), 50.0),
    "temperature difference": (0.0, 0.05 / math.sqrt(3), 2.0),
}


def end_gauge(standard, difference, expansion, temperature, expansion_difference, temperature_difference):
    """Length of the end gauge in nm (H.1.2, equation H.3)."""
    return (
        standard
        + difference
        - standard * (expansion_difference * temperature + expansion * temperature_difference)
    )


def first_order() -> tuple[Component, ...]:
    """The budget of the end gauge, sensitivities by central differences."""
    estimates = [value for value, _, _ in END_GAUGE.values()]
    out = []
    for place, (name, (_, u, dof)) in enumerate(END_GAUGE.items()):
        up, down = list(estimates), list(estimates)
        up[place] += u
        down[place] -= u
        out.append(Component(name, abs(end_gauge(*up) - end_gauge(*down)) / 2, dof))
    return tuple(out)


def test_the_end_gauge_of_the_gum() -> None:
    budget = first_order()
    value = end_gauge(*(value for value, _, _ in END_GAUGE.values()))
    assert round(value) == 50_000_838
    assert round(combined(COMPARISON), 1) == 9.7
    # printed 25.6 is reckoned with the rounded 9.7: (9.7 / 9.685)⁴ is 0.6 %
    assert effective_dof(COMPARISON) == pytest.approx(25.6, rel=0.007)
    for part, printed, half_digit in zip(
        budget, (25, 9.7, 0, 0, 2.9, 16.6), (0.5, 0.05, 0.05, 0.05, 0.05, 0.05), strict=True
    ):
        assert part.u == pytest.approx(printed, abs=half_digit), part.name
    u, dof = combined(budget), effective_dof(budget)
    assert round(u) == 32
    # printed uc² is 1002 nm², the parts give 1003: 0.03 of 16.7, beside half its last digit
    assert dof == pytest.approx(16.7, abs=0.08)
    factor = coverage_factor(dof, 0.99)
    assert factor == pytest.approx(2.92, abs=0.005)
    # printed 93 nm is 2.92 times the rounded 32 nm
    assert factor * round(u) == pytest.approx(93, abs=0.6)


def test_the_end_gauge_by_monte_carlo() -> None:
    """First order leaves out products: 11.7 and 1.7 nm in the GUM's text (from memory), 34 nm with them."""
    rng = np.random.default_rng(1)
    draws = [value + u * rng.standard_normal(DRAWS) for value, u, _ in END_GAUGE.values()]
    spread = float(np.std(end_gauge(*draws)))
    linear = combined(first_order())
    assert spread == pytest.approx(33.9, rel=WITHIN)
    length, temperature, expansion = (
        LENGTH_NM,
        END_GAUGE["temperature"][1],
        END_GAUGE["expansion difference"][1],
    )
    products = (
        length * temperature * expansion,
        length * END_GAUGE["expansion"][1] * END_GAUGE["temperature difference"][1],
    )
    assert products == pytest.approx((11.8, 1.7), abs=0.2)
    assert math.hypot(linear, *products) == pytest.approx(spread, rel=WITHIN)


@pytest.mark.parametrize(
    ("dof", "level", "factor"),
    # Student's t, two-sided (JCGM 100:2008, table G.2)
    [
        (1, 0.95, 12.71),
        (4, 0.95, 2.78),
        (10.9, 0.95, 2.23),
        (16, 0.99, 2.92),
        (50, 0.95, 2.01),
        (math.inf, 0.95, 1.960),
    ],
)
def test_coverage_factors(dof: float, level: float, factor: float) -> None:
    assert coverage_factor(dof, level) == pytest.approx(factor, abs=0.005)


def test_many_readings_count_as_infinitely_many() -> None:
    budget = (Component("fit", 2.0), Component("spread", 1e-9, 2))
    assert coverage_factor(effective_dof(budget)) == COVERAGE_FACTOR
    few = measured("bond_width", 100.0, (Component("choices", 2.0, 4),))
    assert few.high - few.value == pytest.approx(2.776 * 2.0, rel=1e-3)


@given(st.lists(st.tuples(st.floats(1e-9, 1e3), st.floats(1, 100)), min_size=1, max_size=6))
def test_degrees_of_freedom_lie_between_the_fewest_and_the_sum(parts: list[tuple[float, float]]) -> None:
    dof = effective_dof([Component("", u, n) for u, n in parts])
    assert min(n for _, n in parts) * (1 - 1e-9) <= dof <= sum(n for _, n in parts) * (1 + 1e-9)


U_SCALE = 0.02


def length(quantity: str, value: float, u: float) -> Measurement:
    return measured(quantity, value, (Component("edges", u), Component("scale", U_SCALE * value)))


def drawn(one: Measurement, other: Measurement) -> tuple[np.ndarray, np.ndarray]:
    """Both lengths as pictures of uncertain scale would give them: one error of the scale, two of the edges."""
    rng = np.random.default_rng(2)
    scale = 1 + U_SCALE * rng.standard_normal(DRAWS)
    return tuple(
        (found.value + found.budget[0].u * rng.standard_normal(DRAWS)) * scale for found in (one, other)
    )


PAIRS = [((1000.0, 4.0), (950.0, 3.0)), ((800.0, 1.0), (200.0, 2.0)), ((300.0, 0.0), (300.0, 0.0))]


@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_difference_in_one_picture_by_monte_carlo(
    first: tuple[float, float], second: tuple[float, float]
) -> None:
    one, other = length("upper_thickness", *first), length("lower_thickness", *second)
    a, b = drawn(one, other)
    u = combined(difference_budget(one, other))
    # edges times scale is second order: the product of the two shares, below 0.01 here
    assert u == pytest.approx(float(np.std(a - b)), rel=WITHIN, abs=0.02 * max(first[1], second[1]))
    independent = math.hypot(one.u, other.u)
    assert u < independent


@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_ratio_in_one_picture_by_monte_carlo(first: tuple[float, float], second: tuple[float, float]) -> None:
    one, other = length("upper_thickness", *first), length("lower_thickness", *second)
    a, b = drawn(one, other)
    u = combined(ratio_budget(one, other))
    assert u == pytest.approx(float(np.std(a / b)), rel=WITHIN, abs=1e-12)
    assert sum(part.u for part in ratio_budget(one, other) if part.name == "scale") == pytest.approx(
        0, abs=1e-15
    )


def test_shared_parts_may_be_named() -> None:
    width = measured("bond_width", 100.0, (Component("notches", 4.0), Component("scale", 1.0)))
    bonded = measured(
        "bonded_length",
        80.0,
        (Component("notches", 4.0), Component("flaws inside", 3.0), Component("scale", 0.8)),
    )
    parts = {part.name: part.u for part in ratio_budget(bonded, width, shared=("notches", "scale"))}
    assert parts == pytest.approx(
        {"notches": 0.2 * 4 / 100, "flaws inside of bonded_length": 0.03, "scale": 0.0}
    )


def test_nothing_is_divided_by_zero() -> None:
    with pytest.raises(ValueError, match="bond_width = 0: must not be 0"):
        ratio_budget(WIDTH, measured("bond_width", 0.0, (Component("edges", 1.0),)))


WIDTH = length("bond_width", 1000.0, 5.0)


@pytest.mark.parametrize(("chord", "offset"), [(1000.0, 200.0), (600.0, 400.0)])
def test_diameter_of_a_chord_by_monte_carlo(chord: float, offset: float) -> None:
    """Curvature adds (u/D)² of the result: below 0.2 % here."""
    rng = np.random.default_rng(3)
    u_chord, u_offset = 8.0, 10.0
    draws = np.sqrt(
        (chord + u_chord * rng.standard_normal(DRAWS)) ** 2
        + 4 * (offset + u_offset * rng.standard_normal(DRAWS)) ** 2
    )
    value, u = diameter_from_chord(chord, offset, u_chord_um=u_chord, u_offset_um=u_offset)
    assert u == pytest.approx(float(np.std(draws)), rel=WITHIN)
    assert value == pytest.approx(float(np.mean(draws)), rel=0.002)
