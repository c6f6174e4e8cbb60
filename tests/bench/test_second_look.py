"""The second way of drawing holds its own truth: areas, notches, widths and layers are what the layout says.

Tolerances: shapes are rasterised by exact areas, so sums of shares are right to the polygons' own steps
(0.5 px along the line: 0.1 %) and, read from a stored picture, to its 16-bit steps. A strip read between
pixels smooths by about a pixel, which cannot move an integral but rounds the start of a wedge: 0.1 px of
opening.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.ndimage import map_coordinates

from tests.bench.second_look import DIFFICULTIES, KINDS, draw
from tests.bench.second_look.camera import Camera, take
from tests.bench.second_look.coverage import coverage
from tests.bench.second_look.layout import FAR_PX, Layout, Lens, Nugget, Part, Tin, lay_out, length
from tests.bench.second_look.looks import Look
from tests.bench.second_look.openings import Flank, flank
from tests.bench.second_look.paint import paint, shares
from tests.bench.second_look.plans import plan
from tests.bench.second_look.truths import truth_of
from xsect.capture.lot_sheet import SheetRow
from xsect.quantities import QUANTITIES

METAL = (0.8, 0.8, 0.8)
PLAIN = Look(METAL, METAL, (1.0, 1.0, 1.0), "black phenolic", 0.0, 1.0, mottle=0.0)
FLANKS = {
    "bend": Flank("bend", 24.0, 130.0, 0.12),
    "dome": Flank("dome", 24.0, 130.0, 0.10),
    "power": Flank("power", 24.0, 130.0, 0.40),
    "wedge": Flank("wedge", 24.0, 130.0, 0.30),
    "ellipse": Flank("ellipse", 24.0, 60.0, 1.0),
}


def simple(**changes: object) -> Layout:
    """Return a layout with one contact whose parts fill a 500 × 360 picture."""
    part = Part(1000.0, -FAR_PX, FAR_PX, 4.0, 0.5)
    base = Layout(
        (360, 500), 2.0, (249.5, 180.0), 0.0, (0.0, 100.0, 0.0), ((-60.0, 75.0),),
        ((FLANKS["bend"], FLANKS["wedge"]),), 0.0, part, part,
    )  # fmt: skip
    return replace(base, **changes)


def picture(layout: Layout) -> np.ndarray:
    """Return the section without blur, noise or texture: 0 in the gap and 1 in the metal."""
    rng = np.random.default_rng(1)
    stored = take(paint(layout, lay_out(layout), PLAIN, rng), Camera(colour=False, bits=16), rng) / 65535
    return (stored - stored.min()) / (METAL[0] - stored.min())


@pytest.mark.parametrize("seed", range(5))
def test_coverage_adds_up_to_the_area(seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn = np.sort(rng.uniform(0, 2 * np.pi, 40))
    x, y = 30 + rng.uniform(5, 28, 40) * [np.cos(turn), np.sin(turn)] + rng.uniform(0, 1, (2, 1))
    area = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
    assert coverage(np.column_stack([x, y]), (64, 64)).sum(dtype=float) == pytest.approx(area, rel=1e-5)


def test_coverage_of_a_pixel_aligned_square_is_whole() -> None:
    square = np.array([[1.5, 2.5], [4.5, 2.5], [4.5, 3.5], [1.5, 3.5]])
    expected = np.zeros((6, 7))
    expected[3, 2:5] = 1
    assert coverage(square, (6, 7)) == pytest.approx(expected)


@pytest.mark.parametrize("one", FLANKS.values(), ids=FLANKS)
def test_flank_starts_at_zero_with_its_slope_and_ends_level(one: Flank) -> None:
    opening = one(np.linspace(-5, one.reach + 50, 4001))
    assert opening[0] == 0
    assert (np.diff(opening) >= -1e-9).all()
    assert opening[-1] == pytest.approx(one.height)
    if one.shape != "ellipse":
        assert one(np.array([0.01]))[0] / 0.01 == pytest.approx(one.slope, rel=0.01)


@pytest.mark.parametrize("slope", [0.02, 0.1, 0.4])
def test_flank_keeps_the_slope_it_was_asked_for(slope: float) -> None:
    rng = np.random.default_rng(4)
    for one in [flank(rng, 30, rng.uniform(60, 300), slope) for _ in range(20)]:
        if one.shape != "ellipse":
            assert one(np.array([0.01]))[0] / 0.01 == pytest.approx(slope, rel=0.02)


@pytest.mark.parametrize("name", FLANKS)
def test_dark_area_is_the_integral_of_the_opening(name: str) -> None:
    one, other = FLANKS[name], FLANKS["bend"]
    dark = float((1 - picture(simple(flanks=((one, other),)))).sum())
    # The picture spans -250 to 250 px along the line.
    left = quad(lambda d: float(one(np.array([d]))[0]), 0, 190, points=[one.reach])[0]
    right = quad(lambda d: float(other(np.array([d]))[0]), 0, 175, points=[other.reach])[0]
    assert dark == pytest.approx(left + right, rel=0.002)


@pytest.mark.parametrize("tilt", [-17.0, 0.0, 8.0])
@pytest.mark.parametrize("hump", [0.0, -12.0])
@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_gap_opens_at_the_notches_and_as_far_as_the_layout_says(
    tilt: float, hump: float, share: float
) -> None:
    upper, lower = (Part(1000.0, -FAR_PX, FAR_PX, 4.0, one) for one in (share, 1 - share))
    layout = simple(tilt=tilt, wave=(hump, 150.0, 20.0), upper=upper, lower=lower)
    shapes = lay_out(layout)
    s, n = np.arange(-190, 190, 1.0), np.arange(-32, 32, 0.25)
    x, y = np.moveaxis(np.array([shapes.at(s, value) for value in n]), -1, 0)
    strip = map_coordinates(picture(layout), [y, x], order=1, mode="nearest")
    measured = (1 - strip).sum(axis=0) * 0.25
    (left, right), (one, other) = layout.contacts[0], layout.flanks[0]
    assert measured == pytest.approx(one(left - s) + other(s - right), abs=0.12)
    assert measured[(s > left + 2) & (s < right - 2)] == pytest.approx(0, abs=0.02)
    for place, true in zip((left, right), truth_of(layout, shapes).notches[0], strict=True):
        assert shapes.at(place, 0.0)[0] == pytest.approx(true)


@pytest.mark.parametrize("kind", ["unetched", "segments", "plated", "steel_fusion"])
def test_bond_width_is_the_arc_between_the_notches(kind: str) -> None:
    layout = plan(kind, "hard", np.random.default_rng(11), 700)
    shapes, um = lay_out(layout), layout.um_per_px
    truth = truth_of(layout, shapes)
    for segment, (left, right), ends in zip(truth.segments, layout.contacts, truth.notches, strict=True):
        points = shapes.at(np.linspace(left, right, 4000), 0.0)
        arc = np.linalg.norm(np.diff(points, axis=0), axis=1).sum()
        # Points on straight pieces of 0.5 px: the corners cut are far below 0.01 %.
        assert segment["bond_width"] == pytest.approx(arc * um, rel=1e-4)
        assert points[[0, -1]].ravel() == pytest.approx(np.ravel(ends))
    assert truth.quantities["bond_width"] == pytest.approx(sum(one["bond_width"] for one in truth.segments))


def test_plating_fills_the_wedges_and_lines_the_gap() -> None:
    tin = Tin(3.0, 4.0, (70.0, 55.0), 6.0, 0.0, 0.0, False)
    layout = simple(tin=tin, films=(Lens(-20.0, 20.0, 3.0),))
    shapes = lay_out(layout)
    truth = truth_of(layout, shapes)
    painted = shares(layout, shapes)["tin"]
    x = np.arange(500) - 249.5
    wedges = ((x > -130) & (x < -60)) | ((x > 75) & (x < 130))
    expelled = truth.quantities["expelled_plating_area"] / layout.um_per_px**2
    assert painted[:, wedges].sum() == pytest.approx(expelled, rel=0.005)
    assert painted[:, np.abs(x) < 30].sum() / 135 * 2 == pytest.approx(
        truth.quantities["plating_in_bond_mean"], rel=1e-3
    )
    level = x < -60 - 130
    assert painted[:, level].sum(axis=0) == pytest.approx(7.0, abs=0.01)
    assert truth.quantities["plating_free_thickness"] == pytest.approx(3.5 * 2)
    assert truth.quantities["standoff"] == pytest.approx((24 - 7) * 2)
    assert truth.quantities["plating_coverage"] == pytest.approx(40 / 135)


def test_voids_and_films_are_left_out_of_the_bonded_length() -> None:
    layout = simple(voids=(Lens(-40.0, -10.0, 5.0), Lens(20.0, 40.0, 4.0)))
    truth = truth_of(layout, lay_out(layout))
    assert truth.quantities["bonded_length"] == pytest.approx((135 - 50) * 2)
    assert truth.quantities["largest_opening"] == pytest.approx(60)
    assert truth.quantities["continuity"] == pytest.approx(85 / 135)


def test_nugget_has_its_width_and_depths() -> None:
    part = Part(120.0, -FAR_PX, FAR_PX, 4.0, 0.5)
    layout = simple(nugget=Nugget(5.0, 110.0, 60.0, 40.0, 2.2), upper=part, lower=part, tilt=3.0)
    shapes = lay_out(layout)
    outline = coverage(shapes.at(*layout.nugget.outline()), layout.shape)
    truth = truth_of(layout, shapes)
    for values, along in (((-200, 200), True), ((-100, 100), False)):
        t = np.arange(*values, 0.25)
        points = shapes.at(t, 0.0) if along else shapes.at(np.full_like(t, 5.0), t)
        crossed = map_coordinates(outline, points[:, ::-1].T, order=1).sum() * 0.25
        name = "nugget_width" if along else "nugget_height"
        assert crossed * 2 == pytest.approx(truth.quantities[name], abs=0.5)
    assert truth.quantities["penetration_upper"] == pytest.approx(0.5)
    assert truth.bond_kind == "fusion"


def test_thickness_and_standoff_are_left_out_where_they_cannot_be_seen() -> None:
    assert "upper_thickness" not in truth_of(simple(), lay_out(simple())).quantities
    slow = Flank("bend", 24.0, 400.0, 0.12)
    layout = simple(flanks=((slow, slow),))
    assert "standoff" not in truth_of(layout, lay_out(layout)).quantities
    thin = Part(90.0, -FAR_PX, FAR_PX, 4.0, 0.5)
    layout = simple(upper=thin)
    assert truth_of(layout, lay_out(layout)).quantities["upper_thickness"] == pytest.approx(180)


def test_roughness_leaves_the_notches_closed_and_the_truth_right() -> None:
    layout = simple(rough=(1.2, 0.5, 7))
    shapes = lay_out(layout)
    left, right = layout.contacts[0]
    inside = (shapes.s >= left) & (shapes.s <= right)
    assert (shapes.opening[inside] == 0).all()
    assert (shapes.opening[~inside] > 0).all()
    level = (shapes.s < left - 130) & (shapes.s > -240)
    mean = length(shapes, level, shapes.gap) / length(shapes, level)
    assert mean != pytest.approx(24, abs=1e-3)


@pytest.mark.parametrize("difficulty", DIFFICULTIES)
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_drawn_with_a_sound_truth(kind: str, difficulty: str) -> None:
    section = draw(kind, difficulty, 5, width_px=560)
    again = draw(kind, difficulty, 5, width_px=560)
    assert (section.pixels == again.pixels).all()
    assert section.pixels.dtype in (np.uint8, np.uint16)
    assert section.pixels.shape[1] == 560
    truth = section.truth
    assert truth.usable == (kind != "unusable")
    assert set(truth.quantities) <= set(QUANTITIES)
    assert (len(truth.segments) == 0) == (kind in ("no_bond", "unusable"))
    rows, columns = section.pixels.shape[:2]
    for x, y in (point for pair in truth.notches for point in pair):
        assert 0 < x < columns - 1
        assert 0 < y < rows - 1
    assert set(truth.row) <= {one.name for one in fields(SheetRow)}
    if "collapse" in truth.quantities:
        height = float(truth.row["projection_height_um"])
        assert truth.quantities["collapse"] == pytest.approx(1 - truth.quantities["standoff"] / height)
    for fraction in ("continuity", "plating_coverage"):
        assert 0 <= truth.quantities.get(fraction, 0) <= 1


@pytest.mark.parametrize("seed", range(9))
def test_unusable_pictures_of_every_sort(seed: int) -> None:
    section = draw("unusable", "fair", seed, width_px=400)
    assert not section.truth.usable
    assert section.truth.segments == ()


def test_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="kind = 'weld'"):
        draw("weld", "easy", 1)
