"""Agreement and sampling against published examples; tolerances are half of the last printed digit."""

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from xsect.audit.agreement import deming, limits_of_agreement, scatter
from xsect.audit.sampling import (
    LETTERS,
    accept_probability,
    attribute_plan,
    code_letter,
    support,
    zero_failure_n,
)

Table = Callable[[str], list[dict[str, float]]]
DATA = Path(__file__).parent / "data"


def columns(rows: list[dict[str, float]], *names: str) -> list[np.ndarray]:
    return [np.array([row[name] for row in rows]) for name in names]


def words(name: str) -> list[dict[str, str]]:
    lines = (DATA / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_peak_flow_meters(table: Table) -> None:
    """Bland and Altman 1986, first readings: bias -2.1, sd 38.8, 95 % of the bias -22.0 to 17.8 l/min. The paper prints
    the limits for 2 sd (-79.7, 75.5, from rounded values) and ± 34.6 about each."""
    found = limits_of_agreement(*columns(table("bland_altman_pefr"), "wright1", "mini1"))
    assert (found.n, found.bias, found.sd) == (
        17,
        pytest.approx(-2.1, abs=0.05),
        pytest.approx(38.8, abs=0.05),
    )
    assert found.bias_interval == pytest.approx((-22.0, 17.8), abs=0.05)
    assert (found.low, found.high) == pytest.approx((-78.0973, 73.8620), abs=0.002)
    assert found.low_interval[1] - found.low == pytest.approx(34.6, abs=0.15)


def test_deming_line(table: Table) -> None:
    """NCSS chapter 303, example 1: slope, intercept, jackknife errors, 95 % interval with 8 degrees of freedom."""
    x, y = columns(table("deming_pairs"), "x", "y")
    found = deming(x, y, error_ratio=0.032 / 0.008)
    assert found.slope == pytest.approx(1.00119422781949, rel=1e-12)
    assert found.intercept == pytest.approx(-0.0897448990070444, rel=1e-11)
    assert (found.u_slope, found.u_intercept) == pytest.approx((0.18718, 1.72199), abs=5e-6)
    assert found.slope_interval == pytest.approx((0.56956, 1.43283), abs=5e-6)


def test_the_error_ratio_is_not_upside_down(table: Table) -> None:
    """The same pairs with equal errors and with the ratio inverted give other, known slopes (recomputed)."""
    x, y = columns(table("deming_pairs"), "x", "y")
    assert deming(x, y, error_ratio=1).slope == pytest.approx(0.942288557, abs=5e-10)
    assert deming(x, y, error_ratio=0.25).slope == pytest.approx(0.890599505, abs=5e-10)
    assert deming(y, x, error_ratio=0.25).slope == pytest.approx(1 / 1.00119422781949, rel=1e-12)


def test_pearsons_data_with_yorks_weights(table: Table) -> None:
    """York et al. 2004, table II: intercept 5.47991 ± 0.29497, slope -0.480533 ± 0.057985, S/(n - 2) 1.483."""
    x, y, weight_x, weight_y = columns(table("york_pearson"), "x", "y", "weight_x", "weight_y")
    found = scatter(x, y, u_x=weight_x**-0.5, u_y=weight_y**-0.5)
    assert (found.slope, found.intercept) == pytest.approx((-0.480533, 5.47991), abs=6e-6)
    assert (found.u_slope, found.u_intercept) == pytest.approx((0.0579850, 0.2949707), abs=5e-7)
    assert found.chi2_per_df == pytest.approx(1.483, abs=5e-4)


def test_equal_uncertainties_make_it_a_deming_line(table: Table) -> None:
    x, y = columns(table("deming_pairs"), "x", "y")
    even = scatter(x, y, u_x=np.full(10, 0.032**0.5), u_y=np.full(10, 0.008**0.5))
    assert even.slope == pytest.approx(deming(x, y, error_ratio=4).slope, rel=1e-12)


def test_code_letters() -> None:
    for row in words("iso2859_code_letters"):
        lot = int(row.pop("lot_min"))
        assert {level: code_letter(lot, level) for level in row} == row


def test_single_plans() -> None:
    for row in words("iso2859_single_normal"):
        plan = attribute_plan(row["letter"], float(row["aql"]))
        want = (row["plan_letter"], int(row["plan_n"]), int(row["Ac"]), int(row["Re"]))
        assert (plan.letter, plan.n, plan.accept, plan.reject) == want, row


@pytest.mark.parametrize(("letter", "chance"), [("J", 0.9534), ("K", 0.9626)])
def test_operating_characteristic(letter: str, chance: float) -> None:
    """n 80, Ac 2 and n 125, Ac 3 (AQL 1) at 1 % nonconforming: recomputed from the binomial distribution."""
    assert accept_probability(attribute_plan(letter, 1.0), 0.01) == pytest.approx(chance, abs=5e-5)


def test_sections_without_failure(table: Table) -> None:
    for row in table("zero_failure_n"):
        n = zero_failure_n(row["reliability"], row["confidence"])
        assert n == row["n_min"]
        shown = support(n, 0, confidence=row["confidence"], claimed=row["reliability"])
        assert (
            shown.reliability
            >= row["reliability"]
            > support(n - 1, 0, confidence=row["confidence"]).reliability
        )
        assert shown.confidence_reached >= row["confidence"]  # type: ignore[operator]


def test_with_failures_the_reliability_is_clopper_and_pearsons() -> None:
    """1 failure in 10 at 95 %: lower limit 0.6058 (Clopper and Pearson 1934, chart; one-sided, recomputed)."""
    assert support(10, 1, confidence=0.95).reliability == pytest.approx(0.60584, abs=5e-6)
    assert support(3, 3, confidence=0.95).reliability == 0


def test_letters_are_those_of_the_standard() -> None:
    assert LETTERS == "ABCDEFGHJKLMNPQR"
