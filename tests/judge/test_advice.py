"""Advice: given where a whole interval lies beyond a threshold, and never unsaid from a doubtful section."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from xsect.capture.lot_sheet import SheetRow
from xsect.judge.advice import Advice, advise
from xsect.judge.advice_entries import ADVICE, Condition
from xsect.judge.criteria import REFERENCES, Clause, Criteria, Limit
from xsect.judge.decision import judge_section
from xsect.quantities import (
    BOND_KINDS,
    QUANTITIES,
    Component,
    Measurement,
    Status,
    measured,
    not_measured,
    word,
)

ROW = SheetRow(
    2, "S1", Path("a.png"), "a.png", upper_thickness_um=400.0, lower_thickness_um=500.0,
    projection_height_um=250.0, projection_diameter_um=1000.0, plating="tin", plating_um=6.0,
)  # fmt: skip
FUSION = replace(ROW, weld_type="fusion")


def value(quantity: str, number: float, u: float = 0.0, segment: int | None = None) -> Measurement:
    return measured(quantity, number, (Component("made up", u),), segment=segment)


def codes(*found: Measurement, row: SheetRow = ROW, clauses: tuple[Clause, ...] = ()) -> list[str]:
    return [one.entry.code for one in advice(*found, row=row, clauses=clauses)]


def advice(
    *found: Measurement, row: SheetRow = ROW, clauses: tuple[Clause, ...] = (), status: Status = "measured"
) -> tuple[Advice, ...]:
    criteria = Criteria("made up", row.weld_type, "made up", "guarded", clauses, "", Path("c.toml"))
    return advise(found, judge_section(found, row, criteria, status), row, status)


@pytest.mark.parametrize(
    ("found", "row", "code"),
    [
        ([value("plating_coverage", 0.3), value("collapse", 0.4)], ROW, "plating_left_low_collapse"),
        ([value("plating_coverage", 0.3), value("collapse", 0.7)], ROW, "plating_left_full_collapse"),
        ([value("plating_in_bond_max", 12.5)], ROW, "plating_trapped"),
        ([word("bond_kind", "mixed")], ROW, "fusion_begins"),
        ([word("bond_kind", "solid_state")], FUSION, "no_nugget"),
        ([word("bond_kind", "reflow")], ROW, "held_by_plating"),
        ([word("bond_kind", "none")], ROW, "not_joined"),
        ([value("bond_width", 790), word("bond_kind", "solid_state")], ROW, "bond_narrow"),
        ([value("nugget_width", 2500)], FUSION, "nugget_small"),  # 4 √0.4 = 2.53 mm
        ([value("collapse", 0.2)], ROW, "collapse_low"),
        ([value("collapse", 0.97)], ROW, "collapse_high"),
        ([value("bond_offset", 101)], ROW, "bond_off_axis"),
        ([value("bond_offset", -101)], ROW, "bond_off_axis"),
        ([value("bond_width", 500, segment=1), value("bond_width", 390, segment=2)], ROW, "contacts_unequal"),
        ([value("standoff", 61)], FUSION, "sheet_separation"),
        ([value("indentation_lower", 151)], ROW, "indentation_deep"),
        ([value("penetration_upper", 0.81)], FUSION, "penetration_deep"),
        ([value("penetration_lower", 0.19)], FUSION, "penetration_shallow"),
        ([value("bond_width", 900), value("largest_opening", 136)], ROW, "opening_large"),
        ([value("void_fraction", 0.11)], ROW, "void_share"),
        ([value("nugget_width", 3000), value("largest_void", 301)], FUSION, "void_large"),
        ([value("crack_length", 5)], ROW, "cracks"),
    ],
)
def test_each_entry_by_common_practice(found: list[Measurement], row: SheetRow, code: str) -> None:
    assert codes(*found, row=row) == [code]


def test_every_entry_is_tried_above() -> None:
    tried = {args[2] for args in test_each_entry_by_common_practice.pytestmark[0].args[1]}  # type: ignore[attr-defined]
    assert set(ADVICE) - tried == {"imc_thick", "weld_small"}  # these two only a clause can trigger


@pytest.mark.parametrize("entry", ADVICE.values(), ids=lambda entry: entry.code)
def test_every_entry_fits_the_registry_of_quantities(entry) -> None:
    for condition in entry.conditions:
        unit = QUANTITIES[condition.quantity].unit
        assert (unit == "word") == (condition.side == "is")
        assert set(condition.words) <= set(BOND_KINDS)
        if condition.limit is not None:
            assert (condition.limit.kind == "fraction") == (unit == "fraction")
            assert not condition.limit.of or condition.limit.of in REFERENCES
        if condition.of:
            assert QUANTITIES[condition.of].unit == unit == "um"


@pytest.mark.parametrize("beside", [{"plane_offset_um": -300.0}, {"face_offset_um": 4700.0, "weld": "W1"}])
def test_a_chord_is_no_narrow_bond(beside: dict[str, object]) -> None:
    """A cut known to lie beside the centre shows less than the weld's diameter, however good the weld."""
    found = value("bond_width", 790), word("bond_kind", "solid_state")
    assert codes(*found, row=replace(ROW, plane_offset_um=0.0)) == ["bond_narrow"]
    assert codes(*found, row=replace(ROW, **beside)) == []


def test_an_interval_that_touches_the_threshold_is_chance() -> None:
    """Threshold 100 µm; interval 105 ± 1.96 u: its lower end is at 100 for u = 2.551."""
    assert codes(value("bond_offset", 105, 2.5)) == ["bond_off_axis"]
    assert codes(value("bond_offset", 105, 2.6)) == []
    assert codes(value("plating_coverage", 0.3, 0.02), value("collapse", 0.49, 0.02)) == []


def test_the_contract_s_limit_goes_before_common_practice() -> None:
    loose = (Clause("offset", "bond_offset", Limit("um", -200.0), Limit("um", 200.0)),)
    assert codes(value("bond_offset", 150), clauses=loose) == []
    (one,) = advice(value("bond_offset", -250, 10), clauses=loose)
    (ground,) = one.grounds
    assert (ground.relation, ground.threshold, ground.source) == ("below", -200, "clause offset")
    assert ground.sentence == "bond offset -250 ± 20 µm, below -200 µm (clause offset)"


def test_a_limit_on_the_other_side_does_not_count() -> None:
    window = (Clause("least", "collapse", at_least=Limit("fraction", 0.1)),)
    assert codes(value("collapse", 0.97), clauses=window) == ["collapse_high"]
    assert codes(value("collapse", 0.2), clauses=window) == []


@pytest.mark.parametrize(("quantity", "code"), [("imc_max", "imc_thick"), ("weld_diameter", "weld_small")])
def test_without_a_clause_nothing_is_claimed_where_practice_has_no_value(quantity: str, code: str) -> None:
    limit = Limit("um", 50.0)
    clause = (
        Clause("c", quantity, at_most=limit) if code == "imc_thick" else Clause("c", quantity, at_least=limit)
    )
    found = value(quantity, 60 if code == "imc_thick" else 40)
    assert codes(found) == []
    assert codes(found, clauses=(clause,)) == [code]


def test_a_clause_for_each_segment_names_the_segment() -> None:
    clause = (Clause("opening", "largest_opening", at_most=Limit("um", 50.0), per_segment=True),)
    found = (
        value("largest_opening", 80), value("largest_opening", 20, segment=1), value("largest_opening", 80, segment=2)
    )  # fmt: skip
    (one,) = advice(*found, clauses=clause)
    assert [ground.found.segment for ground in one.grounds] == [2]
    assert "largest opening (segment 2) 80" in one.sentence


def test_an_uncertain_reference_raises_the_threshold() -> None:
    """15 % of a bond width of 900 ± 39 µm: the threshold is 140.9 µm, not 135."""
    assert codes(value("bond_width", 900, 20), value("largest_opening", 139)) == []
    assert codes(value("bond_width", 900, 20), value("largest_opening", 142)) == ["opening_large"]


@pytest.mark.parametrize(
    "found",
    [
        [not_measured("collapse", "no height"), value("plating_coverage", 0.9)],
        [Measurement("bond_offset", 500.0, math.nan, math.nan, math.nan)],
        [value("nugget_width", 0.0), value("largest_void", 50.0)],
    ],
)
def test_what_is_not_known_gives_no_advice(found: list[Measurement]) -> None:
    assert codes(*found) == []


def test_a_threshold_needs_its_length_from_the_sheet() -> None:
    assert codes(value("bond_offset", 500), row=replace(ROW, projection_diameter_um=None)) == []


def test_a_section_that_needs_a_look_says_so_and_a_refused_one_says_nothing() -> None:
    found = value("collapse", 0.97)
    (one,) = advice(found, status="needs_review")
    assert one.tentative
    assert one.sentence.startswith(
        "Only if the section stands up to the look that it needs: the projection is"
    )
    assert advice(found, status="not_measured") == ()
    (one,) = advice(replace(found, status="needs_review"))
    assert one.tentative
    assert not advice(found)[0].tentative


def test_a_sentence_holds_number_interval_threshold_and_source() -> None:
    (one,) = advice(value("plating_coverage", 0.6, 0.011), value("collapse", 0.73, 0.003))
    assert "plating coverage 60.0 ± 2.2 %, above 10 % (common practice)" in one.sentence
    assert "collapse 73.00 ± 0.59 %, above 50 % (common practice)" in one.sentence
    assert one.sentence.endswith(ADVICE["plating_left_full_collapse"].what_to_change)


def test_conditions_in_words() -> None:
    assert Condition("imc_max", "above").text == "intermetallic, max above a clause's limit"
    assert ADVICE["opening_large"].condition == (
        "largest opening above 15 % of the bond width (common practice), or a clause's limit"
    )
