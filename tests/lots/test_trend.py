"""Trend: findings in words and numbers, what is shown and what is reckoned with, limits kept and used again."""

import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from xsect.cli import main
from xsect.lots.findings import difference, findings, span
from xsect.lots.rows import Row, Rows, RowsError, collect
from xsect.lots.trend import TrendPlan, baseline_mask, make_trend, phase_numbers
from xsect.report.trend_chart import trend_png, trend_svg
from xsect.report.trend_report import trend_files

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_images" / "many_lots" / "bond_width.csv"


def sample(*, step: float = -38.0, lots: int = 24, size: int = 5, u: float = 6.0, seed: int = 4) -> Rows:
    """Lots C1 to C24, weekly; from C14 on the mean steps. One section needs a look, one is undecided, one missing."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(1, lots + 1):
        level = 900.0 + (step if i >= 14 else 0.0)
        for k in range(1, size + 1):
            status = (
                "needs_review" if (i, k) == (3, 1) else "not_measured" if (i, k) == (5, 1) else "measured"
            )
            verdict = "undecided" if (i, k) == (7, 1) else "accept"
            value = math.nan if status == "not_measured" else level + rng.normal(0, 15)
            rows.append(
                Row(
                    f"S{k}",
                    value,
                    f"C{i}",
                    u,
                    0.9,
                    status,
                    verdict,
                    made_on=f"2026-{1 + i // 28:02d}-{1 + i % 28:02d}",
                )
            )
    return collect("bond_width", rows)


def test_a_step_is_told_in_plain_words() -> None:
    trend = make_trend(sample(), TrendPlan(baseline="C13"))
    told = findings(trend)
    assert told[0].startswith("11 of 24 lots signal: C14, C15")
    (since,) = [sentence for sentence in told if sentence.startswith("Since")]
    assert since.startswith("Since lot C14 the mean is ")
    assert " µm lower (" in since
    assert "11 signals" in since
    (change,) = trend.changes
    # two levels of 13 and 11 lots of five: standard error 15 / sqrt(5) · sqrt(1/13 + 1/11) = 2.7
    assert change.shift == pytest.approx(-38.0, abs=4 * 2.8)
    assert change.low < -38.0 < change.high


def test_sections_are_shown_not_dropped() -> None:
    told = " ".join(findings(make_trend(sample(step=0.0), TrendPlan())))
    assert "1 of 120 sections needs a look: shown hollow and reckoned with" in told
    assert "1 section undecided" in told
    assert "1 section not measured" in told
    point = make_trend(sample(step=0.0), TrendPlan()).points[2]
    assert (point.looks, len(point.used)) == (1, 5)


def test_values_set_by_hand_are_told_and_marked(tmp_path: Path) -> None:
    said = "set by kb on 2026-03-02: read again; measured: 0.700 mm"
    rows = sample(step=0.0)
    rows = Rows(rows.quantity, None, (rows.rows[0]._replace(by_hand=said), *rows.rows[1:]))
    trend = make_trend(rows, TrendPlan())
    told = " ".join(findings(trend))
    assert f"1 section holds a value set by hand, reckoned with as set: lot C1, section S1 ({said})." in told
    files = dict(trend_files([trend], [trend_svg(trend)]))
    assert f"S1: {said}" in files["points.csv"].decode().splitlines()[1]
    plain = make_trend(sample(step=0.0), TrendPlan())
    assert files["chart.png"] != trend_png(plain)


def test_a_lots_mark_is_the_gravest_verdict_of_its_numbers() -> None:
    verdicts = ("accept", "not_measured", "undecided", "accept", "accept")
    rows = [
        Row(f"S{i}", math.nan if word == "not_measured" else 900.0 + i, "A", 5.0, verdict=word,
            status="not_measured" if word == "not_measured" else "measured")
        for i, word in enumerate(verdicts)
    ]  # fmt: skip
    rows += [Row(f"S{i}", 900.0 + 2 * i, "B", 5.0, verdict="accept") for i in range(5)]
    trend = make_trend(collect("bond_width", rows), TrendPlan(kind="xbar_s"))
    assert [point.verdict for point in trend.points] == ["undecided", "accept"]


def test_vouched_only_leaves_them_out_but_shows_them() -> None:
    trend = make_trend(sample(step=0.0), TrendPlan(vouched_only=True))
    assert (trend.points[2].looks, len(trend.points[2].used)) == (1, 4)
    assert "left out of the reckoning" in " ".join(findings(trend))


def test_a_steady_process_says_so() -> None:
    told = findings(make_trend(sample(step=0.0, seed=3), TrendPlan(rules="limits")))
    assert told[0].startswith("No signal")
    assert not any(sentence.startswith("Since") for sentence in told)
    assert any("No difference between lots is shown" in sentence for sentence in told)


def test_the_measurements_share_is_taken_out() -> None:
    spread = make_trend(sample(), TrendPlan()).spread
    assert spread.gauge == pytest.approx(math.sqrt(36 - 0.81))  # without what the scale gives to all
    assert spread.process == pytest.approx(math.sqrt(spread.observed**2 - spread.gauge**2))
    known = make_trend(sample(), TrendPlan(gauge_sd=9.0)).spread
    assert (known.gauge, known.source) == (9.0, "the gauge study")
    lost = make_trend(sample(), TrendPlan(gauge_sd=40.0))
    assert math.isnan(lost.spread.process)
    assert "cannot be told" in " ".join(findings(lost))


def test_a_mean_shares_the_scales_doubt() -> None:
    point = make_trend(sample(), TrendPlan()).points[0]
    assert point.u == pytest.approx(math.sqrt((36 - 0.81) / 5 + 0.81))


def test_single_sections_change_by_lot() -> None:
    trend = make_trend(sample(), TrendPlan(kind="individuals"))
    (change,) = trend.changes
    assert (trend.basis, trend.changes_by, trend.points[change.place].lot) == ("sections", "lot", "C14")
    assert trend.missing == ((19.5, "S1"),)  # C5 S1 has no number: between the fourth lot's last and the next


def test_phases_and_baselines() -> None:
    trend = make_trend(sample(), TrendPlan(phases=("C14",)))
    assert trend.changes == ()
    first, second = trend.chart.limits
    assert first.centre - second.centre == pytest.approx(38.0, abs=10)
    assert trend.chart.phase.tolist() == [0] * 13 + [1] * 11
    points = trend.points
    assert baseline_mask(points, "6").sum() == 6
    assert baseline_mask(points, "2026-01-08").sum() == 7  # C1 was made on the second of January
    assert phase_numbers(points, ("2026-01-15",))[13] == 1


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        (TrendPlan(baseline="2"), "baseline = 2: 2 points, must be at least 3"),
        (TrendPlan(baseline="X9"), "baseline = X9: no lot (or section) of that name is on the chart"),
        (TrendPlan(phases=("C1",)), "phase = C1: must begin between"),
    ],
)
def test_plans_that_do_not_fit(plan: TrendPlan, said: str) -> None:
    with pytest.raises(RowsError) as refused:
        make_trend(sample(), plan)
    assert said in str(refused.value)


@pytest.mark.parametrize(("values", "said"), [([1.0, 2.0], "fewer than 3"), ([5.0] * 6, "do not vary")])
def test_too_little_to_chart(values: list[float], said: str) -> None:
    with pytest.raises(RowsError, match=said):
        make_trend(collect("bond_width", [Row(f"S{i}", v) for i, v in enumerate(values)]), TrendPlan())


def test_values_on_a_bound_do_not_suit_the_limits() -> None:
    rows = collect("largest_void", [Row(f"S{i}", float(i % 3 == 0), f"L{i // 4}", 0.1) for i in range(40)])
    told = " ".join(findings(make_trend(rows, TrendPlan())))
    assert "65 % of the values lie on the quantity's own bound" in told


def test_limits_kept_judge_later_points() -> None:
    first = make_trend(sample(step=0.0, lots=13), TrendPlan())
    later = make_trend(sample(), TrendPlan(frozen=first.frozen))
    assert later.chart.limits == (first.frozen.limits,)
    assert "C14" in findings(later)[0]
    other = Rows("standoff", None, sample().rows)
    with pytest.raises(RowsError, match="of quantity bond_width, not standoff"):
        make_trend(other, TrendPlan(frozen=first.frozen))


@pytest.mark.parametrize(
    ("value", "unit", "u", "text"),
    [
        (-38.2, "um", 3.0, "38.2 µm"),
        (0.021, "fraction", 0.01, "2.1 percentage points"),
        (250.0, "um", 20.0, "0.250 mm"),
    ],
)
def test_differences_in_words(value: float, unit: str, u: float, text: str) -> None:
    assert difference(value, unit, u) == text  # type: ignore[arg-type]


def test_spans_in_words() -> None:
    assert span(-3.21, 5.4, "um") == "−3.2 to 5.4 µm"


def invoke(*arguments: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    return result.exit_code, result.output


def test_the_command_on_the_sample_lots(tmp_path: Path) -> None:
    status, said = invoke("trend", SAMPLE, "--baseline", "C13", "--out", tmp_path)
    assert status == 0
    assert "Since lot C14 the mean is 40.0 µm lower" in said.replace("\n", " ")
    files = {path.name for path in tmp_path.iterdir()}
    assert files == {"chart.svg", "chart.png", "points.csv", "limits.json", "report.html", "report.pdf"}
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF")
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 1
    assert "Since lot C14 the mean is 40.0\N{NO-BREAK SPACE}µm lower" in page
    once = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert invoke("trend", SAMPLE, "--limits", tmp_path / "limits.json", "--out", tmp_path / "again")[0] == 0
    invoke("trend", SAMPLE, "--baseline", "C13", "--out", tmp_path / "same")
    assert {path.name: path.read_bytes() for path in (tmp_path / "same").iterdir()} == once


def test_one_chart_a_line(tmp_path: Path) -> None:
    status, said = invoke("trend", SAMPLE, "--by", "line", "--out", tmp_path)
    assert status == 0
    assert "line 1:" in said
    assert {"chart-1.svg", "chart-2.png"} <= {path.name for path in tmp_path.iterdir()}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("trend", "nowhere.csv"), "nowhere.csv: no such file"),
        (("trend", SAMPLE, "--quantity", "standoff"), "no row has the quantity standoff"),
        (("trend", SAMPLE, "--limits", SAMPLE), "not limits kept by xsect trend"),
        (("capability", SAMPLE), "bond_width: capability needs a limit"),
        (("gauge", SAMPLE), "bond_width.csv: column part is missing"),
    ],
)
def test_one_line_where_it_cannot_run(tmp_path: Path, arguments: tuple[str, ...], said: str) -> None:
    status, output = invoke(*arguments, "--out", tmp_path)
    assert status == 2
    assert said in output
    assert len(output.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_capability_of_the_sample_lots(tmp_path: Path) -> None:
    status, said = invoke("capability", SAMPLE, "--lower", "800", "--out", tmp_path)
    assert status == 0
    assert "Not capable: Ppk = 1.15" in said
    assert {path.name for path in tmp_path.iterdir()} == {
        "chart.svg", "chart.png", "indices.csv", "report.html", "report.pdf",
    }  # fmt: skip


@pytest.mark.parametrize("kind", ["individuals", "xbar_s", "lot_means", "ewma", "cusum"])
def test_every_chart_can_be_drawn(kind: str) -> None:
    from xsect.report.trend_chart import trend_svg

    drawn = trend_svg(make_trend(sample(), TrendPlan(kind=kind)))  # type: ignore[arg-type]
    assert drawn.startswith("<svg")
