"""Certified values of the NIST Statistical Reference Datasets (LRE: digits that agree), and second routes by SciPy."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from xsect.lots.bias import straight_line
from xsect.lots.variance import lag_one, one_way

Table = Callable[[str], list[dict[str, float]]]


def digits(value: float, certified: float) -> float:
    return -math.log10(max(abs(value / certified - 1), 1e-16))


def groups(table: Table, name: str) -> list[NDArray[np.float64]]:
    rows = table(name)
    return [np.array([r["y"] for r in rows if r["group"] == g]) for g in sorted({r["group"] for r in rows})]


@pytest.mark.parametrize(
    ("name", "f", "r_squared", "least"),
    [
        ("nist_sirstv", 1.18046237440255, 0.190999039051129, 12),
        ("nist_atmwtag", 15.9467335677930, 0.257426544538321, 10),  # seven leading digits that all share
        ("nist_smls01", 21.0, 0.482758620689655, 14),
        # 13 digits that all share leave three of the values' 16: what is given to a double is exact to 1e-4 of the
        # sd alone, and no way of reckoning brings more back
        ("nist_smls07", 21.0, 0.482758620689655, 4),
    ],
)
def test_one_way(table: Table, name: str, f: float, r_squared: float, least: float) -> None:
    found = one_way(groups(table, name))
    assert digits(found.f, f) > least
    assert digits(found.r_squared, r_squared) > least


def test_one_way_has_scipys_probability(table: Table) -> None:
    from scipy.stats import f_oneway

    given = groups(table, "nist_sirstv")
    assert one_way(given).p == pytest.approx(f_oneway(*given).pvalue, rel=1e-12)


@pytest.mark.parametrize(
    ("name", "mean", "sd", "lag"),
    [
        ("nist_michelso", 299.8524, 0.0790105478190518, 0.535199668621283),
        ("nist_mavro", 2.001856, 0.000429123454003053, 0.937989183438248),
        ("nist_lew", -177.435, 277.332168044316, -0.307304800605679),
        ("nist_lottery", 518.958715596330, 291.699727470969, -0.120948622967393),
    ],
)
def test_mean_sd_and_autocorrelation(table: Table, name: str, mean: float, sd: float, lag: float) -> None:
    values = np.array([row["y"] for row in table(name)])
    assert digits(float(values.mean()), mean) > 13
    assert digits(float(values.std(ddof=1)), sd) > 11  # Mavro: four leading digits that all share
    assert digits(lag_one(values), lag) > 11


@pytest.mark.parametrize(
    ("values", "mean", "sd", "lag", "least"),
    [
        ([10000001, 10000003, 10000002], 10000002, 1.0, -0.5, 14),
        ([1.2, *[1.1, 1.3] * 500], 1.2, 0.1, -0.999, 13),
        # seven and eight digits that all share leave that many fewer of a double's 16 for the spread
        ([1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2, 0.1, -0.999, 8),
        ([10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2, 0.1, -0.999, 7),
    ],
    ids=["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"],
)
def test_numerical_accuracy(values: list[float], mean: float, sd: float, lag: float, least: int) -> None:
    """The four sets that NIST made for it, as it describes them."""
    given = np.array(values)
    assert digits(float(given.mean()), mean) > 13
    assert digits(float(given.std(ddof=1)), sd) > least
    assert digits(lag_one(given), lag) > least


def test_straight_line(table: Table) -> None:
    rows = table("nist_norris")
    line = straight_line(np.array([r["x"] for r in rows]), np.array([r["y"] for r in rows]))
    certified = (
        -0.262323073774029,
        1.00211681802045,
        0.232818234301152,
        0.000429796848199937,
        0.884796396144373,
    )
    found = (line.intercept, line.slope, line.se_intercept, line.se_slope, line.residual_sd)
    assert min(map(digits, found, certified)) > 11
