"""Signs of selection: each speaks of what was planted, and p-values are honest where nothing was."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from xsect.audit.multiple import holm
from xsect.audit.selection import (
    Sign,
    _few_days,
    corrected,
    crowded_at_limit,
    cut_days,
    missing_numbers,
    repeated_values,
    small_spread,
    smaller_than_measured,
    terminal_digits,
)


def test_holm_by_hand() -> None:
    """Four p-values, worked by hand after Holm 1979: 0.01 · 4, then 0.02 · 3, then no smaller than that."""
    assert holm([0.03, 0.01, 0.02, 0.9]) == pytest.approx([0.06, 0.04, 0.06, 0.9])
    assert holm([]) == []


def test_corrected_signs_keep_their_own_p() -> None:
    signs = corrected([Sign("a", "", "", "", 0.01), Sign("b", "", "", "", 0.5)])
    assert [(one.p, one.adjusted) for one in signs] == [(0.01, 0.02), (0.5, 0.5)]


def test_missing_numbers() -> None:
    kept = [f"S{number:02d}" for number in range(1, 21) if number not in (4, 9, 13)]
    found = missing_numbers(kept)
    assert found is not None
    assert "S4, S9, S13" in found.seen
    # at least 3 of 20 lost at 1 in 50 each
    assert found.p == pytest.approx(1 - sum(math.comb(20, k) * 0.02**k * 0.98 ** (20 - k) for k in range(3)))
    assert missing_numbers(["A", "B", "C"]) is None
    assert missing_numbers(["S1", "S40", "S77", "S130", "S200"]) is None


def test_days_of_cutting() -> None:
    """Three sections on one of 2 days alike: all on one day with 2 · (1/2)³ = 1/4."""
    assert _few_days(3, 2, 1) == pytest.approx(0.25)
    assert _few_days(3, 2, 2) == 1
    found = cut_days(["2026-10-12"] * 8, days=4)
    assert found is not None
    assert found.p == pytest.approx(4.0**-7)
    assert cut_days(["2026-10-12"] * 8, days=None) is None


def test_spread_far_below_the_process() -> None:
    values = list(900 + np.array([1, -1, 2, 0, -2, 1, 0, -1.0]))
    found = small_spread(values, process_sd=20)
    assert found is not None
    assert found.p < 1e-6


def test_planted_digits_repeats_and_crowding() -> None:
    rng = np.random.default_rng(4)
    measured = rng.normal(810, 25, 40)
    fives = list(np.rint(measured / 5) * 5 + (np.arange(40) < 4))  # mostly 0 and 5, a few others
    digits = terminal_digits(fives, rng)
    assert digits is not None
    assert digits.p < 0.001
    same = repeated_values([*np.rint(measured[:28]), *[812.0] * 12], rng)
    assert same is not None
    assert same.p < 0.001
    lifted = np.where(measured < 800, 800 + rng.integers(0, 8, 40), np.rint(measured))
    crowd = crowded_at_limit(list(lifted), list(measured), limit=800, above=True)
    assert crowd is not None
    assert crowd.p < 0.01


def _honest(seed: int) -> tuple[np.random.Generator, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    measured = rng.normal(905, 25, int(rng.integers(12, 40)))
    return rng, measured, np.rint(measured * (1 + rng.normal(0, 0.02, len(measured))))


LOOKS: dict[str, Callable[[np.random.Generator, np.ndarray, np.ndarray], Sign | None]] = {
    "digits": lambda rng, _, stated: terminal_digits(list(stated), rng),
    "repeats": lambda rng, _, stated: repeated_values(list(stated), rng),
    "spread": lambda _, seen, stated: smaller_than_measured(list(stated), list(seen)),
    "crowding": lambda _, seen, stated: crowded_at_limit(list(stated), list(seen), limit=890, above=True),
}


@pytest.mark.parametrize("look", LOOKS.values(), ids=LOOKS)
def test_honest_values_seldom_look_odd(look: Callable[..., Sign | None]) -> None:
    """60 honest packages: at a true 5 % as many as 8 below 0.05 come with a chance of less than 1 %."""
    found = [look(*_honest(seed)) for seed in range(60)]
    assert sum(one.p < 0.05 for one in found if one) < 8


def test_few_values_say_nothing() -> None:
    rng = np.random.default_rng(1)
    assert terminal_digits([900, 910, 920], rng) is None
    assert repeated_values([900, 900], rng) is None
    assert crowded_at_limit([800] * 5, [790] * 5, limit=800, above=True) is None
