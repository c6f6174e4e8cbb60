"""Gauge studies: refusals, one appraiser, verdicts, values beside references, the reports."""

import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from xsect.cli import main
from xsect.lots.bias import bias
from xsect.lots.gauge import Study, average_and_range, by_variance, crossed_study, judged
from xsect.lots.rows import RowsError
from xsect.lots.study_files import StudyRow, read_study
from xsect.lots.verdict_agreement import cohen, fleiss
from xsect.lots.verdict_study import level, verdict_study

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_images" / "many_lots" / "gauge_study.csv"


def drawn(rng: np.random.Generator, parts: int = 10, appraisers: int = 3, trials: int = 3) -> Study:
    """Parts with sd 10, appraisers with sd 2, repeatability 3, no interaction."""
    values = rng.normal(0, 10, (parts, 1, 1)) + rng.normal(0, 2, (1, appraisers, 1))
    names = tuple("ABCDEFGH"[:appraisers])
    return Study(tuple(map(str, range(parts))), names, values + rng.normal(0, 3, (parts, appraisers, trials)))


def test_both_methods_find_what_was_put_in() -> None:
    rng = np.random.default_rng(1)
    made = [(average_and_range(s), by_variance(s)) for s in (drawn(rng) for _ in range(200))]
    for way in (0, 1):
        variance = {
            name: np.mean([one[way].lines[name].sd ** 2 for one in made])
            for name in ("repeatability", "part")
        }
        # 60 degrees of freedom a study for repeatability, 9 for parts (sd of their variance 47 %, 3 % in the mean)
        assert variance["repeatability"] == pytest.approx(9.0, rel=0.05)
        assert variance["part"] == pytest.approx(100.0, rel=0.13)


def test_intervals_hold_what_was_put_in() -> None:
    """95 % of 400 studies within three binomial standard deviations (3.3 %)."""
    rng = np.random.default_rng(6)
    truth = {"repeatability": 3.0, "gauge": math.sqrt(13), "part": 10.0}
    share = math.sqrt(13 / 113)
    held = dict.fromkeys([*truth, "share", "categories"], 0)
    for _ in range(400):
        result = by_variance(drawn(rng), pool="yes")
        for name, sd in truth.items():
            low, high = result.lines[name].sd_span
            held[name] += low <= sd <= high
        low, high = result.lines["gauge"].study_span
        held["share"] += low <= share <= high
        low, high = result.category_spans["sqrt 2"]
        held["categories"] += low <= math.sqrt(2) * 10 / math.sqrt(13) <= high
    assert all(0.917 <= number / 400 <= 0.983 for number in held.values()), held


def test_contributions_add_up() -> None:
    lines = by_variance(drawn(np.random.default_rng(2)), pool="no").lines
    assert lines["gauge"].contribution + lines["part"].contribution == pytest.approx(1.0)
    parts = ("repeatability", "appraiser", "interaction")
    assert sum(lines[name].contribution for name in parts) == pytest.approx(lines["gauge"].contribution)


def test_one_appraiser_tells_nothing_of_reproducibility() -> None:
    study = drawn(np.random.default_rng(3), appraisers=1)
    for result in (average_and_range(study), by_variance(study)):
        assert result.lines["reproducibility"].sd == 0
        assert any("one appraiser" in remark for remark in result.remarks)


def test_appraisers_alike_are_clamped_and_said() -> None:
    values = np.arange(4.0)[:, None, None] + np.array([0.1, -0.1])[None, None, :] + np.zeros((4, 2, 2))
    study = Study(("1", "2", "3", "4"), ("A", "B"), values)
    for result in (average_and_range(study), by_variance(study, pool="yes")):
        assert result.lines["appraiser"].sd == 0
        assert any("taken as 0" in remark for remark in result.remarks)


@pytest.mark.parametrize(("share", "word"), [(0.5, "good"), (2.0, "conditional"), (9.0, "not good enough")])
def test_bands(share: float, word: str) -> None:
    rng = np.random.default_rng(4)
    values = rng.normal(0, 10, (12, 1, 1)) + rng.normal(0, share, (12, 2, 3))
    assert judged(by_variance(Study(tuple(map(str, range(12))), ("A", "B"), values))).startswith(word)


ROWS = [
    (p, a, t, float(i)) for i, (p, a, t) in enumerate((p, a, t) for p in "12" for a in "AB" for t in "xy")
]


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (ROWS[:-1], "part 2, appraiser B, trial y: is missing"),
        ([*ROWS, ROWS[0]], "part 1, appraiser A, trial x: is given twice"),
        ([*ROWS[:-1], ("2", "B", "y", math.nan)], "must be a number"),
        (ROWS[:2], "needs at least 2 of each"),
        ([(p, a, t, 5.0) for p, a, t, _ in ROWS], "all values are alike"),
    ],
)
def test_refused_studies(rows: list[tuple[str, str, str, float]], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        crossed_study(rows)


def verdicts(*cells: str) -> list[StudyRow]:
    """Cells "part appraiser trial verdict reference", the last may be left away."""
    rows = []
    for cell in cells:
        part, appraiser, trial, verdict, *reference = cell.split()
        rows.append(StudyRow(part, appraiser, trial, math.nan, verdict, reference[0] if reference else ""))
    return rows


def test_agreement_of_verdicts() -> None:
    given = verdicts(
        "1 A 1 accept accept", "1 A 2 accept accept", "2 A 1 reject reject", "2 A 2 reject reject",
        "1 B 1 accept accept", "1 B 2 reject accept", "2 B 1 reject reject", "2 B 2 accept reject",
    )  # fmt: skip
    found = {one.between: one for one in verdict_study(given)}
    assert found["A, trials 1 and 2"].kappa.kappa == 1
    assert found["A and reference"].kappa.kappa == 1
    assert found["A and B"].kappa.kappa == 0  # half the same, as chance has it
    assert found["B, trials 1 and 2"].kappa.kappa == -1
    assert level(found["B and reference"].kappa.kappa) == "not good enough"


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        (("1 A 1 accept", "1 A 1 accept"), "is given twice"),
        (("1 A 1 accept", "1 B 1 accept", "2 A 1 reject"), "part 2, appraiser B, trial 1: is missing"),
        (("1 A 1 accept accept", "2 A 1 accept"), "part 2: its reference is missing"),
        (("1 A 1 accept accept", "1 B 1 accept reject"), "two references"),
        (("1 A 1 accept", "2 A 1 reject"), "nothing to compare"),
    ],
)
def test_refused_verdicts(cells: tuple[str, ...], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        verdict_study(verdicts(*cells))


def test_kappa_where_all_verdicts_are_alike() -> None:
    assert math.isnan(cohen(np.array([[9, 0], [0, 0]])).kappa)
    assert math.isnan(fleiss(np.array([[3, 0], [3, 0]])).kappa)
    assert level(math.nan).startswith("cannot be told")


def test_intervals_of_kappa_stay_within_what_it_can_be() -> None:
    low, high = cohen(np.array([[12, 1], [0, 7]])).interval
    assert (0 < low < 0.9, high) == (True, 1.0)
    assert math.isnan(
        cohen(np.array([[12, 0], [0, 8]])).interval[0]
    )  # all agree: 20 verdicts prove no perfection


def test_bias_and_linearity() -> None:
    # value = 1.01 reference + 2, each part twice: deviation 2 + 0.01 reference
    rows = [
        (str(i), ref, 1.01 * ref + 2 + d) for i, ref in enumerate((100.0, 200, 300, 400)) for d in (0.1, -0.1)
    ]
    found = bias(rows)
    assert (found.n, found.mean) == (8, pytest.approx(4.5))
    assert found.linearity is not None
    assert (found.linearity.slope, found.linearity.intercept) == pytest.approx((0.01, 2.0))
    assert found.shown


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([("1", 1.0, 1.0)] * 4, "at least 5"),
        ([("1", 1.0, 1.0), ("1", 2.0, 1.0)] * 3, "two references"),
        ([("1", 1.0, 1.0), ("2", 2.0, 2.0)] * 3, "at least 3"),
    ],
)
def test_refused_references(rows: list[tuple[str, float, float]], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        bias(rows)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("part,value\n1,2", "column appraiser is missing"),
        ("part,appraiser,trial,value\n1,A,1,wide", "row 2, value = wide: must be a plain number"),
        ("part,appraiser,trial,value\n1,,1,3", "row 2, appraiser: must be given"),
        ("part,appraiser,verdict\n1,A,", "row 2, verdict: must be given"),
        ("part,reference,value\n1,,3", "row 2, reference = : must be a plain number"),
    ],
)
def test_refused_study_files(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "s.csv").write_text(text + "\n")
    with pytest.raises(RowsError) as refused:
        read_study(tmp_path / "s.csv")
    assert said in str(refused.value)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("", "The gauge takes 20.5 % of the study variation (11.7 to 59.9 % at 95 %): conditional"),
        (
            "part,appraiser,trial,verdict\n1,A,1,accept\n1,B,1,accept\n2,A,1,reject\n2,B,1,accept\n",
            "Agreement between",
        ),
        (
            "part,appraiser,trial,value\n1,A,1,5\n1,A,2,5\n2,A,1,6\n2,A,2,6\n",
            "Every trial of a part repeats the value to the last digit",
        ),
        (
            "part,reference,value\n" + "\n".join(f"{i},{i},{i + 1 + i % 2}" for i in range(6)) + "\n",
            "Bias is shown",
        ),
    ],
    ids=["measured", "verdicts", "too coarse", "reference"],
)
def test_the_command(tmp_path: Path, lines: str, said: str) -> None:
    path = SAMPLE
    if lines:
        path = tmp_path / "study.csv"
        path.write_text(lines)
    result = CliRunner().invoke(main, ["gauge", str(path), "--out", str(tmp_path / "out")])
    assert (result.exit_code, said in result.output) == (0, True)
    assert (tmp_path / "out" / "report.pdf").read_bytes().startswith(b"%PDF")
    assert said in (tmp_path / "out" / "report.html").read_text(encoding="utf-8").replace(
        "\N{NO-BREAK SPACE}", " "
    )
