"""Thickness of drawn rectangles, at any angle and place.

Tolerances. Each of the two edges is placed by the tone summed across it, to a few hundredths of a px but
for the levels that it is summed between: 0.2 px an edge, 0.25 px in blurred and noisy pictures.
"""

from dataclasses import replace

import pytest

from tests.locate.drawing import COPPER, MOUNT, Drawing, find, micrograph, result_of, sheet_row
from xsect.pipeline import measure_micrograph

PLAIN = Drawing(slope=0.3)


@pytest.mark.parametrize("tilt", [-18.0, 0.0, 7.0])
@pytest.mark.parametrize(("upper", "lower"), [(110.0, 110.0), (60.3, 130.7)])
def test_thickness_of_tilted_parts(tilt: float, upper: float, lower: float) -> None:
    drawing = replace(PLAIN, upper=upper, lower=lower, tilt_deg=tilt, size=(560, 640), centre=(0.2, 0.3))
    result = result_of(drawing)
    for name, drawn in (("upper_thickness", upper), ("lower_thickness", lower)):
        found = find(result, name)
        assert found.value == pytest.approx(drawn, abs=0.4)
        assert found.low <= drawn <= found.high


@pytest.mark.parametrize(
    "drawing",
    [
        pytest.param(replace(PLAIN, blur=2.5), id="blurred"),
        pytest.param(replace(PLAIN, noise=0.02), id="noisy"),
        pytest.param(replace(PLAIN, mount=MOUNT, metal=COPPER), id="colour"),
        pytest.param(replace(PLAIN, bits=16), id="16 bit"),
    ],
)
def test_thickness_in_all_sorts_of_pictures(drawing: Drawing) -> None:
    for name in ("upper_thickness", "lower_thickness"):
        assert find(result_of(drawing), name).value == pytest.approx(110, abs=0.5)


def test_thickness_scales_with_the_scale() -> None:
    result = measure_micrograph(PLAIN.micrograph(um_per_px=2.5, u_relative=0.004), sheet_row())
    found = find(result, "upper_thickness")
    assert found.value == pytest.approx(275, abs=1.0)
    assert {part.name: part.u for part in found.budget}["scale"] == pytest.approx(0.004 * found.value)


def test_part_that_leaves_the_picture_has_no_thickness() -> None:
    result = result_of(replace(PLAIN, upper=400.0))
    upper, lower = find(result, "upper_thickness"), find(result, "lower_thickness")
    assert not upper
    assert "outer surface" in upper.note
    assert lower.value == pytest.approx(110, abs=0.4)


def test_cropping_the_outer_surface_away_leaves_nothing_to_measure() -> None:
    pixels = PLAIN.pixels()[60:-60]
    result = measure_micrograph(micrograph(pixels), sheet_row())
    assert not find(result, "upper_thickness")
    assert not find(result, "lower_thickness")
    assert find(result, "bond_width").value == pytest.approx(200, abs=1.2)
