"""Corrections: what a person sets shows, what was measured stays; for which picture and criteria each holds."""

import math
from pathlib import Path

import pytest

from tests.lots.conftest import record, run_of
from xsect.judge.criteria import Criteria, parse_criteria
from xsect.judge.decision import judge_section
from xsect.lots.corrections import (
    as_it_stands,
    corrected,
    corrections_of,
    decide,
    set_value,
    withdraw,
)
from xsect.lots.database import Store, StoreError
from xsect.lots.events import events_of
from xsect.lots.store import find, keep, name_of
from xsect.record import SectionRecord
from xsect.report.standing import section_verdict

NAME = name_of(record().row)
TEXT = """\
name = "made up"
weld_type = "solid_state"
source = "none"
[[clause]]
id = "width"
quantity = "bond_width"
at_least = { um = 700 }
"""
CRITERIA: Criteria = parse_criteria(TEXT.encode(), Path("criteria.toml"))
FILE = (CRITERIA.sha256, "criteria.toml", TEXT)
KB = {"who": "kb", "why": "measured at the microscope"}


def judged(width: float = 812.0, **changes: object) -> SectionRecord:
    made = record(width=width, findings=(), **changes)
    verdicts = judge_section(made.measurements, made.row, CRITERIA, made.status)
    return record(width=width, findings=(), verdicts=verdicts, **changes)


@pytest.fixture
def kept(store: Store) -> Store:
    keep(store, run_of(store, criteria_file=FILE), judged(), "k1")
    return store


def test_a_value_set_by_hand_is_shown_and_judged(kept: Store) -> None:
    set_value(kept, NAME, "bond_width", "650", u=5, **KB)
    stands = as_it_stands(kept, NAME)
    width = stands.find("bond_width")
    assert width is not None
    assert (width.value, width.u, width.method) == (650.0, 5.0, "set by hand")
    assert width.high == pytest.approx(650 + 1.96 * 5, abs=0.001)
    assert "kb" in width.note
    assert "measured: 0.812" in width.note
    assert stands.findings[-1].code == "corrected"
    assert (section_verdict(judged()), section_verdict(stands)) == ("accept", "reject")
    measured = find(kept, NAME)
    assert measured is not None
    assert measured.record.measurements[0].value == 812.0
    (event,) = (one for one in events_of(kept, [measured.id]) if one.what == "corrected")
    assert (event.who, event.why) == ("kb", KB["why"])
    assert event.detail == {"quantity": "bond_width", "value": 650.0, "u": 5.0}


def test_a_segments_value_leaves_the_section_s_alone_where_there_are_several(kept: Store) -> None:
    set_value(kept, NAME, "bond_width", "300", u=5, segment=2, **KB)
    stands = as_it_stands(kept, NAME)
    assert [stands.find("bond_width", part).value for part in (None, 1, 2)] == [812.0, 406.0, 300.0]  # type: ignore[union-attr]


def test_a_lone_segment_follows_its_section(store: Store) -> None:
    lone = tuple(one for one in judged().measurements if one.segment != 2)
    keep(store, run_of(store, criteria_file=FILE), judged(measurements=lone), "k1")
    set_value(store, NAME, "bond_width", "800", u=5, **KB)
    assert as_it_stands(store, NAME).find("bond_width", 1).value == 800.0  # type: ignore[union-attr]


def test_a_word_and_a_missing_value_can_be_set(kept: Store) -> None:
    set_value(kept, NAME, "bond_kind", "mixed", **KB)
    set_value(kept, NAME, "collapse", "-0.01", u=0.002, **KB)
    stands = as_it_stands(kept, NAME)
    assert stands.find("bond_kind").word == "mixed"  # type: ignore[union-attr]
    assert stands.find("collapse").status == "measured"  # type: ignore[union-attr]
    assert "measured: not measured" in stands.findings[-1].sentence


def test_a_decision_stands_above_the_clauses(kept: Store) -> None:
    decide(kept, NAME, "reject", who="ml", why="crack beside the bond")
    stands = as_it_stands(kept, NAME)
    assert section_verdict(stands) == "reject"
    assert stands.verdicts == find(kept, NAME).record.verdicts  # type: ignore[union-attr]
    assert stands.findings[-1].sentence.endswith("crack beside the bond; by the clauses: accept")


def test_the_last_one_holds_until_withdrawn(kept: Store) -> None:
    for value in ("650", "660"):
        set_value(kept, NAME, "bond_width", value, u=5, **KB)
    assert as_it_stands(kept, NAME).find("bond_width").value == 660.0  # type: ignore[union-attr]
    withdraw(kept, NAME, "bond_width", who="ml", why="wrong section")
    stands = as_it_stands(kept, NAME)
    assert stands.find("bond_width").value == 812.0  # type: ignore[union-attr]
    assert stands.findings == ()
    assert [one.kind for one in corrections_of(kept, NAME)] == ["value", "value", "withdrawn"]
    with pytest.raises(StoreError, match="bond_width: nothing is set that could be withdrawn"):
        withdraw(kept, NAME, "bond_width", **KB)


def test_the_same_picture_measured_again_keeps_corrections_another_does_not(kept: Store) -> None:
    set_value(kept, NAME, "bond_width", "650", u=5, **KB)
    decide(kept, NAME, "accept", **KB)
    keep(kept, run_of(kept, criteria_file=FILE), judged(width=811.0), "k2")
    again = as_it_stands(kept, NAME)
    assert (again.find("bond_width").value, again.decision) == (650.0, "accept")  # type: ignore[union-attr]

    other = parse_criteria(TEXT.replace("700", "600").encode(), Path("other.toml"))
    assert corrected(again, corrections_of(kept, NAME), other).decision == ""

    keep(kept, run_of(kept, criteria_file=FILE), judged(image_sha256="12" * 32), "k3")
    anew = as_it_stands(kept, NAME)
    assert (anew.find("bond_width").value, anew.decision) == (812.0, "")  # type: ignore[union-attr]
    assert [one.code for one in anew.findings] == ["correction_left_behind"]


@pytest.mark.parametrize(
    ("quantity", "value", "u", "segment", "line"),
    [
        (
            "bond_widht",
            "1",
            1,
            None,
            "quantity = bond_widht: not a quantity of xsect; did you mean bond_width?",
        ),
        ("bond_width", "-1", 1, None, "bond_width = -1: must be ≥ 0"),
        ("bond_width", "0.8 mm", 1, None, "bond_width = 0.8 mm: must be a plain number"),
        ("bond_width", "inf", 1, None, "bond_width = inf: must be a plain number"),
        (
            "bond_width",
            "800",
            None,
            None,
            "bond_width, u = None: must be the value's standard uncertainty, > 0",
        ),
        ("bond_width", "800", math.nan, None, "bond_width, u = nan: must be"),
        ("bond_width", "800", 1, 3, "bond_width, segment = 3: the section has no such measurement"),
        ("collapse", "40", 1, None, "collapse = 40: must be a fraction, at most 1"),
        ("bond_kind", "good", None, None, "bond_kind = good: must be solid_state or"),
        ("standoff", "10", 1, None, "standoff, the whole section: the section has no such measurement"),
    ],
)
def test_values_that_break_a_rule_are_refused(kept, quantity, value, u, segment, line) -> None:
    with pytest.raises(StoreError) as refused:
        set_value(kept, NAME, quantity, value, u=u, segment=segment, **KB)
    assert line in str(refused.value)
    assert corrections_of(kept, NAME) == ()


def test_criteria_that_this_version_cannot_read_are_named(store: Store) -> None:
    keep(store, run_of(store, criteria_file=(CRITERIA.sha256, "c.toml", "name = 1")), judged(), "k1")
    with pytest.raises(StoreError, match=r"criteria of another version of xsect: c.toml: name"):
        as_it_stands(store, NAME)


def test_a_correction_needs_a_person_a_reason_and_a_picture(kept: Store) -> None:
    with pytest.raises(StoreError, match="who and why must be given"):
        decide(kept, NAME, "accept", who="kb", why="  ")
    with pytest.raises(StoreError, match="decision = good: must be accept, reject, undecided"):
        decide(kept, NAME, "good", **KB)
    with pytest.raises(StoreError, match=r"surrogates not allowed"):
        decide(kept, NAME, "accept", who="k\udcff", why="typed on a terminal of another encoding")
    gone = record("S9", image_sha256="", image_shape=(0, 0), scale=None, verdicts=(), measurements=())
    keep(kept, run_of(kept), gone, "k")
    with pytest.raises(StoreError, match="section S9: was not measured"):
        decide(kept, name_of(gone.row), "accept", **KB)
