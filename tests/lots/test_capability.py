"""Capability: intervals hold the truth, shapes, bounds, the gauge's share, what is refused."""

import math

import numpy as np
import pytest
from scipy import stats

from xsect.lots.capability import Specification, capability
from xsect.lots.indices import nearest_index, share_beyond, spread_index, values_needed
from xsect.lots.shape import _johnson_from, anderson_darling, fit_shape

LENGTH = (0.0, math.inf)


def test_intervals_of_independent_values_hold_the_truth() -> None:
    rng = np.random.default_rng(1)
    hits = []
    for _ in range(1000):
        x = rng.normal(0, 1, 40)
        mean, sd = float(x.mean()), float(x.std(ddof=1))
        near = nearest_index(mean, sd, -4.0, 5.0, n=40, dof=39)
        wide = spread_index(9.0, sd, 39)
        hits.append((near.low <= 4 / 3 <= near.high, near.bound <= 4 / 3, wide.low <= 1.5 <= wide.high))
    # 95 % with a standard error of 0.7 %; Bissell's is an approximation good to 1 % here
    assert np.mean(hits, axis=0) == pytest.approx([0.95] * 3, abs=0.025)


@pytest.mark.parametrize("sd_lots", [0.0, 1.0])
def test_sections_of_one_lot_are_not_independent(sd_lots: float) -> None:
    rng = np.random.default_rng(2)
    total, hits = math.hypot(1, sd_lots), []
    for _ in range(200):
        groups = [rng.normal(rng.normal(0, sd_lots), 1, 5) for _ in range(16)]
        found = capability(groups, Specification(-4.0), method="normal").observed
        assert found.ppk is not None
        hits.append(found.ppk.low <= 4 / (3 * total) <= found.ppk.high)
    # counted as 80 independent sections the intervals would hold it 75 % of the time where lots differ
    assert np.mean(hits) > 0.88


def test_lots_that_differ_make_ppk_count() -> None:
    rng = np.random.default_rng(3)
    steady = capability([rng.normal(900, 15, 5) for _ in range(20)], Specification(820, natural=LENGTH))
    wandering = capability(
        [rng.normal(rng.normal(900, 20), 15, 5) for _ in range(20)], Specification(820, natural=LENGTH)
    )
    assert (steady.judged, wandering.judged) == ("Cpk", "Ppk")
    assert "the lots differ" in wandering.remarks[-1]


@pytest.mark.parametrize(
    ("drawn", "bounds", "method"),
    [
        (stats.norm(900, 15), LENGTH, "normal"),
        (stats.lognorm(0.8), LENGTH, "box_cox"),
        (stats.beta(30, 3), (0.0, 1.0), "bounded"),
        (stats.johnsonsu(0.8, 1.1), (-math.inf, math.inf), "johnson"),
    ],
    ids=["normal", "lognormal", "fraction", "Johnson"],
)
def test_the_shape_suits_the_values(drawn: object, bounds: tuple[float, float], method: str) -> None:
    values = drawn.ppf((np.arange(200) + 0.5) / 200)  # type: ignore[attr-defined]
    shape = fit_shape(values, bounds=bounds)
    assert shape is not None
    assert shape.method == method
    assert shape.back(shape.forward(values)) == pytest.approx(values, rel=1e-9)


def test_no_shape_fits_a_mixture() -> None:
    x = np.concatenate(
        (np.random.default_rng(4).normal(30, 1, 60), np.random.default_rng(5).normal(50, 1, 60))
    )
    found = capability([x], Specification(upper=60.0, natural=LENGTH))
    assert found.shape is None
    assert found.observed.ppk is None
    assert found.beyond == 0
    assert found.beyond_share[1] == pytest.approx(1 - 0.025 ** (1 / 120))


def test_a_transformed_index_keeps_the_share_beyond() -> None:
    # lognormal with ln-sd 0.5: a limit at 4 sd of the logarithm is Ppk 4/3 by definition of the equivalent share
    values = stats.lognorm(0.5).ppf((np.arange(400) + 0.5) / 400)
    found = capability([values], Specification(upper=math.exp(2.0), natural=LENGTH))
    assert found.shape is not None
    assert found.observed.ppk is not None
    assert found.observed.ppk.value == pytest.approx(
        4 / 3, rel=0.02
    )  # quantiles lack the tails: sd 0.4 % small
    plain = capability(
        [values], Specification(upper=math.exp(2.0), natural=LENGTH), method="normal"
    ).observed.ppk
    assert plain is not None
    assert plain.value > 2.5  # what the skew would pretend


@pytest.mark.parametrize(
    "shape", [stats.johnsonsu(0.7, 1.3, 3, 2), stats.johnsonsb(0.7, 1.3, 3, 2), stats.johnsonsb(-0.4, 0.8)]
)
def test_johnson_from_exact_quantiles(shape: object) -> None:
    z = 0.524
    quantiles = shape.ppf(stats.norm.cdf(z * np.array([-3, -1, 1, 3])))  # type: ignore[attr-defined]
    at = np.array([0.001, 0.1, 0.5, 0.99])
    fitted = _johnson_from(quantiles, z, shape.ppf(np.linspace(0.01, 0.99, 20)))  # type: ignore[attr-defined]
    assert stats.norm.cdf(fitted.forward(shape.ppf(at))) == pytest.approx(at, rel=1e-6)  # type: ignore[attr-defined]


def test_normality_test_keeps_its_level() -> None:
    rng = np.random.default_rng(6)
    p = np.array([anderson_darling(rng.normal(0, 1, 25))[1] for _ in range(3000)])
    for level in (0.01, 0.05, 0.25):
        # three standard errors of the share, and 1 % for the curves' own fit
        assert np.mean(p < level) == pytest.approx(
            level, abs=3 * math.sqrt(level * (1 - level) / 3000) + 0.01
        )


def test_normality_statistic_by_a_second_route() -> None:
    x = np.random.default_rng(7).gamma(2.0, 1.0, 30)
    other = stats.anderson(x, "norm", method="interpolate").statistic
    assert anderson_darling(x)[0] == pytest.approx(other * (1 + 0.75 / 30 + 2.25 / 900), rel=1e-10)


def test_many_values_on_the_bound_have_no_curve() -> None:
    x = np.concatenate((np.ones(30), np.linspace(0.8, 0.99, 30)))
    found = capability([x], Specification(0.75, natural=(0.0, 1.0)))
    assert found.shape is None
    assert "bound" in found.no_index


def test_the_gauges_share_taken_out() -> None:
    z = stats.norm.ppf((np.arange(60) + 0.5) / 60)
    x = 900 + 5 * z / z.std(ddof=1)
    found = capability([x], Specification(885.0, natural=LENGTH), gauge_sd=3.0)
    assert found.observed.ppk is not None
    assert found.process is not None
    assert found.process.ppk is not None
    assert found.process.ppk.value / found.observed.ppk.value == pytest.approx(5 / 4)  # sqrt(25 − 9) = 4
    none_left = capability([x], Specification(885.0, natural=LENGTH), gauge_sd=6.0)
    assert none_left.process is not None
    assert none_left.process.ppk is None
    assert any("nothing is left" in remark for remark in none_left.remarks)


def test_how_many_more() -> None:
    needed = values_needed(1.5, n=40, dof=39)
    assert needed is not None

    def bound(n: int) -> float:
        return 1.5 - stats.norm.ppf(0.95) * math.sqrt(1 / (9 * n) + 1.5**2 / (2 * n * 39 / 40))

    assert bound(needed) >= 1.33 > bound(needed - 1)
    assert values_needed(2.5, n=40, dof=39) == 40
    assert values_needed(1.33, n=40, dof=39) is None


def test_percentiles_need_the_tail_among_the_values() -> None:
    x = np.random.default_rng(8).lognormal(2.0, 0.3, 2000)
    found = capability([x], Specification(upper=30.0), method="percentile").observed.ppk
    assert found is not None
    high, middle = math.exp(2 + 0.3 * 3), math.exp(2)
    # the 99.865 % point of 2,000 lognormal values is known to about 5 %
    assert found.value == pytest.approx((30 - middle) / (high - middle), rel=0.15)
    assert found.low < found.value < found.high
    with pytest.raises(ValueError, match="741"):
        capability([x[:700]], Specification(upper=30.0), method="percentile")


def test_tolerance_interval_holds_its_share() -> None:
    rng = np.random.default_rng(9)
    held = []
    for _ in range(400):
        low, high = capability(
            [rng.normal(0, 1, 20)], Specification(-9, 9), method="normal", coverage=0.9
        ).tolerance
        held.append(stats.norm.cdf(high) - stats.norm.cdf(low) >= 0.9)
    assert np.mean(held) == pytest.approx(0.95, abs=0.033)  # three standard errors


def test_share_beyond_by_a_second_route() -> None:
    found = stats.binomtest(3, 50).proportion_ci(0.95, method="exact")
    assert share_beyond(3, 50) == pytest.approx((found.low, found.high), rel=1e-9)


@pytest.mark.parametrize(
    ("values", "limits", "said"),
    [
        ([1.0, 2.0, 3.0], (0.0, math.inf), "at least 5"),
        ([2.0] * 8, (0.0, math.inf), "do not vary"),
        ([1.0, 2.0, 3.0, 4.0, 5.0], (-math.inf, math.inf), "needs a limit"),
        ([1.0, 2.0, 3.0, 4.0, 5.0], (3.0, 2.0), "must be below"),
    ],
)
def test_refusals(values: list[float], limits: tuple[float, float], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        capability([np.array(values)], Specification(*limits))


@pytest.mark.parametrize(("method", "said"), [("box_cox", "above 0"), ("bounded", "no two bounds")])
def test_a_method_that_cannot_be_applied(method: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        capability([np.linspace(-1, 1, 20)], Specification(-5, 5), method=method)  # type: ignore[arg-type]
