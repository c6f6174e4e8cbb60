"""Measurements: budgets, intervals, and how numbers are written."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from xsect.quantities import (
    COVERAGE_FACTOR,
    QUANTITIES,
    Component,
    Measurement,
    Unit,
    measured,
    not_measured,
    show,
    word,
)

# JCGM 100:2008, annex H.1 (end gauge): contributions in nm, read in public test files that quote the annex.
# Printed: uc = 32 nm and uc² = 1002 nm²; the contributions give 1003, because each of them is rounded.
END_GAUGE = {
    "standard": 25.0,
    "difference": 9.7,
    "expansion": 0.0,
    "temperature": 0.0,
    "expansion difference": 2.9,
    "temperature difference": 16.6,
}


def test_combined_uncertainty_of_the_end_gauge() -> None:
    budget = tuple(Component(name, nm / 1000) for name, nm in END_GAUGE.items())
    found = measured("upper_thickness", 50000.838, budget)
    assert round(1000 * found.u) == 32
    # Half a digit of each contribution: 2 (25 · 0.5 + 16.6 · 0.05 + 9.7 · 0.05 + 2.9 · 0.05) is about 28 nm².
    assert (1000 * found.u) ** 2 == pytest.approx(1002, abs=28)
    assert (1000 * found.u) ** 2 == pytest.approx(1003.06, abs=0.01)
    assert found.high - found.low == pytest.approx(2 * COVERAGE_FACTOR * found.u)
    assert found.budget == budget


@given(st.lists(st.floats(0, 1e3), min_size=1, max_size=6), st.floats(0, 1e4))
def test_a_budget_is_never_less_than_its_largest_part(parts: list[float], value: float) -> None:
    found = measured("bond_width", value, tuple(Component(str(i), u) for i, u in enumerate(parts)))
    assert max(parts) * (1 - 1e-12) <= found.u <= sum(parts) * (1 + 1e-12)
    assert found.low <= found.value <= found.high


@pytest.mark.parametrize(
    ("quantity", "value", "low", "high"),
    [
        ("bond_width", 1.0, 0.0, 1 + COVERAGE_FACTOR),
        ("continuity", 0.9, 0.0, 1.0),
        ("bond_offset", 1.0, 1 - COVERAGE_FACTOR, 1 + COVERAGE_FACTOR),
        ("collapse", 0.9, 0.9 - COVERAGE_FACTOR, 0.9 + COVERAGE_FACTOR),
    ],
)
def test_intervals_stay_where_the_quantity_can_be(
    quantity: str, value: float, low: float, high: float
) -> None:
    found = measured(quantity, value, (Component("all", 1.0),))
    assert (found.low, found.high) == pytest.approx((low, high))


def test_an_impossible_value_has_an_empty_interval() -> None:
    found = measured("plating_in_bond_mean", -5, (Component("all", 0.2),))
    assert found.low > found.high


def test_what_was_not_measured_is_false() -> None:
    refused = not_measured("standoff", "no gap in view", segment=None)
    assert not refused
    assert math.isnan(refused.value)
    assert refused.note == "no gap in view"
    assert measured("standoff", 0.0, ())
    assert word("bond_kind", "none")


def test_unknown_quantities_are_refused() -> None:
    with pytest.raises(ValueError, match="quantity = 'bond_widht': not in the registry"):
        Measurement("bond_widht", 1, 1, 0, 2)


@pytest.mark.parametrize(
    ("value", "unit", "u", "text"),
    [
        (812.3, "um", 7.1, "0.8123 mm"),
        (1234.567, "um", 12.3, "1.235 mm"),
        (99.94, "um", None, "99.94 µm"),
        (100.0, "um", None, "0.1000 mm"),
        (3.14159, "um", 0.42, "3.14 µm"),
        (-150.0, "um", 12.0, "-0.150 mm"),
        (512.4, "um2", 30.0, "512 µm²"),
        (250000.0, "um2", 3000.0, "0.2500 mm²"),
        (0.9312, "fraction", 0.012, "93.1 %"),
        (0.0, "um", None, "0.0 µm"),
        (math.nan, "um", 1.0, "–"),
    ],
)
def test_numbers_are_written_as_people_read_them(
    value: float, unit: Unit, u: float | None, text: str
) -> None:
    assert show(value, unit, digits_from=u) == text


def test_the_registry_is_complete() -> None:
    for name, entry in QUANTITIES.items():
        assert name == entry.name
        for text in (entry.label, entry.definition, entry.method, entry.source):
            assert text
            assert text == text.strip()
        assert entry.definition.endswith(".")
        assert entry.method.endswith(".")
