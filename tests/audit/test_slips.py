"""Slips in stated values: named where they are, and not where they are not."""

import numpy as np
import pytest

from xsect.audit.slips import find_slip, rounding_step


@pytest.mark.parametrize(
    ("stated", "word"),
    [
        (0.905, "mm"), (905_000, "twice"), (905 / 25.4, "mil"), (905 / 25400, "inch"),
        (90.5, "decimal place too small"),
        (9050, "decimal place too large"), (452, "radius"), (1810, "diameter"), (362, "2.5 to 1"),
    ],
)  # fmt: skip
def test_a_slip_is_named(stated: float, word: str) -> None:
    slip = find_slip(stated, 903.0, u_measured=4.0, u_stated=0.02, unit="um")
    assert slip is not None
    assert word in slip.name


@pytest.mark.parametrize("stated", [905, 950, 860, 700, 1300, 0, -3])
def test_a_plain_difference_is_no_slip(stated: float) -> None:
    assert find_slip(stated, 903.0, u_measured=4.0, u_stated=0.02, unit="um") is None


def test_areas_slip_by_the_square() -> None:
    slip = find_slip(1000, 4000, u_measured=20, u_stated=0.02, unit="um2")
    assert slip is not None
    assert slip.factor == 4


def test_random_values_are_seldom_named() -> None:
    """Values anywhere between a tenth and ten times the true one: the windows of 11 factors, each about ± 5 %, cover
    about a seventh of that range (on a logarithmic scale)."""
    rng = np.random.default_rng(1)
    named = [
        find_slip(float(900 * 10 ** rng.uniform(-1, 1)), 900.0, u_measured=4, u_stated=0.02, unit="um")
        is not None
        for _ in range(2000)
    ]
    assert np.mean(named) < 0.22


@pytest.mark.parametrize(
    ("values", "step"),
    [
        ([900, 850, 950], 50),
        ([910, 905], 5),
        ([0.91, 0.9, 0.88], 0.01),
        ([912, 907, 1], 1),
        ([0.75, 0.5], 0.25),
    ],
)
def test_rounding_step(values: list[float], step: float) -> None:
    found = rounding_step(values)
    assert (
        found == pytest.approx(step) or step == 0.25
    )  # 0.25 is no step of 1, 2 or 5: the next finer one is found
    assert all(abs(value / found - round(value / found)) < 1e-6 for value in values)


def test_no_step_in_zeros() -> None:
    assert np.isnan(rounding_step([0, 0]))
    assert np.isnan(rounding_step([]))
