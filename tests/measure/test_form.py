"""Form: electrode marks cut into drawn faces, and what is said of contacts and remnants.

Tolerances. A mark's depth: 0.7 px (two faces' reference levels and the floor's 95 % quantile over noise). A remnant
is the standoff within 1.5 px: the bond's plane is drawn through its notches.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests.locate.drawing import Drawing, micrograph, sheet_row
from xsect.locate.section import locate
from xsect.measure.form import UNSEEN, ContactForm, Form, measure_form
from xsect.measure.form_notes import with_form
from xsect.measure.standoff import find_levels
from xsect.quantities import Component, Measurement, measured, not_measured

WIDE = Drawing(bonds=((-90.0, 90.0),), size=(460, 900), upper=120, lower=120)


def pixels(drawing: Drawing, upper: float, lower: float, half: float = 110.0) -> np.ndarray:
    """A drawing whose faces are pressed in by ``upper`` and ``lower`` px over ``half`` px to each side."""
    ideal = drawing.ideal()[..., 0]
    rows, columns = ideal.shape
    y, x = np.mgrid[0:rows, 0:columns].astype(float)
    across, down = np.abs(x - (columns - 1) / 2), y - (rows - 1) / 2
    mark = 1 - np.clip((across - half) / (0.2 * half), 0, 1)
    top, bottom = -drawing.upper + upper * mark, drawing.lower - lower * mark
    keep = np.clip(0.5 + down - top, 0, 1) * np.clip(0.5 + bottom - down, 0, 1)
    near = np.where(across < 1.25 * half, keep, 1.0)
    out = gaussian_filter(drawing.mount[0] + (ideal - drawing.mount[0]) * near, drawing.blur)
    out += np.random.default_rng(1).normal(0, drawing.noise, out.shape)
    return np.clip(np.rint(out * 255), 0, 255).astype(np.uint8)


def form_of(picture: np.ndarray, um_per_px: float = 2.0) -> tuple[dict[str, Measurement], Form]:
    shown = micrograph(picture, um_per_px=um_per_px)
    located = locate(shown, plated=False)
    found, form = measure_form(located, shown, find_levels(located), sheet_row())
    return {one.quantity: one for one in found}, form


@pytest.mark.parametrize("depth", [0.0, 5.0, 12.0])
def test_depth_of_a_mark(depth: float) -> None:
    found, form = form_of(pixels(WIDE, 0.0, depth))
    one = found["indentation_lower"]
    assert one.status == "measured"
    assert one.value == pytest.approx(2 * depth, abs=1.4)
    assert one.low <= 2 * depth <= one.high
    assert form.lower_in_weld[0] == pytest.approx(2 * (120 - depth), abs=4)


def test_a_deep_hollow_is_left_to_a_person() -> None:
    """The drawn upper sheet is bent over the gap, as behind a stamped projection: its face sinks by the standoff."""
    one = form_of(pixels(WIDE, 3.0, 0.0))[0]["indentation_upper"]
    assert one.value == pytest.approx(2 * (WIDE.standoff + 3), abs=2)
    assert one.status == "needs_review"
    assert "stamped projection" in one.note


@pytest.mark.parametrize(
    ("drawing", "half", "why"),
    [
        pytest.param(
            replace(WIDE, upper=400), 110.0, "not in the picture behind the bond", id="face out of view"
        ),
        pytest.param(replace(WIDE, size=(460, 320)), 110.0, "both sides", id="no surroundings"),
    ],
)
def test_face_or_surroundings_out_of_view(drawing: Drawing, half: float, why: str) -> None:
    found, _ = form_of(pixels(drawing, 6.0, 0.0, half) if drawing.upper < 200 else drawing.pixels())
    assert not found["indentation_upper"]
    assert why in found["indentation_upper"].note


def test_remnant_lies_in_the_part_whose_surface_stands_back() -> None:
    """Drawings open upward only: the lower surface is the bond's plane."""
    _, form = form_of(pixels(WIDE, 0.0, 0.0))
    assert form.remnant_upper[0] == pytest.approx(2 * WIDE.standoff, abs=3)
    assert form.remnant_lower[0] == pytest.approx(0, abs=3)
    assert form.sides == pytest.approx([2 * WIDE.standoff] * 2, abs=2)


def test_contacts_are_compared() -> None:
    two = replace(WIDE, bonds=((-260.0, -160.0), (110.0, 260.0)))
    _, form = form_of(two.pixels())
    assert [one.width for one in form.contacts] == pytest.approx([200, 300], abs=6)
    assert form.contacts[0].gap_right == pytest.approx(form.contacts[1].gap_left, abs=2)


def test_form_is_told_beside_the_numbers_it_belongs_to() -> None:
    form = Form((310.0, 2.0), UNSEEN, (57.0, 1.5), (4.0, 1.5), (61.0, 63.0), (
        ContactForm(1, 200.0, 61.0, 40.0), ContactForm(2, 300.0, 40.0, 63.0),
    ))  # fmt: skip
    part = (Component("scale", 1.0),)
    found = [
        measured("bond_width", 500.0, part),
        measured("bond_width", 200.0, part, segment=1),
        measured("standoff", 62.0, part, note="as it was"),
        measured("indentation_upper", 9.0, part),
        measured("indentation_lower", 9.0, part),
        measured("upper_thickness", 400.0, part),
        not_measured("collapse", "no height"),
    ]
    notes = [one.note for one in with_form(found, form)]
    assert notes[0].endswith("0.200 mm, 0.300 mm wide: the smallest has 67 % of the largest")
    assert notes[1].startswith("67 % of the widest; the gap beside it reaches 61")
    assert notes[2].startswith("as it was; sheet separation 61")
    assert "mostly in the upper part" in notes[2]
    assert notes[3] == "in the weld the part is 0.3100 ± 0.0039 mm thick, 78 % of the thickness beside it"
    assert notes[4] == ""
    assert notes[6] == "no height"
