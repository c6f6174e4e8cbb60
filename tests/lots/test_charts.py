"""Control charts: kinds by the data, limits of unequal subgroups, phases, frozen limits, refusals."""

import numpy as np
import pytest

from xsect.lots.charts import Plan, choose_kind, control_chart
from xsect.lots.constants import moving_range_dof
from xsect.lots.memory_charts import ewma, ewma_sd
from xsect.lots.spread import Limits, moving_range_sigma, pooled_sigma, range_sigma, sd_sigma


def lots(sizes: list[int], *, sd_lots: float = 0.0, seed: int = 1) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    return [rng.normal(900 + rng.normal(0, sd_lots or 1e-9), 15, size) for size in sizes]


@pytest.mark.parametrize(
    ("sizes", "sd_lots", "kind"),
    [
        ([1] * 12, 0.0, "individuals"),
        ([5] * 12, 0.0, "xbar_r"),
        ([12] * 12, 0.0, "xbar_s"),
        ([4, 5, 6] * 4, 0.0, "xbar_s"),
        ([5] * 12, 40.0, "lot_means"),
        ([1] * 8 + [5] * 4, 0.0, "individuals"),
    ],
)
def test_the_data_choose(sizes: list[int], sd_lots: float, kind: str) -> None:
    assert choose_kind(lots(sizes, sd_lots=sd_lots))[0] == kind


@pytest.mark.parametrize("estimate", [range_sigma, sd_sigma, pooled_sigma])
def test_spread_within_lots_of_unequal_size(estimate) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(2)
    drawn = [estimate([rng.normal(0, 1, n) for n in (2, 3, 5, 5, 8, 1)]) for _ in range(1500)]
    sigma, dof = np.array(drawn).mean(axis=0)
    # an sd with 18 degrees of freedom scatters by 0.17, its mean over 1,500 by 0.0045
    assert sigma == pytest.approx(1.0 if estimate is not pooled_sigma else 0.986, abs=0.015)
    # freedom from the estimates' own scatter, cv² = 1 / (2 dof) for large dof
    assert 1 / (2 * np.array(drawn)[:, 0].var() / sigma**2) == pytest.approx(dof, rel=0.12)


def test_freedom_of_moving_ranges() -> None:
    rng = np.random.default_rng(3)
    drawn = np.array([moving_range_sigma(rng.normal(0, 1, 30))[0] for _ in range(3000)])
    assert drawn.mean() == pytest.approx(1.0, abs=0.015)
    # an sd estimated with dof degrees of freedom has the squared scatter 1 / (2 dof)
    assert 1 / (2 * drawn.var() / drawn.mean() ** 2) == pytest.approx(moving_range_dof(30), rel=0.1)


def test_limits_widen_where_a_lot_is_small() -> None:
    chart = control_chart(lots([4, 9, 4, 9, 4]), Plan("xbar_s"))
    top, spread = chart.panels
    width = top.upper - top.lower
    assert width[0] / width[1] == pytest.approx(1.5)  # sqrt(9 / 4)
    assert spread.upper[0] > spread.upper[1]
    assert spread.lower[1] > 0


def test_a_lot_of_one_has_a_mean_but_no_spread() -> None:
    top, spread = control_chart(lots([5, 1, 5, 5]), Plan("xbar_s")).panels
    assert np.isfinite(top.values).all()
    assert np.isnan(spread.values[1])


def test_each_phase_has_its_own_limits_and_no_range_between() -> None:
    values = np.concatenate((np.arange(6) % 2, 100 + np.arange(6) % 2)).astype(float)
    phase = np.repeat([0, 1], 6)
    chart = control_chart([values[i : i + 1] for i in range(12)], Plan(phase=phase))
    assert [limits.centre for limits in chart.limits] == [0.5, 100.5]
    assert chart.signals == ()
    assert np.isnan(chart.panels[1].values[[0, 6]]).all()


def test_baseline_alone_sets_the_limits() -> None:
    values = [np.array([v]) for v in (1.0, 2.0, 1.0, 2.0, 1.0, 50.0)]
    chart = control_chart(values, Plan(baseline=np.array([True] * 5 + [False])))
    assert chart.limits[0].centre == pytest.approx(1.4)
    assert 5 in chart.signalled("value")


def test_given_limits_are_kept() -> None:
    given = Limits(10.0, 1.0, 50.0, 25)
    chart = control_chart([np.array([v]) for v in (10.0, 14.0)], Plan("individuals", given=given))
    assert chart.limits == (given,)
    assert chart.signalled("value") == [1]


@pytest.mark.parametrize("values", [[5.0] * 6, [1.0, 2.0]])
def test_no_limits_without_spread_or_points(values: list[float]) -> None:
    with pytest.raises(ValueError, match=r"do not vary|at least 3"):
        control_chart([np.array([v]) for v in values], Plan())


def test_weighted_mean_and_its_spread() -> None:
    x = np.random.default_rng(4).normal(0, 1, (4000, 12))
    made = np.array([ewma(row, 0.0, 0.3) for row in x])
    sd = ewma_sd(np.ones(12), 0.3)
    # the sd of 4,000 values is known to 1.1 %; four times that
    assert made.std(axis=0) == pytest.approx(sd, rel=0.045)
    assert ewma_sd(np.ones(300), 0.3)[-1] == pytest.approx(ewma_sd(np.ones(1), 0.3, steady=True)[0])
