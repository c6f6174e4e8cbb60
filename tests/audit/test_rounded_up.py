"""Values rounded up to a coarse step among others that were read: found together, and honest ones seldom."""

import numpy as np
import pytest

from xsect.audit.rounded_up import _SHARES, RoundedUp, _fits, find_rounded_up

MEASURED = [908, 861, 912, 858, 907, 893, 884, 931, 876, 921, 887, 915]
STATED = [950, 900, 950, 900, 950, 890, 880, 930, 880, 920, 890, 920]


def found(stated: list[float], measured: list[float], u: list[float]) -> RoundedUp | None:
    return find_rounded_up(stated, measured, u, np.random.default_rng(1))


def test_values_rounded_up_are_found() -> None:
    one = found(STATED, MEASURED, [18.0] * 12)
    assert one is not None
    assert (one.step, one.places, one.plain) == (50, (0, 1, 2, 3, 4), (0, 1, 2, 3, 4))
    assert one.p < 0.001


def test_one_that_is_measured_badly_is_told_by_its_company() -> None:
    """942 ± 59 against 950 says nothing by itself; four others on the same step do."""
    measured, u = [*MEASURED], [18.0] * 12
    measured[4], u[4] = 942, 59.0
    one = found(STATED, measured, u)
    assert one is not None
    assert (one.places, one.plain) == ((0, 1, 2, 3, 4), (0, 1, 2, 3))


@pytest.mark.parametrize("step", [1, 10])
def test_honest_rounding_is_not(step: float) -> None:
    assert found([round(value / step) * step for value in MEASURED], MEASURED, [18.0] * 12) is None


def test_few_values_say_nothing() -> None:
    assert found([950, 900], [908, 861], [18.0] * 2) is None
    assert found([], [], []) is None


def test_readers_who_differ_do_not_round_up() -> None:
    """40 honest packages read with 2 % spread: at a true 1 % three or more come with a chance of less than 1 %."""
    rng = np.random.default_rng(3)
    named = 0
    for _ in range(40):
        true = rng.normal(905, 25, 20)
        measured = true * (1 + rng.normal(0, 0.005, 20))
        stated = np.rint(true * (1 + rng.normal(0, 0.02, 20)) / 10) * 10
        named += find_rounded_up(list(stated), list(measured), [18.8] * 20, rng) is not None
    assert named < 3


def test_shares_are_weighed_as_the_mixture_says() -> None:
    """Of each share s of values rounded up, the sum of log(1 - s + s · odds) over all values, those at odds 0 too."""
    rng = np.random.default_rng(4)
    odds = np.where(rng.random((30, 40)) < 0.7, 0.0, rng.exponential(2.0, (30, 40)))
    odds[0] = 0.0
    plainly = np.log(1 - _SHARES + odds[..., None] * _SHARES).sum(axis=1)
    assert np.allclose(_fits(odds), plainly.T, rtol=1e-12, atol=1e-12)


def test_values_rounded_up_are_found_among_many() -> None:
    rng = np.random.default_rng(6)
    measured = rng.normal(905, 25, 600)
    stated = np.rint(measured * (1 + rng.normal(0, 0.02, 600)) / 10) * 10
    stated[:200] = np.ceil(measured[:200] / 50) * 50
    one = found(list(stated), list(measured), [18.0] * 600)
    assert one is not None
    assert one.step == 50
    assert len(set(one.places) & set(range(200))) > 110
    assert set(one.places) <= {at for at in range(600) if stated[at] % 50 == 0}
