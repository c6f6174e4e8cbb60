"""Decision rule: what is accepted, what never is, and the sentence that says why."""

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from xsect.capture.lot_sheet import SheetRow
from xsect.judge.criteria import Clause, Criteria, DecisionRule, Limit, Severity
from xsect.judge.decision import (
    Verdict,
    VerdictWord,
    decide,
    judge_section,
    minor_rejects,
    summarise,
    summarise_lot,
)
from xsect.judge.guard import GUARD_FACTORS, Guard
from xsect.quantities import Component, Measurement, Status, measured, not_measured, word

ROW = SheetRow(2, "a", Path("a.png"), "a.png", projection_diameter_um=1000.0)
AT_LEAST_800 = Clause("width", "bond_width", at_least=Limit("um", 800))
WINDOW = Clause("gap", "standoff", at_least=Limit("um", 20), at_most=Limit("um", 60))


def width(value: float, u: float, *, segment: int | None = None, quantity: str = "bond_width") -> Measurement:
    return measured(quantity, value, (Component("all", u),), segment=segment)


def judge(
    measurements: Sequence[Measurement],
    *clauses: Clause,
    status: Status = "measured",
    row: SheetRow = ROW,
    rule: DecisionRule = "guarded",
    guard: Guard = "interval",
) -> tuple[Verdict, ...]:
    criteria = Criteria("n", "solid_state", "s", rule, clauses, "", Path("demo.toml"), guard)
    return judge_section(measurements, row, criteria, status)


def one(found: Measurement, clause: Clause = AT_LEAST_800, **options: Any) -> Verdict:
    (verdict,) = judge([found], clause, **options)
    return verdict


# Expanded uncertainty 14 µm: u is 14 over the coverage factor 1.96.
U = 14 / 1.959963984540054


@pytest.mark.parametrize(
    ("value", "verdict", "reason"),
    [
        (
            830,
            "accept",
            "bond_width 830 ± 14 µm, at least 800 µm required: accept, the whole interval is inside",
        ),
        (
            812,
            "undecided",
            "bond_width 812 ± 14 µm, at least 800 µm required: undecided, the interval reaches 798 µm",
        ),
        (
            790,
            "undecided",
            "bond_width 790 ± 14 µm, at least 800 µm required: undecided, the interval reaches 776 µm",
        ),
        (
            780,
            "reject",
            "bond_width 780 ± 14 µm, at least 800 µm required: reject, the whole interval is outside",
        ),
    ],
)
def test_guarded_rule(value: float, verdict: str, reason: str) -> None:
    found = one(width(value, U))
    assert (found.verdict, found.reason) == (verdict, reason)
    assert (found.value, found.u, found.at_least) == (value, U, 800)
    assert math.isnan(found.at_most)


@pytest.mark.parametrize(("value", "verdict"), [(799.9, "reject"), (800, "accept"), (801, "accept")])
def test_simple_rule_goes_by_the_value_alone(value: float, verdict: str) -> None:
    found = one(width(value, 50), rule="simple")
    assert found.verdict == verdict
    assert found.reason.endswith(f"{verdict}, by the value alone")


@pytest.mark.parametrize(
    ("value", "u", "verdict", "end"),
    [
        (40, 5, "accept", "inside"),
        (40, 12, "undecided", "the interval reaches 16 µm and 64 µm"),
        (25, 5, "undecided", "the interval reaches 15.2 µm"),
        (55, 5, "undecided", "the interval reaches 64.8 µm"),
        (10, 3, "reject", "outside"),
        (80, 5, "reject", "outside"),
    ],
)
def test_window(value: float, u: float, verdict: str, end: str) -> None:
    found = one(width(value, u, quantity="standoff"), WINDOW)
    assert found.verdict == verdict
    assert found.reason.endswith(end)


def test_a_limit_is_inside() -> None:
    assert decide(800, 820, at_least=800) == "accept"
    assert decide(780, 800, at_most=800) == "accept"
    assert decide(780, 800, at_least=800) == "undecided"


def test_a_lopsided_interval_decides_by_its_own_ends() -> None:
    short = Measurement("bond_width", 812, 10, 803, 850)
    assert one(short).verdict == "accept"
    long = replace(short, low=770, high=815)
    assert one(long).reason == (
        "bond_width 812 (770 to 815) µm, at least 800 µm required: undecided, the interval reaches 770 µm"
    )


def test_the_one_sided_guard_accepts_a_little_more() -> None:
    # 1.8 u above the limit: between 1.645 u and 1.96 u.
    found = width(818, 10)
    assert one(found).verdict == "undecided"
    assert one(found, guard="one_sided_95").verdict == "accept"


def test_rounding_never_hides_the_ground_of_a_verdict() -> None:
    found = one(Measurement("bond_width", 814, 7.2, 799.7, 828.3))
    assert found.reason.endswith("at least 800 µm required: undecided, the interval reaches 799.7 µm")


def test_fractions_are_shown_in_percent() -> None:
    clause = Clause("c", "continuity", at_least=Limit("fraction", 0.75))
    found = one(width(0.78, 0.02, quantity="continuity"), clause)
    assert found.reason == (
        "continuity 78.0 ± 3.9 %, at least 75 % required: undecided, the interval reaches 74.1 %"
    )
    assert (found.value, found.at_least) == (0.78, 0.75)


def test_limits_of_the_row_are_shown_with_their_rule() -> None:
    clause = Clause("w", "bond_width", at_least=Limit("times", 0.8, "projection_diameter"))
    assert one(width(900, 10), clause).limit == "at least 800 µm (0.8 × projection diameter)"


def test_a_missing_input_is_not_judged() -> None:
    clause = Clause("w", "bond_width", at_least=Limit("times", 0.8, "projection_diameter"))
    found = one(width(900, 10), clause, row=replace(ROW, projection_diameter_um=None))
    assert found.verdict == "not_measured"
    assert found.reason == (
        "bond_width 900 ± 20 µm, at least 0.8 × projection diameter required: not judged, the lot sheet "
        "gives no projection_diameter_um, which the limit 0.8 × projection diameter needs"
    )
    assert math.isnan(found.at_least)
    assert math.isnan(found.conformance_probability)


def test_limits_that_cross_for_a_row_are_not_judged() -> None:
    clause = Clause("w", "bond_width", Limit("um", 900), Limit("times", 0.8, "projection_diameter"))
    found = one(width(850, 1), clause)
    assert found.verdict == "not_measured"
    assert "the limits leave nothing between them" in found.reason


def test_words() -> None:
    clause = Clause("kind", "bond_kind", must_be=("solid_state", "mixed"))
    assert one(word("bond_kind", "mixed"), clause).verdict == "accept"
    found = one(word("bond_kind", "reflow"), clause)
    assert (found.verdict, found.word) == ("reject", "reflow")
    assert found.reason == "bond_kind reflow, must be solid_state or mixed: reject"
    assert one(word("bond_kind", ""), clause).verdict == "not_measured"


@pytest.mark.parametrize(("value", "verdict"), [(900, "undecided"), (812, "undecided"), (600, "reject")])
def test_a_section_that_needs_a_look_is_never_accepted(value: float, verdict: str) -> None:
    found = one(width(value, U), status="needs_review")
    assert found.verdict == verdict
    assert "the section needs a look" in found.reason
    assert one(replace(width(value, U), status="needs_review")).verdict == verdict
    kind = Clause("kind", "bond_kind", must_be=("solid_state",))
    assert one(word("bond_kind", "solid_state"), kind, status="needs_review").verdict == "undecided"


def test_criteria_for_another_weld_type_decide_nothing() -> None:
    fusion = replace(ROW, weld_type="fusion")
    for value in (900, 600):
        found = one(width(value, U), row=fusion)
        assert found.verdict == "undecided"
        assert found.reason.endswith("the criteria are for solid_state welds, the lot sheet says fusion")


NOT_MEASURED = [
    pytest.param([not_measured("bond_width", "no faying line")], "measured", "no faying line", id="refused"),
    pytest.param([], "measured", "not among the measurements", id="absent"),
    pytest.param([width(900, 5)], "not_measured", "the section was not measured", id="section"),
    pytest.param(
        [Measurement("bond_width", 900, 5, math.nan, math.nan)], "measured", "no interval", id="no u"
    ),
    pytest.param([Measurement("bond_width", -9, 1, 0, -7)], "measured", "no interval", id="empty interval"),
    pytest.param([Measurement("bond_width", *[math.nan] * 4)], "measured", "no interval", id="nan"),
]


@pytest.mark.parametrize(("measurements", "status", "why"), NOT_MEASURED)
@pytest.mark.parametrize("clause", [AT_LEAST_800, Clause("w", "bond_width", at_most=Limit("um", 1e9))])
def test_what_was_not_measured_is_never_accepted(
    measurements: list[Measurement], status: Status, why: str, clause: Clause
) -> None:
    (found,) = judge(measurements, clause, status=status)
    assert found.verdict == "not_measured"
    assert why in found.reason


EACH = replace(AT_LEAST_800, per_segment=True)


def test_each_segment_is_judged() -> None:
    section = [width(1750, 10), width(850, 10, segment=1), width(780, 5, segment=2)]
    first, second = judge(section, EACH)
    assert (first.segment, first.verdict, second.segment, second.verdict) == (1, "accept", 2, "reject")
    assert second.reason.startswith("bond_width (segment 2) 780.0 ± 9.8 µm")
    assert summarise((first, second)) == "reject"


def test_a_segment_without_the_quantity_is_not_measured() -> None:
    section = [width(0.9, 0.01, segment=1, quantity="continuity"), width(850, 10, segment=1)]
    section.append(width(0.9, 0.01, segment=2, quantity="continuity"))
    assert [(found.segment, found.verdict) for found in judge(section, EACH)] == [
        (1, "accept"),
        (2, "not_measured"),
    ]


def test_without_segments_the_whole_section_can_only_be_rejected() -> None:
    (none,) = judge([width(0, 6)], EACH)
    assert (none.segment, none.verdict) == (None, "reject")
    (vacuous,) = judge([width(0, 6)], Clause("w", "bond_width", at_most=Limit("um", 100), per_segment=True))
    assert vacuous.verdict == "not_measured"
    assert "no bond segment was found" in vacuous.reason


def test_clauses_keep_the_file_s_order() -> None:
    verdicts = judge([width(900, 5), width(40, 2, quantity="standoff")], WINDOW, AT_LEAST_800)
    assert [found.clause for found in verdicts] == ["gap", "width"]


FINITE = st.floats(-2000, 5000, allow_nan=False)
SPREAD = st.floats(0, 500, allow_nan=False)


@given(
    value=st.floats(0, 5000),
    down=SPREAD,
    up=SPREAD,
    limit=st.floats(1, 4000),
    guard=st.sampled_from([*GUARD_FACTORS]),
)
def test_accept_and_reject_are_sure(value: float, down: float, up: float, limit: float, guard: Guard) -> None:
    found = Measurement("bond_width", value, max(down, up) / 1.96, value - down, value + up)
    verdict = one(found, Clause("w", "bond_width", at_least=Limit("um", limit)), guard=guard).verdict
    if verdict == "accept":
        assert value >= limit
        # The one-sided guard is 1.645 / 1.96 of the interval.
        assert value - down * (1 if guard == "interval" else 0.83) >= limit
    if verdict == "reject":
        assert value < limit
        assert guard != "interval" or value + up < limit


@given(
    value=FINITE,
    step=st.floats(0, 500),
    u=SPREAD,
    limit=st.floats(1, 4000),
    rule=st.sampled_from(["guarded", "simple"]),
)
def test_a_wider_bond_never_fares_worse(
    value: float, step: float, u: float, limit: float, rule: DecisionRule
) -> None:
    order: list[VerdictWord] = ["not_measured", "reject", "undecided", "accept"]
    clause = Clause("w", "bond_width", at_least=Limit("um", limit))
    narrow, wide = (one(width(v, u), clause, rule=rule) for v in (value, value + step))
    assert order.index(wide.verdict) >= order.index(narrow.verdict)
    assert wide.conformance_probability >= narrow.conformance_probability


@given(value=st.floats(0, 5000), u=SPREAD, limit=st.floats(1, 4000))
def test_a_reason_is_one_sentence_with_the_verdict(value: float, u: float, limit: float) -> None:
    found = one(width(value, u), Clause("w", "bond_width", at_least=Limit("um", limit)))
    assert f": {found.verdict}, " in found.reason
    assert "\n" not in found.reason
    assert "nan" not in found.reason


def verdict_of(kind: VerdictWord, severity: Severity = "major", clause: str = "c") -> Verdict:
    return replace(one(width(900, 5)), verdict=kind, severity=severity, clause=clause)


@pytest.mark.parametrize(
    ("kinds", "expected"),
    [
        (["accept", "accept"], "accept"),
        (["accept", "not_measured"], "not_measured"),
        (["not_measured", "undecided"], "undecided"),
        (["undecided", "reject", "accept"], "reject"),
        ([], "not_measured"),
    ],
)
def test_a_section_is_as_good_as_its_worst_major_clause(kinds: list[VerdictWord], expected: str) -> None:
    assert summarise([verdict_of(kind) for kind in kinds]) == expected


def test_minor_clauses_are_shown_and_change_nothing() -> None:
    verdicts = [
        verdict_of("accept"),
        verdict_of("reject", "minor", "small"),
        verdict_of("undecided", "minor"),
    ]
    assert summarise(verdicts) == "accept"
    assert [found.clause for found in minor_rejects(verdicts)] == ["small"]
    assert summarise(verdicts[1:]) == "not_measured"


def test_a_lot_is_counted() -> None:
    good = [verdict_of("accept", clause="a"), verdict_of("accept", clause="b")]
    bad = [verdict_of("reject", clause="a"), verdict_of("reject", "minor", "b")]
    lot = summarise_lot([good, bad, bad, []])
    assert lot.sections == {"accept": 1, "not_measured": 1, "undecided": 0, "reject": 2}
    assert lot.clauses["a"] == {"accept": 1, "not_measured": 0, "undecided": 0, "reject": 2}
    assert lot.minor_rejects == 2
