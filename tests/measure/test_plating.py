"""Plating drawn with known thickness: free on the facing surfaces, expelled beside the notches, left in the bond.

Tolerances. A layer's thickness is promised to the larger of 0.3 px and 5 %. A film in the bond has two ends, each
read within 3.5 px. The filled wedge is integrated from notch to meniscus: a notch within 0.25 px of plating, that
is nothing in area, the meniscus within 4 px of where the gap begins, times the distance there.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests.locate.drawing import COPPER, MOUNT, Drawing, codes, find, micrograph, result_of, sheet_row
from xsect.locate.section import locate
from xsect.measure.layers import NAMES as LAYERS
from xsect.measure.plating import NAMES, _reach
from xsect.pipeline import measure_micrograph

COLOUR = Drawing(mount=MOUNT, metal=COPPER, plating=5.0, filled=90.0, slope=0.15, standoff=30.0)
DARKER = replace(COLOUR, mount=(0.15,), metal=(0.8,), tin=(0.5,))
BRIGHTER = replace(COLOUR, mount=(0.15,), metal=(0.6,), tin=(0.85,))
LOOKS = {"colour": COLOUR, "darker in grey": DARKER, "brighter in grey": BRIGHTER}


def expelled(drawing: Drawing) -> float:
    """Area of the filled wedges on both sides of a bond, px²."""
    reach = max(drawing.filled, 2 * drawing.plating / drawing.slope)
    return drawing.slope * reach**2


@pytest.mark.parametrize(
    ("look", "thickness"),
    [
        ("colour", 5.0),
        ("colour", 3.0),
        ("colour", 8.0),
        ("darker in grey", 5.0),
        ("brighter in grey", 5.0),
        ("brighter in grey", 8.0),
    ],
)
def test_free_plating(look: str, thickness: float) -> None:
    drawing = replace(LOOKS[look], plating=thickness)
    free = find(result_of(drawing, plating="tin"), "plating_free_thickness")
    assert free.value == pytest.approx(thickness, abs=max(0.3, 0.05 * thickness))
    assert free.low <= thickness <= free.high


@pytest.mark.parametrize(("look", "tilt"), [*((look, 0.0) for look in LOOKS), ("colour", 8.0)])
def test_expelled_plating(look: str, tilt: float) -> None:
    drawing = replace(LOOKS[look], tilt_deg=tilt, size=(480, 720)) if tilt else LOOKS[look]
    result = result_of(drawing, plating="tin")
    area = find(result, "expelled_plating_area")
    truth = expelled(drawing)
    at_meniscus = drawing.slope * drawing.filled
    assert area.value == pytest.approx(truth, abs=0.08 * truth + 2 * 4 * at_meniscus)
    assert area.low <= truth <= area.high
    assert find(result, "expelled_plating_area", 1).value == pytest.approx(area.value)


@pytest.mark.parametrize(("blur", "within"), [(0.7, 0.15), (1.0, 0.5)])
def test_base_metals_are_as_far_apart_as_they_are_where_plating_fills_the_gap(
    blur: float, within: float
) -> None:
    """Painted as gap, plating's edge must not move into the base metal. ``within``: px, at 1 to 5 px apart."""
    drawing = replace(COLOUR, slope=0.1, blur=blur, size=(480, 900))
    located = locate(drawing.micrograph(), plated=True)
    true = 0.1 * np.clip(np.abs(located.strip.points[:, 0] - 450) - 100, 0, None)
    off = located.stations.apart - true
    for apart in (1, 2, 3, 4, 5):
        assert abs(float(np.median(off[np.abs(true - apart) < 0.15]))) < within


def test_interval_of_thin_tin_in_a_soft_picture_holds_it() -> None:
    drawing = replace(COLOUR, plating=3.1, blur=1.4)
    free = find(result_of(drawing, plating="tin"), "plating_free_thickness")
    assert free.low <= 3.1 <= free.high


@pytest.mark.xfail(
    strict=True, reason="where the gap opens slowly beyond it, the filled wedge is read too long"
)
def test_interval_of_a_wedge_that_ends_thin_holds_it() -> None:
    """The two platings part where they stop touching, with no meniscus: the gap opens from nothing, and is read as
    filled until it shows."""
    drawing = replace(BRIGHTER, plating=6.0, filled=60.0)
    area = find(result_of(drawing, plating="tin"), "expelled_plating_area")
    assert area.low <= expelled(drawing) <= area.high


@pytest.mark.parametrize("look", LOOKS)
def test_bare_bond_holds_no_plating(look: str) -> None:
    result = result_of(LOOKS[look], plating="tin")
    for name in ("plating_in_bond_mean", "plating_in_bond_max", "plating_coverage"):
        found = find(result, name)
        assert found.value == 0
        assert found.u > 0
    assert find(result, "continuity").value > 0.97


@pytest.mark.parametrize(
    ("film", "look"),
    [
        pytest.param(((-40.0, 20.0, 4.0),), "colour", id="one film in colour"),
        pytest.param(((-40.0, 20.0, 4.0),), "darker in grey", id="one film, darker"),
        pytest.param(((-40.0, 20.0, 4.0),), "brighter in grey", id="one film, brighter"),
        pytest.param(((-60.0, -20.0, 4.0), (30.0, 60.0, 6.0)), "colour", id="two films"),
    ],
)
def test_film_in_the_bond(film: tuple[tuple[float, float, float], ...], look: str) -> None:
    result = result_of(replace(LOOKS[look], film=film), plating="tin")
    covered = sum(right - left for left, right, _ in film)
    mean = sum((right - left) * thickness for left, right, thickness in film) / 200
    ends = 2 * 3.5 * len(film) / 200
    assert find(result, "bond_width").value == pytest.approx(200, abs=2 * 0.25 / 0.15)
    coverage = find(result, "plating_coverage")
    assert coverage.value == pytest.approx(covered / 200, abs=ends)
    found = find(result, "plating_in_bond_mean")
    assert found.low <= mean <= found.high
    thickest = find(result, "plating_in_bond_max")
    assert thickest.low <= max(thickness for _, _, thickness in film) <= thickest.high
    # covered and joined stations make up the bond between them
    assert find(result, "continuity").value == pytest.approx(1 - coverage.value, abs=0.03)


@pytest.mark.parametrize(("look", "certain"), [("colour", True), ("darker in grey", False)])
def test_slim_dark_line_in_grey_may_be_no_plating(look: str, certain: bool) -> None:
    """Thinner than the blur shows, plating darker than the base metal looks as a slim gap does: both must be inside."""
    result = result_of(replace(LOOKS[look], film=((-40.0, 20.0, 2.5),)), plating="tin")
    for name, truth in (("plating_in_bond_max", 2.5), ("plating_in_bond_mean", 2.5 * 60 / 200)):
        found = find(result, name)
        assert found.low <= truth <= found.high
        assert (found.low > 0) is certain
        assert ("may be no plating" in found.note) is not certain


@pytest.mark.parametrize("wide", [3, 30])
def test_filling_goes_on_behind_a_pore(wide: int) -> None:
    """A break is bridged where it is slim or the metals stay far apart with little gap; a wide gap ends the filling."""
    filled, full = np.ones(100, bool), np.ones(100, bool)
    filled[40 : 40 + wide] = full[40 : 40 + wide] = False
    assert _reach(filled, full, 5) == (100 if wide < 5 else 40)
    assert _reach(filled, np.ones(100, bool), 5) == 100
    assert _reach(np.zeros(100, bool), full, 5) == 0


def test_film_throughout_is_held_by_plating_alone() -> None:
    result = result_of(replace(COLOUR, film=((-100.0, 100.0, 4.0),)), plating="tin")
    assert find(result, "bond_width").value == 0
    assert find(result, "bond_kind").word == "reflow"
    assert codes(result) == {"no_bond"}


@pytest.mark.parametrize("dimmest", [0.25, 0.4])
def test_filled_wedges_are_no_bond_where_the_light_falls_off(dimmest: float) -> None:
    """At the dim end the copper is as dark in blue as the mount: hues read there must not set what plating looks like
    elsewhere. To 1 px a notch."""
    drawing = replace(
        COLOUR, bonds=((-120.0, 120.0),), plating=8.0, filled=100.0, size=(360, 900), mount=(0.09, 0.10, 0.14),
        metal=(0.62, 0.46, 0.36), tin=(0.60, 0.62, 0.64),
    )  # fmt: skip
    light = np.clip(dimmest + (1 - dimmest) * np.linspace(0, 1 / 0.35, 900), dimmest, 1)[None, :, None]
    picture = gaussian_filter(drawing.ideal() * light + 0.02, (1, 1, 0))
    picture += np.random.default_rng(0).normal(0, 0.003, picture.shape)
    pixels = np.clip(np.rint(picture * 255), 0, 255).astype(np.uint8)
    result = measure_micrograph(micrograph(pixels), sheet_row(plating="tin"))
    assert find(result, "bond_width").value == pytest.approx(240.0, abs=2.0)


def test_leaning_cut() -> None:
    """Every thickness shrinks by the cosine, with its interval; the share of coated stations stays."""
    drawing = replace(COLOUR, film=((-40.0, 20.0, 6.0),))
    upright, leaning = (
        result_of(drawing, plating="tin"),
        result_of(drawing, plating="tin", cut_tilt_deg=60.0, u_cut_tilt_deg=1.0),
    )
    for name in ("plating_free_thickness", "plating_in_bond_mean", "plating_in_bond_max", "imc_mean"):
        before, after = find(upright, name), find(leaning, name)
        assert after.value == pytest.approx(before.value / 2)
        assert after.u == pytest.approx(np.hypot.reduce([part.u for part in after.budget]))
        assert after.high - after.low >= 0.5 * (before.high - before.low)
        assert "leaning by 60°" in after.note
    assert find(leaning, "plating_coverage") == find(upright, "plating_coverage")
    assert leaning.view.layers[1].thickness == pytest.approx(upright.view.layers[1].thickness / 2)


@pytest.mark.parametrize("columns", [{}, {"plating": "none"}])
def test_bare_parts_in_the_sheet(columns: dict[str, str]) -> None:
    result = result_of(Drawing(), **columns)
    for name in (*NAMES, *LAYERS):
        found = find(result, name)
        assert not found
        assert found.note == "the lot sheet gives no plating"


def test_plating_that_cannot_be_told_is_not_measured() -> None:
    result = result_of(replace(COLOUR, mount=(0.15,), metal=(0.7,), tin=(0.7,)), plating="tin")
    assert result.status == "needs_review"
    assert not any(find(result, name) for name in (*NAMES, *LAYERS))


def test_filled_gap_that_runs_out_of_the_picture_is_a_lower_bound() -> None:
    result = result_of(replace(COLOUR, filled=1000.0, standoff=12.0), plating="tin")
    assert "lower bound" in find(result, "expelled_plating_area").note
    free = find(result, "plating_free_thickness")
    assert not free
    assert "open gap" in free.note
