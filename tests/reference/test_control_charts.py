"""Control charts against printed examples: half a unit of the last printed digit unless said otherwise."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from xsect.lots.charts import Plan, control_chart
from xsect.lots.constants import a2, a3, c4, d2, d2_star, d3, e2, range_factors, sd_factors
from xsect.lots.memory_charts import cusum
from xsect.lots.run_rules import RULE_SETS
from xsect.lots.spread import Limits, sd_sigma

Table = Callable[[str], list[dict[str, float]]]


def column(table: Table, name: str, of: str) -> NDArray[np.float64]:
    return np.array([row[of] for row in table(name)])


def singles(values: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    return [values[i : i + 1] for i in range(values.size)]


def places(chart: object, rule: str, panel: str = "mean") -> list[int]:
    return [s.place + 1 for s in chart.signals if (s.rule, s.panel) == (rule, panel)]  # type: ignore[attr-defined]


def test_constants_agree_with_the_printed_table(table: Table) -> None:
    for row in table("control_chart_constants"):
        n = int(row["n"])
        low, high = range_factors(n)
        sd_low, sd_high = sd_factors(n)
        reckoned = {"A2": a2(n), "d2": d2(n), "D3": low, "D4": high, "A3": a3(n), "B3": sd_low, "B4": sd_high}
        for name, value in reckoned.items():
            printed = 2.575 if (name, n) == ("D4", 3) else row[name]  # the table cuts 2.574591
            assert value == pytest.approx(printed, abs=5.001e-4), f"{name} of {n}"
        assert c4(n) == pytest.approx(row["c4"], abs=5.001e-5)


def test_constants_in_closed_form() -> None:
    # two values: the range is |x1 − x2|, half-normal with variance 2
    assert d2(2) == pytest.approx(2 / np.sqrt(np.pi), rel=1e-12)
    assert d3(2) == pytest.approx(np.sqrt(2 - 4 / np.pi), rel=1e-10)
    assert d2(3) == pytest.approx(3 / np.sqrt(np.pi), rel=1e-12)
    assert c4(2) == pytest.approx(np.sqrt(2 / np.pi), rel=1e-13)
    assert e2(2) == pytest.approx(2.660, abs=2e-3)  # printed from d2 = 1.128


def test_divisor_of_few_ranges() -> None:
    # A. J. Duncan's table of d2* for one range, as in the AIAG manual's appendix C
    printed = [1.41421, 1.91155, 2.23887, 2.48124, 2.67253, 2.82981, 2.96288, 3.07794, 3.17905]
    assert [d2_star(n, 1) for n in range(2, 11)] == pytest.approx(printed, abs=1.1e-5)


def test_individuals(table: Table) -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.2 uses d2 = 1.128: 55.8041 and 45.8159; exact d2 narrows the limits by 0.0017
    chart = control_chart(singles(column(table, "flow_rate", "flowrate")), Plan())
    assert chart.kind == "individuals"
    top, ranges = chart.panels
    assert (top.centre[0], top.upper[0], top.lower[0]) == pytest.approx((50.81, 55.8041, 45.8159), abs=2e-3)
    assert ranges.centre[0] == pytest.approx(1.8778, abs=5e-5)
    assert ranges.upper[0] == pytest.approx(6.1349, abs=2e-3)  # printed from rounded factors
    assert chart.signals == ()


def test_moving_average(table: Table) -> None:
    # e-Handbook 6.3.2.4: limits 52.5884 and 47.4115 (cut from 47.41157), no signal
    plan = Plan("ewma", weight=0.3, given=Limits(50.0, 2.0539, 100.0, 0), steady=True)
    chart = control_chart(singles(column(table, "ewma_20", "x")), plan)
    (panel,) = chart.panels
    assert panel.values == pytest.approx(column(table, "ewma_20", "ewma_published"), abs=5.001e-3)
    assert (panel.upper[0], panel.lower[0]) == pytest.approx((52.5884, 47.4115), abs=1e-4)
    assert chart.signals == ()


def test_cumulative_sums(table: Table) -> None:
    # e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959: first signal at observation 14
    above, below = cusum(column(table, "cusum_20", "x"), 325.0, 0.3175)
    assert np.flatnonzero((above > 4.1959) | (below > 4.1959))[0] + 1 == 14
    # D. C. Montgomery, table 9.1 with k 0.5 and h 5: signal at 29, where C+ is 5.28 (from memory)
    shifted = control_chart(
        singles(column(table, "late_shift_30", "x")), Plan("cusum", given=Limits(10, 1, 100, 0))
    )
    assert shifted.signals[0].place + 1 == 29
    assert shifted.panels[0].values[28] == pytest.approx(5.28, abs=5e-3)


def test_run_of_eight_but_not_of_nine(table: Table) -> None:
    values, limits = singles(column(table, "late_shift_30", "x")), Limits(10, 1, 100, 0)
    zone, eight = (
        control_chart(values, Plan(rules=RULE_SETS[name], given=limits)) for name in ("zone", "eight")
    )
    assert [(s.place + 1, s.rule) for s in zone.signals] == [(30, "zone 4")]
    assert eight.signals == ()


def test_means_and_ranges_from_a_baseline(table: Table) -> None:
    # Piston rings, limits from the first 25 of 40 samples; printed limits 74.0143, 73.98805, range 0.04812 (cut)
    groups = list(column(table, "piston_rings", "diameter_mm").reshape(40, 5))
    chart = control_chart(groups, Plan("xbar_r", baseline=np.arange(40) < 25))
    top, ranges = chart.panels
    assert (top.centre[0], ranges.centre[0]) == pytest.approx((74.001176, 0.02276), abs=5e-7)
    assert (top.upper[0], top.lower[0], ranges.upper[0]) == pytest.approx(
        (74.0143, 73.98805, 0.048126), abs=5e-6
    )
    assert places(chart, "zone 1") == [37, 38, 39]
    assert places(chart, "zone 2") == [35, 37, 38, 39, 40]
    assert places(chart, "zone 3") == [35, 38, 39, 40]
    assert places(chart, "zone 4") == []
    eight = control_chart(groups, Plan("xbar_r", RULE_SETS["eight"], baseline=np.arange(40) < 25))
    assert {s.rule for s in eight.signals} == {"test 1", "test 5", "test 6"}


def test_means_of_a_steady_process(table: Table) -> None:
    # Flow width: mean 1.5056, mean range 0.32521, limits 1.5056 ± 0.577 · 0.32521, sigma 0.1398, mean sd 0.13155
    groups = list(column(table, "flow_width", "width_um").reshape(25, 5))
    chart = control_chart(groups, Plan(rules=(*RULE_SETS["zone"], *RULE_SETS["eight"])))
    assert (chart.kind, chart.signals) == ("xbar_r", ())
    top, ranges = chart.panels
    assert (top.centre[0], ranges.centre[0]) == pytest.approx((1.5056, 0.32521), abs=2e-5)
    assert (top.upper[0], top.lower[0]) == pytest.approx((1.69326, 1.31797), abs=1e-4)
    assert chart.limits[0].sigma == pytest.approx(0.1398, abs=5e-5)
    assert sd_sigma(groups)[0] * c4(5) == pytest.approx(0.13155, abs=5e-6)
