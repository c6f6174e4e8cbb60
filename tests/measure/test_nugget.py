"""Nugget quantities and bond kind of zones given in closed form: what is computed is checked by hand."""

import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from xsect.capture.lot_sheet import SheetRow
from xsect.locate.evidence import Evidence
from xsect.locate.nugget import Nugget
from xsect.locate.view import FILLED, JOINED, OPEN
from xsect.locate.weld_frame import Bond
from xsect.measure.kind import measure_kind
from xsect.measure.nugget import UNETCHED, measure_nugget, nugget_doubts
from xsect.quantities import Component, Measurement, measured

CLEAR = Evidence(steadiness=5.0, change=1.0, sharpness=1.0, share=1.0, apart=9.0, others=10.0, tall=0.5)
WEAK = replace(CLEAR, steadiness=2.0)
OUTLINE = np.array([[100.0, 100], [300, 100], [300, 200], [100, 200]])
LINE = np.array([[0.0, 160], [400, 160]])
ONE = Nugget(
    Bond(1, 1, 50.0, 450.0), OUTLINE, LINE, 200.0, 60.0, 40.0, -50.0, 150.0, (150.0, 350.0), 400.0, 1.0, 0.5, CLEAR
)  # fmt: skip
ROW = SheetRow(2, "s", Path("x"), "x", upper_thickness_um=250.0, weld_type="fusion")
UM = 2.0


def section(segments: int = 1, *, texture: float = 0.1, state: int = JOINED) -> Any:
    ends = [(50.0 + 400 * k, 450.0 + 400 * k) for k in range(segments)]
    made = tuple(
        SimpleNamespace(left=SimpleNamespace(station=a), right=SimpleNamespace(station=b)) for a, b in ends
    )
    states = np.full(500 + 400 * segments, state)
    return SimpleNamespace(
        parts=SimpleNamespace(texture=texture),
        stations=SimpleNamespace(segments=made, states=states),
        apart=SimpleNamespace(thickness=np.zeros(states.size)),
    )


def values(found: list[Measurement], segment: int | None = None) -> dict[str, Measurement]:
    return {one.quantity: one for one in found if one.segment == segment}


def test_lengths_are_scaled_and_depths_are_shares_of_the_part() -> None:
    lower = measured("lower_thickness", 200.0, (Component("readings", 4.0), Component("scale", 3.0)))
    found = values(measure_nugget(section(), [ONE], UM, 0.001, ROW, [lower]))
    assert found["nugget_width"].value == pytest.approx(400)
    assert found["nugget_height"].value == pytest.approx(200)
    assert found["penetration_upper"].value == pytest.approx(120 / 250)
    assert found["penetration_lower"].value == pytest.approx(80 / 200)
    budget = {part.name: part.u for part in found["penetration_lower"].budget}
    assert budget["thickness"] == pytest.approx(0.4 * 4 / 200)
    # depth and thickness of one picture are of one scale, which cancels
    assert "scale" not in budget
    assert "scale" in {part.name for part in found["penetration_upper"].budget}
    assert "lot sheet" in found["penetration_upper"].method
    assert "right of the bond" in found["nugget_width"].note
    assert "20% of its height more in the upper part" in found["nugget_width"].note


def test_without_a_thickness_there_is_no_penetration() -> None:
    found = values(measure_nugget(section(), [ONE], UM, 0.001, ROW, []))
    assert found["penetration_upper"]
    assert not found["penetration_lower"]
    assert "lower part's thickness" in found["penetration_lower"].note


@pytest.mark.parametrize(
    ("nuggets", "texture", "why"),
    [
        ([], 0.1, "no nugget was found"),
        ([], 0.01, UNETCHED),
        ([replace(ONE, evidence=WEAK)], 0.1, "too weakly"),
    ],
)
def test_what_is_not_there_is_not_measured(nuggets: list[Nugget], texture: float, why: str) -> None:
    found = measure_nugget(section(texture=texture), nuggets, UM, 0.001, ROW, [])
    assert len(found) == 4
    assert not any(found)
    assert all(why in one.note for one in found)


def test_each_segment_has_its_own_and_the_widest_is_the_sections() -> None:
    other = replace(ONE, bond=Bond(2, 2, 450.0, 850.0), width=120.0)
    found = measure_nugget(section(3), [ONE, other], UM, 0.001, ROW, [])
    assert [values(found, k)["nugget_width"].value for k in (None, 1, 2)] == pytest.approx([400, 400, 240])
    assert not values(found, 3)["nugget_width"]
    assert "the widest of 2 nuggets" in values(found)["nugget_width"].note


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"evidence": WEAK}, "score of 2.0"),
        ({"u_line": 10.0}, "faying line"),
        ({}, ""),
    ],
)
def test_doubts_say_what_is_weak(change: dict[str, Any], said: str) -> None:
    found = nugget_doubts([replace(ONE, **change)], UM, ROW)
    assert [said in one.sentence for one in found] == ([True] if said else [])


@pytest.mark.parametrize(
    ("change", "score"),
    [
        ({}, 5.0),
        ({"sharpness": 0.375}, 1.25),
        ({"sharpness": -0.1}, 0.0),
        # the most distinct of 400 zones stands out as much by chance as this one does
        ({"apart": math.sqrt(2 * math.log(400)), "others": 400.0}, 5.0 / 1.35**2),
        ({"tall": 2.2}, 1.25),
        ({"tall": 0.05}, 1.25),
    ],
)
def test_shading_common_grains_and_traces_lower_the_score(change: dict[str, Any], score: float) -> None:
    assert replace(CLEAR, **change).score == pytest.approx(score)


def kind(nuggets: list[Nugget], row: SheetRow = ROW, **given: Any) -> Measurement:
    return measure_kind(section(**given), nuggets, row)[0]


def test_kinds_of_bond() -> None:
    assert kind([ONE]).word == "fusion"
    assert "50% of the bond" in kind([ONE]).note
    assert kind([replace(ONE, width=190.0)]).word == "mixed"
    assert kind([]).word == "solid_state"
    assert "faying line" in kind([]).note
    assert kind([], segments=0, state=FILLED).word == "reflow"
    assert kind([], segments=0, state=OPEN).word == "none"


def test_fusion_in_one_of_two_segments_is_mixed() -> None:
    found = measure_kind(section(2), [ONE], ROW)
    assert [one.word for one in found] == ["mixed", "fusion", "solid_state"]
    assert "segment 1" in found[0].note


def test_an_unetched_fusion_weld_is_given_no_kind() -> None:
    assert not kind([], texture=0.01)
    told = kind([], replace(ROW, weld_type="solid_state"), texture=0.01)
    assert told.word == "solid_state"
    assert UNETCHED in told.note


def test_a_zone_too_weak_to_measure_leaves_the_kind_open() -> None:
    """A solid-state weld is not put aside for it, but no clause on the kind can pass."""
    row = replace(ROW, weld_type="solid_state")
    weak = replace(ONE, evidence=WEAK)
    assert not any(measure_kind(section(), [weak], row))
    assert [one.code for one in nugget_doubts([weak], UM, row)] == ["nugget_possible"]
    assert [one.code for one in nugget_doubts([weak], UM, ROW)] == ["nugget_uncertain"]


def test_a_shallow_depth_under_a_loose_line_is_not_vouched_for() -> None:
    """The line is known to 5 px: 5 of 90 px of depth may pass, 5 of 10 px not."""
    shallow = replace(ONE, upper=90.0, lower=10.0, u_line=5.0)
    found = values(
        measure_nugget(section(), [shallow], UM, 0.001, replace(ROW, lower_thickness_um=200.0), [])
    )
    assert found["penetration_upper"].status == "measured"
    assert found["penetration_lower"].status == "needs_review"
    assert "shallow" in found["penetration_lower"].note
