"""Capability and tolerance intervals against printed values, half a unit of the last printed digit."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from xsect.lots.capability import Specification, capability
from xsect.lots.indices import nearest_index, share_beyond, spread_index
from xsect.lots.tolerance import howe_factor, one_sided_factor, two_sided_factor

Table = Callable[[str], list[dict[str, float]]]


def test_definitions() -> None:
    # NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, sd 2
    assert spread_index(12.0, 2.0, 99).value == pytest.approx(1.0)
    assert nearest_index(16.0, 2.0, 8.0, 20.0, n=100, dof=99).value == pytest.approx(0.6667, abs=5e-5)


@pytest.mark.parametrize(
    ("mean", "sd", "cp", "cpk"), [(0.166, 0.0457, 1.46, 1.71), (0.250, 0.0292, 2.28, 1.71)]
)
def test_one_limit_and_a_natural_bound(mean: float, sd: float, cp: float, cpk: float) -> None:
    # AIAG/VDA manual on statistical process control, p. 48 (as quoted): bound 0, upper limit 0.40
    z = np.array([-1.0, 1.0] * 40)
    values = mean + sd * z / z.std(ddof=1)
    found = capability([values], Specification(upper=0.40, natural=(0.0, math.inf)), method="normal").observed
    assert found.pp is not None
    assert found.ppk is not None
    assert (found.pp.value, found.ppk.value) == pytest.approx((cp, cpk), abs=5e-3)


def test_intervals() -> None:
    # qualitydigest.com, May 2000: Cpk 1.15 of 45 values: 0.89 to 1.41
    index = nearest_index(1.15 * 3, 1.0, 0.0, math.inf, n=45, dof=44)
    assert (index.low, index.high) == pytest.approx((0.89, 1.41), abs=5e-3)
    # D. C. Montgomery (from memory): Cp 2.29 of 20 values: 1.57 to 3.01
    index = spread_index(6 * 2.29, 1.0, 19)
    assert (index.low, index.high) == pytest.approx((1.57, 3.01), abs=5e-3)


def test_piston_rings(table: Table) -> None:
    # D. C. Montgomery: limits 73.95 and 74.05, first 25 samples: Cp 1.70 and Cpk 1.66 from ranges; pooled standard
    # deviations give nearly the same
    groups = [
        np.array([r["diameter_mm"] for r in table("piston_rings") if r["subgroup"] == k])
        for k in range(1, 26)
    ]
    found = capability(groups, Specification(73.95, 74.05)).observed
    assert found.cp is not None
    assert found.cpk is not None
    assert (found.cp.value, found.cpk.value) == pytest.approx((1.70, 1.66), rel=0.03)


def test_tolerance_factors(table: Table) -> None:
    for row in table("tolerance_factors"):
        given = int(row["n"]), row["coverage_p"], row["confidence"]
        reckoned = one_sided_factor(*given), two_sided_factor(*given), howe_factor(*given)
        printed = [row[k] for k in ("k_one_sided_exact", "k_two_sided_exact", "k_two_sided_howe_approx")]
        assert reckoned == pytest.approx(printed, rel=5e-6)


def test_tolerance_factors_as_printed() -> None:
    # two-sided, 95 % confidence: table of a statistics text for environmental engineers, two decimals
    printed = {(4, 0.90): 5.37, (5, 0.95): 5.08, (10, 0.99): 4.44, (20, 0.95): 2.76, (60, 0.99): 3.07}
    for (n, coverage), k in printed.items():
        assert two_sided_factor(n, coverage, 0.95) == pytest.approx(k, abs=5.1e-3)
    # e-Handbook 7.2.6.3: n 43, 99 %, 90 %: 2.2173 is Howe's approximation
    assert howe_factor(43, 0.90, 0.99) == pytest.approx(2.2173, abs=5e-5)
    assert one_sided_factor(10, 0.95, 0.95) == pytest.approx(2.911, abs=5e-4)  # printed tables (from memory)


def test_share_with_none_beyond() -> None:
    # none of n: upper bound 1 − 0.025^(1/n) at 95 % two-sided
    low, high = share_beyond(0, 60)
    assert (low, high) == (0.0, pytest.approx(1 - 0.025 ** (1 / 60), rel=1e-12))
