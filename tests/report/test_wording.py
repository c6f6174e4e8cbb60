"""Wording: value, uncertainty and interval agree in unit and decimals."""

from __future__ import annotations

import math

import pytest

from xsect.quantities import Component, Measurement, measured, not_measured, word
from xsect.report.section_page import ground, sentence_case
from xsect.report.wording import fixed, given_length, in_mm, printable, shown, shown_part


@pytest.mark.parametrize(
    ("quantity", "value", "u", "sentence", "interval"),
    [
        ("bond_width", 1234.5, 10.0, "1.234 ± 0.020 mm", "1.215 to 1.254"),
        ("bond_width", 99.96, 1.0, "100.0 ± 2.0 µm", "98.0 to 101.9"),
        ("bond_width", 100.0, 1.0, "0.1000 ± 0.0020 mm", "0.0980 to 0.1020"),
        ("bond_offset", -22.0, 9.0, "−22 ± 18 µm", "−40 to −4"),
        ("continuity", 0.92, 0.012, "92.0 ± 2.4 %", "89.6 to 94.4"),
        ("continuity", 0.99, 0.012, "99.0 (96.6 to 100.0) %", "96.6 to 100.0"),
        ("plating_in_bond_mean", 0.9, 1.1, "0.9 (0.0 to 3.1) µm", "0.0 to 3.1"),
        ("expelled_plating_area", 2.0e5, 3.0e3, "0.2000 ± 0.0059 mm²", "0.1941 to 0.2059"),
        ("bond_offset", -0.001, 1.0, "0.0 ± 2.0 µm", "−2.0 to 2.0"),
    ],
)
def test_value_and_uncertainty_share_unit_and_decimals(
    quantity: str, value: float, u: float, sentence: str, interval: str
) -> None:
    found = shown(measured(quantity, value, (Component("edge fit", u),)))
    assert (found.sentence, found.interval) == (sentence, interval)


@pytest.mark.parametrize(
    "found",
    [
        None,
        not_measured("standoff", "no gap"),
        Measurement("standoff", math.nan, math.nan, math.nan, math.nan),
    ],
)
def test_what_has_no_value_shows_a_dash(found: Measurement | None) -> None:
    assert shown(found).sentence == "–"


def test_a_word_is_shown_as_people_write_it() -> None:
    assert shown(word("bond_kind", "solid_state")).sentence == "solid-state"


def test_a_value_without_interval_has_four_digits() -> None:
    nan = math.nan
    assert shown(Measurement("standoff", 83.123, nan, nan, nan)).sentence == "83.12 µm"


def test_parts_of_a_budget_share_their_decimals() -> None:
    found = measured("bond_width", 1234.5, (Component("edge fit", 4.12), Component("scale", 0.3)))
    assert [shown_part(part.u, found) for part in found.budget] == ["4.12 µm", "0.30 µm"]


@pytest.mark.parametrize(
    ("um", "text"), [(800.0, "0.8 mm"), (1303.25, "1.30325 mm"), (99.5, "99.5 µm"), (None, "")]
)
def test_given_lengths_keep_their_digits(um: float | None, text: str) -> None:
    assert given_length(um) == text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("the interval reaches 798 µm", "the interval reaches 0.798 mm"),
        ("812.5 µm and 99.9 µm", "0.8125 mm and 99.9 µm"),
        ("450 µm² at 512 µm/px", "450 µm² at 512 µm/px"),
    ],
)
def test_long_lengths_in_a_sentence_become_mm(text: str, expected: str) -> None:
    assert in_mm(text) == expected


def test_the_ground_of_a_verdict_leaves_out_what_stands_beside_it() -> None:
    reason = "bond_width 812 ± 14 µm, at least 800 µm required: undecided, the interval reaches 798 µm"
    assert ground(reason) == "The interval reaches 0.798 mm."
    assert ground("bond_kind reflow, must be solid_state: reject") == ""


@pytest.mark.parametrize(
    ("text", "expected"),
    [("no scale: none", "No scale: none."), ("img/x.tif: no such file", "img/x.tif: no such file.")],
)
def test_sentences_begin_with_a_capital_but_files_keep_their_name(text: str, expected: str) -> None:
    assert sentence_case(text) == expected


def test_there_is_no_negative_zero() -> None:
    assert fixed(-0.0004, 2) == "0.00"


def test_an_interval_of_no_width_is_not_shown_as_plus_minus_zero() -> None:
    assert shown(measured("continuity", 1.0, ())).sentence == "100.0 %"
    assert (
        shown(measured("continuity", 1.0, (Component("flaws", 0.0001),))).sentence
        == "100.000 (99.980 to 100.000) %"
    )


def test_signs_that_steer_a_terminal_become_question_marks() -> None:
    assert printable("a\x1b[2Jb\x07\x9b\u202ec\td\ne µ") == "a?[2Jb???c?d\ne µ"
