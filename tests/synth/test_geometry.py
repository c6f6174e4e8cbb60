"""Drawn geometry against closed forms.

Tolerances: coverage is exact across an edge, so a column's gap is off by the surface table's pitch only (1/32
px times the slope, below 0.02 px); areas sum many columns and are off by 0.1 to 0.2 %. Lengths and places
along the line are closed form: 1e-6 relative, or 0.01 px where they pass through single precision.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from xsect.synth.coverage import cover, to_picture, to_weld_frame
from xsect.synth.design import Contact, Film, Flank, Nugget, Part, Plating, SectionDesign
from xsect.synth.profile import flank_opening, unroll
from xsect.synth.reckon import reckon

FLANK = Flank(0.1, "linear", bend=0.5)

PLAIN = SectionDesign(
    um_per_px=1.0,
    width_px=500,
    height_px=300,
    origin=(250.0, 150.0),
    contacts=(Contact(-100.0, 80.0, FLANK, FLANK),),
    upper=Part(90.0),
    lower=Part(90.0),
    standoff_left=40.0,
    standoff_right=40.0,
    standoff_between=40.0,
)


def covered(design: SectionDesign):
    profile = unroll(design)
    return profile, cover(design, profile)


@pytest.mark.parametrize("tilt", [0.0, 13.0])
@pytest.mark.parametrize(
    "plating", [None, Plating(4.0, 6.0, outer=5.0, fill=1.5, reaction=1.0, scallop=0.5, ripple=0.2)]
)
def test_every_pixel_is_covered_once(tilt: float, plating: Plating | None) -> None:
    upper = Part(60.0, left=-200.0, right=170.0)
    _, cov = covered(replace(PLAIN, tilt_deg=tilt, plating=plating, upper=upper))
    shares = np.stack([cov.upper, cov.lower, cov.tin, cov.reaction, cov.gap, cov.mount])
    assert shares.min() >= 0
    assert np.allclose(shares.sum(axis=0), 1, atol=0.02)


@pytest.mark.parametrize("x", [0.0, 0.25, 0.5, 0.77])
@pytest.mark.parametrize("y", [0.0, 0.37, 0.5])
@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
def test_gap_of_a_column_is_the_opening_at_any_subpixel_place(x: float, y: float, share: float) -> None:
    design = replace(PLAIN, origin=(250 + x, 150 + y), lower_share=share)
    profile, cov = covered(design)
    wanted = np.interp(cov.u[0], profile.u, profile.opening)
    assert np.abs(cov.gap.sum(axis=0) - wanted).max() < 0.02


@pytest.mark.parametrize("tilt", [-20.0, -7.0, 0.0, 11.0])
@pytest.mark.parametrize("um_per_px", [0.7, 1.0])
def test_area_of_a_wedge_is_the_triangle(tilt: float, um_per_px: float) -> None:
    reach = 90.0
    ends = {"left": -100 - reach, "right": 80 + reach, "corner": 0.1}
    size = (round(500 / um_per_px), round(420 / um_per_px))
    design = replace(
        PLAIN,
        um_per_px=um_per_px,
        width_px=size[0],
        height_px=size[1],
        origin=(0.52 * size[0], 0.5 * size[1]),
        tilt_deg=tilt,
        upper=Part(90.0, **ends),
        lower=Part(90.0, **ends),
    )
    _, cov = covered(design)
    assert cov.gap.sum() * um_per_px**2 == pytest.approx(2 * 0.1 * reach**2 / 2, rel=2e-3)


def test_area_of_a_part_is_its_rectangle() -> None:
    ends = {"left": -150.0, "right": 160.0, "corner": 12.0}
    _, cov = covered(replace(PLAIN, lower=Part(90.0, **ends), lower_share=0.0, tilt_deg=4.0))
    corners = 2 * 12.0**2 * (1 - math.pi / 4)
    assert cov.lower.sum() == pytest.approx(310 * 90 - corners, rel=1e-3)


@pytest.mark.parametrize("shape", ["linear", "root", "quadratic", "cap"])
def test_flank_starts_at_the_notch_with_its_slope_and_ends_on_the_plateau(shape: str) -> None:
    flank = Flank(0.2, shape, radius=500.0, bend=0.3)  # type: ignore[arg-type]
    opening = flank_opening(flank, np.array([-5.0, 0.0, 1.0, 1e5]), 80.0)
    assert opening[:2].tolist() == [0.0, 0.0]
    assert opening[2] == pytest.approx(0.2, rel=0.01)
    assert opening[3] == 80.0
    inner = flank_opening(flank, np.linspace(0, 1500, 3000), 80.0)
    assert (np.diff(inner) >= 0).all()


@pytest.mark.parametrize("bow", [math.inf, 900.0, -900.0])
def test_picture_and_weld_frame_are_inverse(bow: float) -> None:
    design = replace(PLAIN, tilt_deg=17.0, bow_radius=bow)
    for u, v in [(0.0, 0.0), (-140.0, 30.0), (180.0, -60.0)]:
        x, y = to_picture(design, u, v)
        back = to_weld_frame(design, np.array([x - 250.0]), np.array([y - 150.0]))
        assert np.allclose([back[0][0], back[1][0]], [u, v], atol=0.01)


def test_notches_of_a_straight_line_lie_a_bond_width_apart() -> None:
    design = replace(PLAIN, tilt_deg=-12.0, um_per_px=0.8)
    truth = reckon(design, unroll(design), {})
    (left, right) = truth.notches[0]
    assert truth.quantities["bond_width"] == pytest.approx(180.0)
    assert math.dist(left, right) * 0.8 == pytest.approx(180.0)


def test_notches_of_a_bowed_line_lie_a_chord_apart() -> None:
    design = replace(PLAIN, bow_radius=400.0)
    truth = reckon(design, unroll(design), {})
    assert truth.quantities["bond_width"] == pytest.approx(180.0)
    assert math.dist(*truth.notches[0]) == pytest.approx(2 * 400 * math.sin(180 / 800))


def test_waves_lengthen_the_line() -> None:
    design = replace(PLAIN, waves=((2.0, 60.0, 0.3),))
    width = reckon(design, unroll(design), {}).quantities["bond_width"]
    steepest = 2 * math.pi * 2.0 / 60.0
    # Three whole periods of a sine: length is a complete elliptic integral; to fourth order in the slope.
    assert width == pytest.approx(180 * (1 + steepest**2 / 4 - 3 * steepest**4 / 64), rel=1e-5)


def test_parts_report_their_thickness_standoff_and_collapse() -> None:
    design = replace(PLAIN, contacts=(Contact(-40.0, 40.0, FLANK, FLANK),), standoff_left=10.0)
    design = replace(design, standoff_right=12.0, projection_height=44.0, width_px=800, origin=(400.0, 150.0))
    found = reckon(design, unroll(design), {}).quantities
    assert found["standoff"] == pytest.approx(11.0)
    assert found["collapse"] == pytest.approx(0.75)
    assert found["upper_thickness"] == pytest.approx(90.0)
    # Flanks of one slope to plateaus of 10 and 12 pass half of them 50 and 60 µm from the notches.
    assert found["bond_offset"] == pytest.approx(-5.0, abs=0.1)


def test_plateau_outside_the_picture_gives_no_standoff() -> None:
    found = reckon(PLAIN, unroll(PLAIN), {}).quantities
    assert not {"standoff", "collapse", "upper_thickness"} & set(found)


def test_films_and_voids_are_counted_in_the_bond() -> None:
    films = (Film(-60.0, -20.0, 3.0), Film(10.0, 40.0, 6.0, "open"))
    design = replace(PLAIN, contacts=(replace(PLAIN.contacts[0], films=films),), plating=Plating(2.0, 2.0))
    found = reckon(design, unroll(design), {}).quantities
    assert found["bond_width"] == pytest.approx(180.0)
    assert found["largest_opening"] == pytest.approx(30.0)
    assert found["bonded_length"] == pytest.approx(180 - 40 - 30, abs=0.2)
    # A parabolic lens holds 2/3 of its box, and is thicker than t over sqrt(1 - t / peak) of its length.
    assert found["plating_in_bond_mean"] == pytest.approx(2 / 3 * 3 * 40 / 180, rel=1e-3)
    assert found["plating_in_bond_max"] == pytest.approx(3.0, rel=1e-4)
    assert found["plating_coverage"] == pytest.approx(40 * math.sqrt(1 - 0.2 / 3) / 180, rel=5e-3)


def test_expelled_plating_fills_the_wedge_to_its_meniscus() -> None:
    design = replace(PLAIN, plating=Plating(3.0, 3.0, fill=1.5))
    profile, cov = covered(design)
    # The linear wedge reaches 9 µm after 90 µm: two triangles.
    assert reckon(design, profile, {}).quantities["expelled_plating_area"] == pytest.approx(810.0, rel=5e-3)
    wedge = (cov.u > 80) & (cov.u < 169)
    assert (cov.tin * wedge).sum() == pytest.approx(0.1 * 89**2 / 2, rel=0.02)
    assert (cov.gap * wedge).sum() == pytest.approx(0, abs=0.5)
    # Beyond it both coats are left, and the gap between them.
    column = int(np.argmin(np.abs(cov.u[0] - 230)))
    assert cov.gap[:, column].sum() == pytest.approx(15.0 - 6.0, abs=0.02)


def test_clearance_leaves_no_bond() -> None:
    design = replace(PLAIN, clearance=5.0)
    profile, cov = covered(design)
    truth = reckon(design, profile, {})
    assert truth.quantities["bond_width"] == 0
    assert truth.bond_kind == "none"
    assert cov.gap.sum(axis=0).min() == pytest.approx(5.0, abs=0.02)


@pytest.mark.parametrize("shift", [0.0, 8.0])
def test_nugget_is_an_ellipse_cut_by_the_line(shift: float) -> None:
    nugget = Nugget(0.0, shift, 60.0, 25.0, 25.0, voids=((10.0, 0.0, 5.0, 4.0),))
    design = replace(PLAIN, nugget=nugget)
    found = reckon(design, unroll(design), {}).quantities
    assert found["nugget_width"] == pytest.approx(120 * math.sqrt(1 - (shift / 25) ** 2), rel=1e-3)
    assert found["nugget_height"] == pytest.approx(50.0, rel=1e-4)
    assert found["penetration_upper"] == pytest.approx((25 - shift) / 90, rel=1e-3)
    assert found["void_fraction"] == pytest.approx(5 * 4 / (60 * 25), rel=1e-4)
    assert found["largest_void"] == 10.0
