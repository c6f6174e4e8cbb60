"""Budgets by a second route: the scale's part against a picture measured at another scale, the rest against noise.

A value follows the scale by a power (lengths 1, areas 2, fractions 0), so its part is known to the last digits:
1e-6 for the difference quotient. Thickness of the lot sheet does not follow the scale of the picture.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.locate.drawing import Drawing, micrograph, sheet_row
from xsect.capture.scale import Scale
from xsect.locate.contents import find_contents
from xsect.locate.section import locate
from xsect.measure.model_error import PART
from xsect.measure.section import measure
from xsect.quantities import Measurement, effective_dof

U_SCALE, STEP = 0.01, 1e-4
SECTION = Drawing(size=(300, 560), upper=95.0, lower=95.0, slope=0.2)
SHEET = {"projection_height_um": 60.0}


def found(um_per_px: float) -> dict[str, Measurement]:
    picture = micrograph(SECTION.pixels(), um_per_px=um_per_px)
    picture = replace(picture, scale=Scale(um_per_px, um_per_px, U_SCALE, "lot sheet"))
    row = sheet_row(**SHEET)
    located = locate(picture, plated=False)
    contents = find_contents(located, picture, view="brightfield")
    made, _ = measure(located, contents, picture, row)
    return {one.quantity: one for one in made if one.segment is None and one and math.isfinite(one.value)}


@pytest.fixture(scope="module")
def measured_twice() -> tuple[dict[str, Measurement], dict[str, Measurement]]:
    return found(2.0), found(2.0 * (1 + STEP))


@pytest.mark.parametrize(
    "quantity",
    [
        "bond_width",
        "bonded_length",
        "continuity",
        "standoff",
        "collapse",
        "upper_thickness",
        "lower_thickness",
    ],
)
def test_the_scale_s_part_is_what_another_scale_does(
    quantity: str, measured_twice: tuple[dict[str, Measurement], dict[str, Measurement]]
) -> None:
    one, other = (made[quantity] for made in measured_twice)
    part = math.hypot(*(part.u for part in one.budget if part.name == "scale"))
    assert part == pytest.approx(abs(other.value - one.value) / STEP * U_SCALE, rel=1e-6, abs=1e-9)


def test_noise_spreads_widths_less_than_their_budgets_say() -> None:
    """Twelve pictures of one section that differ in noise alone: their standard deviation is known to 21 %.

    It must stay below the budget without what noise does not touch (scale, model error), and above a twentieth of
    it: the budget also holds what all twelve have in common, but nothing is made up.
    """
    rng = np.random.default_rng(5)
    clean = SECTION.pixels().astype(float)
    values, budgets = [], []
    for _ in range(12):
        noisy = np.clip(clean + rng.normal(0, 6, clean.shape), 0, 255).astype(np.uint8)
        picture = micrograph(noisy, um_per_px=1.0)
        located = locate(picture, plated=False)
        made, _ = measure(located, find_contents(located, picture, view="brightfield"), picture, sheet_row())
        width = next(one for one in made if one.quantity == "bond_width")
        values.append(width.value)
        budgets.append(math.hypot(*(part.u for part in width.budget if part.name not in ("scale", PART))))
    spread, stated = float(np.std(values, ddof=1)), float(np.median(budgets))
    assert stated / 20 < spread < stated


def test_choices_that_were_tried_are_the_degrees_of_freedom() -> None:
    width = found(2.0)["bond_width"]
    choices = next(part for part in width.budget if part.name == "analysis choices")
    # four other choices at each of two notches: between the fewest and the sum
    assert 4 <= choices.dof <= 8
    assert effective_dof(width.budget) >= choices.dof
