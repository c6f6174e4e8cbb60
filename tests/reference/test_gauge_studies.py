"""Gauge studies and agreement of verdicts against printed results."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from xsect.lots.gauge import (
    GaugeResult,
    Study,
    average_and_range,
    averages,
    by_variance,
    crossed_study,
    sources,
)
from xsect.lots.verdict_agreement import cohen, fleiss

Table = Callable[[str], list[dict[str, float]]]


def study(table: Table, name: str) -> Study:
    return crossed_study(
        [(str(r["part"]), "ABC"[int(r["appraiser"]) - 1], str(r["trial"]), r["value"]) for r in table(name)]
    )


def shares(result: GaugeResult) -> list[float]:
    names = ("repeatability", "reproducibility", "gauge", "part")
    return [100 * result.lines[name].of_study for name in names]


def test_average_and_range(table: Table) -> None:
    given = study(table, "gauge_study_10x3x3")
    seen = averages(given)
    assert [mean for _, mean, _ in seen.by_appraiser] == pytest.approx([0.1903, 0.0683, -0.2543], abs=5.1e-5)
    assert [spread for _, _, spread in seen.by_appraiser] == pytest.approx([0.184, 0.513, 0.328], abs=5e-4)
    assert (seen.mean_range, seen.x_diff, seen.part_range) == pytest.approx(
        (0.3417, 0.4447, 3.511), abs=5.1e-4
    )
    # 0.880 with D4 printed 2.574; the one range above it is part 4 of appraiser B
    assert seen.range_limit == pytest.approx(0.880, abs=1e-3)
    assert seen.beyond == (("4.0", "B", pytest.approx(1.02)),)
    result = average_and_range(given)
    sds = [result.lines[name].sd for name in ("repeatability", "reproducibility", "gauge", "part", "total")]
    # the manual reckons with rounded means and factors: four digits agree
    assert sds == pytest.approx([0.20188, 0.22963, 0.30575, 1.10456, 1.14610], rel=3e-4)
    # %EV is printed 17.62, its own figures give 17.61
    assert shares(result) == pytest.approx([17.62, 20.04, 26.68, 96.38], abs=0.02)
    assert result.categories["1.41, whole"] == 5


def test_analysis_of_variance(table: Table) -> None:
    given = study(table, "gauge_study_10x3x3")
    rows = {source.name: source for source in sources(given)}
    printed = {
        "appraiser": (2, 3.1673), "part": (9, 88.3619), "interaction": (18, 0.3590), "repeatability": (60, 2.7589),
        "total": (89, 94.6471),
    }  # fmt: skip
    for name, (df, ss) in printed.items():
        assert (rows[name].df, rows[name].ss) == (df, pytest.approx(ss, abs=5.1e-5))
    assert (rows["interaction"].f, rows["interaction"].p) == pytest.approx((0.434, 0.974), abs=5e-4)
    assert (rows["part"].f, rows["appraiser"].f) == pytest.approx((492.291, 79.406), abs=5e-4)
    # the manual's own table divides by repeatability (from memory)
    assert (rows["part"].f_repeatability, rows["appraiser"].f_repeatability) == pytest.approx(
        (213.52, 34.44), abs=5e-3
    )


def test_pooled_components(table: Table) -> None:
    result = by_variance(study(table, "gauge_study_10x3x3"), tolerance=8.0)
    assert result.method == "analysis of variance, pooled"
    sds = [result.lines[name].sd for name in ("repeatability", "appraiser", "gauge", "part", "total")]
    assert sds == pytest.approx([0.199933, 0.226838, 0.302373, 1.042327, 1.0853], abs=2e-6)
    assert shares(result) == pytest.approx([18.42, 20.90, 27.86, 96.04], abs=5e-3)
    parts = [
        100 * result.lines[name].contribution for name in ("repeatability", "appraiser", "gauge", "part")
    ]
    assert parts == pytest.approx([3.39, 4.37, 7.76, 92.24], abs=5e-3)
    assert 100 * result.lines["gauge"].of_tolerance == pytest.approx(22.68, abs=5e-3)
    assert 100 * result.lines["part"].of_tolerance == pytest.approx(78.17, abs=5e-3)
    assert result.categories == {"1.41, whole": 4.0, "sqrt 2": pytest.approx(4.8750, abs=5e-5)}


def test_negative_component_stands_at_zero_and_is_said(table: Table) -> None:
    result = by_variance(study(table, "gauge_study_10x3x3"), pool="no")
    assert result.lines["interaction"].sd == 0
    assert result.remarks == ("interaction variance came out negative (-0.00868) and is taken as 0",)
    assert 100 * result.lines["gauge"].of_study == pytest.approx(28.75, abs=5e-3)


def test_second_study(table: Table) -> None:
    given = study(table, "gauge_study_10x3x2")
    rows = {source.name: (source.df, source.ss) for source in sources(given)}
    assert [rows[name][1] for name in ("appraiser", "part", "interaction", "repeatability")] == pytest.approx(
        [20.63, 107.07, 22.03, 36.00], abs=5e-3
    )
    result = by_variance(given)
    sds = [result.lines[name].sd for name in ("gauge", "repeatability", "reproducibility", "part", "total")]
    assert sds == pytest.approx([1.290, 1.100, 0.675, 1.335, 1.856], abs=5.1e-4)


def test_study_by_hand() -> None:
    # 2 parts × 2 appraisers × 2 trials: SS 200, 32, 0, 8; pooled mean square 8 / 5
    values = np.array([10, 12, 14, 16, 20, 22, 24, 26], dtype=float).reshape(2, 2, 2)
    given = Study(("1", "2"), ("A", "B"), values)
    rows = {source.name: source.ss for source in sources(given)}
    assert rows == pytest.approx(
        {"appraiser": 32, "part": 200, "interaction": 0, "repeatability": 8, "total": 240}
    )
    result = by_variance(given, pool="yes")
    sds = [result.lines[name].sd for name in ("repeatability", "appraiser", "gauge", "part", "total")]
    assert sds == pytest.approx([1.264911, 2.756810, 3.033150, 7.042727, 7.668116], abs=5.1e-7)
    assert (100 * result.lines["gauge"].of_study, result.categories["1.41, whole"]) == (
        pytest.approx(39.5554, abs=6e-5),
        3,
    )


def tables(table: Table) -> list[np.ndarray]:
    rows = table("kappa_tables")
    found = []
    for number in sorted({row["table"] for row in rows}):
        cells = [row for row in rows if row["table"] == number]
        size = round(len(cells) ** 0.5)
        counts = np.zeros((size, size), dtype=np.int64)
        for cell in cells:
            counts[int(cell["row"]), int(cell["col"])] = int(cell["count"])
        found.append(counts)
    return found


def test_kappa_of_two_raters(table: Table) -> None:
    plain, skin, decisions = tables(table)
    assert (cohen(plain).kappa, cohen(plain).se) == pytest.approx((0.40, 0.127), abs=5e-4)
    # SAS/STAT prints 0.3449 (se 0.0724, 0.2030 to 0.4868) and 0.5082 with linear weights (results from memory)
    found = cohen(skin)
    assert (found.kappa, found.se, *found.interval) == pytest.approx(
        (0.3449, 0.0724, 0.2030, 0.4868), abs=5.1e-5
    )
    assert cohen(skin, weights="linear").kappa == pytest.approx(0.5082, abs=5e-5)
    assert cohen(skin, weights="quadratic").kappa == pytest.approx(0.660723, abs=5e-7)
    assert cohen(decisions).kappa == pytest.approx(0.86, abs=5e-3)


def test_kappa_of_several_raters(table: Table) -> None:
    ratings = np.array([[row[f"rater{k}"] for k in range(1, 7)] for row in table("diagnoses_30x6")])
    counts = np.stack([(ratings == one).sum(axis=1) for one in np.unique(ratings)], axis=1)
    assert fleiss(counts).kappa == pytest.approx(0.430, abs=5e-4)
    other = np.array([[int(row[f"cat{k}"]) for k in range(1, 6)] for row in table("ratings_10x14")])
    assert fleiss(other).kappa == pytest.approx(0.210, abs=5e-4)


HOUF_BERMAN = {
    "part": (9, 437.3284),
    "appraiser": (2, 19.6333),
    "interaction": (18, 2.6951),
    "repeatability": (60, 0.5111),
}
"""Degrees of freedom and mean squares of 10 parts × 3 operators × 3 trials (power modules; M. E. Houf and D. B. Berman,
IEEE Transactions on Components, Hybrids, and Manufacturing Technology 11, 1988, as analysed by R. K. Burdick,
C. M. Borror and D. C. Montgomery, Journal of Quality Technology 35, 2003; from memory)."""


def modified_large_sample(
    plus: list[tuple[float, float, int]], minus: tuple[float, float, int] | None = None
):
    """The interval of a sum of weighted mean squares (weight, mean square, df), less one of them: F. A. Graybill and
    C. M. Wang, 1980; N. Ting and others, 1990. A second route, by closed formulas."""
    from scipy.stats import chi2, f

    def g(df: int) -> float:
        return 1 - df / float(chi2.ppf(0.975, df))

    def h(df: int) -> float:
        return df / float(chi2.ppf(0.025, df)) - 1

    value = sum(w * ms for w, ms, _ in plus)
    below = sum((g(df) * w * ms) ** 2 for w, ms, df in plus)
    above = sum((h(df) * w * ms) ** 2 for w, ms, df in plus)
    if minus:
        (w1, ms1, df1), (w2, ms2, df2) = plus[0], minus
        value -= w2 * ms2
        upper, lower = float(f.ppf(0.975, df1, df2)), float(f.ppf(0.025, df1, df2))
        cross = ((upper - 1) ** 2 - g(df1) ** 2 * upper**2 - h(df2) ** 2) / upper
        below += (h(df2) * w2 * ms2) ** 2 + cross * w1 * w2 * ms1 * ms2
        cross = ((1 - lower) ** 2 - h(df1) ** 2 * lower**2 - g(df2) ** 2) / lower
        above += (g(df2) * w2 * ms2) ** 2 + cross * w1 * w2 * ms1 * ms2
    return value - below**0.5, value + above**0.5


def test_intervals_of_a_published_study() -> None:
    from xsect.lots.gauge import _components, _sums
    from xsect.lots.gauge_spans import drawn_mean_squares, span_of

    df = {name: one[0] for name, one in HOUF_BERMAN.items()}
    ms = {name: one[1] for name, one in HOUF_BERMAN.items()}
    found = _sums(_components(ms, (10, 3, 3)))
    assert (found["part"], found["gauge"]) == pytest.approx((48.29, 1.80), abs=5e-3)  # printed (from memory)
    draws = _sums(_components(drawn_mean_squares(ms, df, rng=np.random.default_rng(1)), (10, 3, 3)))
    # printed 22.69 to 161.64 (modified large sample; from memory): generalised inference comes within 0.5 %
    part = modified_large_sample([(1 / 9, ms["part"], 9)], (1 / 9, ms["interaction"], 18))
    assert part == pytest.approx((22.69, 161.64), abs=5.1e-3)
    assert span_of(draws["part"]) == pytest.approx(part, rel=5e-3)
    gauge = modified_large_sample(
        [(1 / 30, ms["appraiser"], 2), (9 / 30, ms["interaction"], 18), (20 / 30, ms["repeatability"], 60)]
    )
    assert span_of(draws["gauge"]) == pytest.approx(gauge, rel=2.5e-2)  # an approximation against another
    from scipy.stats import chi2

    exact = [60 * ms["repeatability"] / float(chi2.ppf(p, 60)) for p in (0.975, 0.025)]
    assert span_of(draws["repeatability"]) == pytest.approx(exact, rel=1e-3)


def test_limits_of_agreement(table: Table) -> None:
    """Bland and Altman 1986, 17 subjects, large meter minus mini meter: first readings bias -2.1, limits of 1.96 sd
    -78.10 to 73.86 l/min (as software prints them), the end of the lower one's interval 34.6 away (from memory)."""
    from xsect.lots.bias import bias

    rows = [
        (str(number), row["mini1"], row["wright1"]) for number, row in enumerate(table("bland_altman_pefr"))
    ]
    found = bias(rows)
    assert (found.mean, found.low, found.high) == pytest.approx((-2.1, -22.0, 17.8), abs=0.05)
    assert found.agreement == pytest.approx((-78.0959, 73.8606), abs=2e-3)
    assert found.agreement_reach == pytest.approx(34.6, abs=0.15)


def test_limits_of_agreement_of_single_values_from_repeated_ones(table: Table) -> None:
    """The large meter's two readings against the mini meter's mean: variance of a single deviation by hand."""
    from xsect.lots.bias import bias

    rows = [
        (str(number), (row["mini1"] + row["mini2"]) / 2, row[name])
        for number, row in enumerate(table("bland_altman_pefr"))
        for name in ("wright1", "wright2")
    ]
    found = bias(rows)
    first, second = (
        np.array([row[name] for row in table("bland_altman_pefr")]) for name in ("wright1", "wright2")
    )
    within = float(((first - second) ** 2).mean()) / 2
    means = np.array([dev for _, _, _, dev in found.parts])
    assert found.mean == pytest.approx(-6.03, abs=5e-3)  # means of two: printed -6.0
    assert float(means.std(ddof=1)) == pytest.approx(33.2, abs=0.05)  # printed 33.2 (from memory)
    single = math.sqrt(float(means.var(ddof=1)) + within / 2)
    assert found.agreement[1] - found.mean == pytest.approx(1.96 * single, rel=1e-4)
