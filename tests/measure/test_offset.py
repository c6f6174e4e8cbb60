"""Bond offset on symmetric projections whose bond was drawn off the axis.

Tolerances. The flanks rise by 0.11 px a px, so 0.06 px of opening moves their middle by half a px; each
steep notch is placed to 0.5 px, one from which the gap opens slowly to 3 px: 2 px for the middle of the two.
"""

from dataclasses import replace

import pytest

from tests.locate.drawing import Drawing, find, result_of
from xsect.locate.section import locate
from xsect.measure.offset import measure_offset
from xsect.measure.standoff import find_levels

PROJECTION = Drawing(slope=1.0, flanks=(40.0, 0.11), size=(400, 840))


@pytest.mark.parametrize(
    ("bond", "centre"),
    [
        ((-70.0, 70.0), (0.0, 0.0)),
        ((-50.0, 80.0), (30.4, 0.3)),
        ((-85.0, 55.0), (0.0, 0.0)),
        ((-45.0, 85.0), (0.0, 0.6)),
    ],
)
def test_offset_is_that_of_the_bond_from_the_axis(
    bond: tuple[float, float], centre: tuple[float, float]
) -> None:
    result = result_of(replace(PROJECTION, bonds=(bond,), centre=centre))
    offset = find(result, "bond_offset")
    drawn = sum(bond) / 2
    assert offset.value == pytest.approx(drawn, abs=2.0)
    assert offset.low <= drawn <= offset.high


def test_offset_is_signed() -> None:
    left, right = (
        find(result_of(replace(PROJECTION, bonds=(bond,))), "bond_offset")
        for bond in ((-85.0, 55.0), (-55.0, 85.0))
    )
    assert left.value < 0 < right.value
    assert left.value == pytest.approx(-right.value, abs=1.5)


def test_no_offset_of_parts_that_are_not_bonded() -> None:
    offset = find(result_of(Drawing(bonds=(), standoff=10.0)), "bond_offset")
    assert not offset
    assert "no bond" in offset.note


def test_no_offset_without_flanks_on_both_sides() -> None:
    located = locate(PROJECTION.micrograph(), plated=False)
    levels = find_levels(located)
    assert measure_offset(located, levels, 1.0, 0.0)[0]
    (offset, *_) = measure_offset(located, levels[:1], 1.0, 0.0)
    assert not offset
    assert "level" in offset.note
