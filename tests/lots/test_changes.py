"""Change points and variance components on series made with known steps and spreads."""

import numpy as np
import pytest

from xsect.lots.changes import change_points
from xsect.lots.variance import components_by_moments, components_by_reml, lot_means, one_way


def stepped(rng: np.random.Generator, step: float, before: int = 15, after: int = 10) -> np.ndarray:
    return np.concatenate((rng.normal(0, 1, before), rng.normal(step, 1, after)))


@pytest.mark.parametrize("n", [8, 25, 60])
def test_a_steady_series_has_no_step(n: int) -> None:
    rng = np.random.default_rng(5)
    false = sum(bool(change_points(rng.normal(0, 1, n))) for _ in range(400))
    # promised: below 5 %; 400 series leave a standard error of 1.1 % at most
    assert false / 400 < 0.05


def test_a_step_is_found_placed_and_sized() -> None:
    rng = np.random.default_rng(6)
    found = [change_points(stepped(rng, 3.0)) for _ in range(300)]
    alone = [one[0] for one in found if len(one) == 1]
    assert len(alone) > 0.95 * 300
    held = np.mean([one.earliest <= 15 <= one.latest for one in alone])
    sized = np.mean([one.low <= 3.0 <= one.high for one in alone])
    # 95 % intervals, 1.3 % standard error
    assert held > 0.92
    assert 0.92 < sized < 0.99


def test_two_steps_up_and_down() -> None:
    values = np.concatenate((np.zeros(10), np.full(10, 8.0), np.zeros(10))) + 0.5 * (np.arange(30) % 2)
    up, down = change_points(values)
    assert (up.place, down.place) == (10, 20)
    assert (up.shift, down.shift) == pytest.approx((8.0, -8.0))


def test_large_lots_weigh_more() -> None:
    values = np.array([0.0, 0.3, -0.2, 0.1, 6.0, 0.2, 5.8, 6.1, 6.2, 5.9, 6.0, 6.1])
    weights = np.array([9.0, 9, 9, 9, 1, 9, 9, 9, 9, 9, 9, 9])  # the fifth is a lot of one
    (change,) = change_points(values, weights=weights)
    assert change.place == 6


@pytest.mark.parametrize("values", [np.zeros(20), np.array([1.0, 9.0, 1.0, 9.0, 1.0])])
def test_nothing_is_said_without_spread_or_enough_points(values: np.ndarray) -> None:
    assert change_points(values) == ()


def balanced(rng: np.random.Generator, sd_lots: float, lots: int = 12, size: int = 5) -> list[np.ndarray]:
    return [rng.normal(rng.normal(0, sd_lots), 1.0, size) for _ in range(lots)]


def test_both_ways_agree_where_sizes_are_equal() -> None:
    given = balanced(np.random.default_rng(7), 1.0)
    moments, reml = components_by_moments(given), components_by_reml(given)
    assert (reml.sd_lots, reml.sd_within) == pytest.approx((moments.sd_lots, moments.sd_within), rel=1e-5)


def test_components_over_many_sets() -> None:
    rng = np.random.default_rng(8)
    made = [components_by_reml(balanced(rng, 1.0)) for _ in range(250)]
    # a variance of lots with 11 degrees of freedom scatters by half of itself: 4 % in the mean of 250
    assert np.mean([one.sd_lots**2 for one in made]) == pytest.approx(1.0, abs=0.13)
    assert np.mean([one.sd_within**2 for one in made]) == pytest.approx(1.0, abs=0.04)
    held = np.mean([one.share_low <= 0.5 <= one.share_high for one in made])
    assert 0.90 < held < 0.99


def test_a_negative_component_is_clamped_and_said() -> None:
    given = [np.array([-5.0, 5.0]), np.array([-4.9, 4.9]), np.array([-5.1, 5.1])]
    moments = components_by_moments(given)
    assert (moments.sd_lots, moments.clamped, moments.share_low) == (0.0, True, 0.0)
    assert components_by_reml(given).sd_lots == 0.0


def test_means_of_lots_stand_on_the_pooled_spread() -> None:
    rng = np.random.default_rng(9)
    given = [rng.normal(5.0, 1.0, size) for size in (4, 9, 1)]
    small, large, single = lot_means(given)
    assert (small.high - small.low) / (large.high - large.low) == pytest.approx(1.5)
    assert single.high - single.low == pytest.approx(2 * (small.high - small.low))


def test_lots_that_cannot_be_compared() -> None:
    with pytest.raises(ValueError, match="two lots"):
        one_way([np.array([1.0]), np.array([2.0])])
