"""Every doubt arises on a picture made to deserve it, and none on a clean one.

No tolerances: each picture lies well beyond the threshold of its doubt.
"""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests.locate.drawing import COPPER, MOUNT, Drawing, codes, find, micrograph, result_of, sheet_row
from xsect.locate.section import locate
from xsect.measure.doubts import ASTRAY, find_doubts, plating_astray
from xsect.pipeline import measure_micrograph
from xsect.reasons import Refusal

PLAIN = Drawing()
LINED = replace(PLAIN, voids=((-100.0, 100.0, 0.5),))
"""A joint that shows as a faint dark line: too faint to be a gap."""


@pytest.mark.parametrize(
    "drawing",
    [
        pytest.param(PLAIN, id="plain"),
        pytest.param(replace(PLAIN, mount=MOUNT, metal=COPPER), id="colour"),
        pytest.param(replace(PLAIN, metal=(0.93,)), id="bright"),
        pytest.param(replace(PLAIN, blur=2.5), id="a little soft"),
        pytest.param(replace(PLAIN, noise=0.04), id="a little noisy"),
        pytest.param(replace(PLAIN, voids=((-20.0, 20.0, 2.0),)), id="void"),
        pytest.param(replace(PLAIN, bonds=((-35.0, 35.0),), slope=0.6), id="short bond, steep mouths"),
        pytest.param(
            replace(PLAIN, bits=16, noise=0.0004),
            id="very quiet",
        ),
    ],
)
def test_clean_pictures_raise_none(drawing: Drawing) -> None:
    result = result_of(drawing, upper_thickness_um=110.0, lower_thickness_um=108.0)
    assert result.findings == ()
    assert result.status == "measured"


@pytest.mark.parametrize(
    ("drawing", "columns", "code"),
    [
        pytest.param(replace(PLAIN, metal=(1.2,)), {}, "saturated", id="overexposed"),
        pytest.param(
            replace(PLAIN, metal=(1.0, 0.7, 0.6), mount=MOUNT), {}, "saturated", id="one channel clipped"
        ),
        pytest.param(replace(PLAIN, blur=6.0), {}, "out_of_focus", id="out of focus"),
        pytest.param(replace(PLAIN, blur=3.3), {}, "soft", id="soft"),
        pytest.param(replace(LINED, bonds=((-1000.0, 100.0),)), {}, "gap_not_seen", id="no gap on the left"),
        pytest.param(replace(LINED, bonds=((-100.0, 1000.0),)), {}, "gap_not_seen", id="no gap on the right"),
        pytest.param(PLAIN, {"lower_thickness_um": 130.0}, "thickness_disagrees", id="thicker in the sheet"),
        pytest.param(PLAIN, {"upper_thickness_um": 90.0}, "thickness_disagrees", id="thinner in the sheet"),
        pytest.param(PLAIN, {"plating": "tin"}, "bond_not_separable", id="plated in the sheet alone"),
        pytest.param(
            replace(PLAIN, voids=((-100.0, 100.0, 1.7),)), {}, "gap_below_resolution", id="dark line"
        ),
        pytest.param(
            replace(PLAIN, voids=((-100.0, 100.0, 1.0),)),
            {},
            "gap_below_resolution",
            id="fainter line",
        ),
    ],
)
def test_each_doubt(drawing: Drawing, columns: dict[str, str | float], code: str) -> None:
    result = result_of(drawing, **columns)
    assert code in codes(result)
    assert result.status == "needs_review"
    finding = next(one for one in result.findings if one.code == code)
    assert "{" not in finding.sentence


def test_line_that_may_be_an_unresolved_gap_is_no_solid_state_bond() -> None:
    """A dark line throughout: nobody can tell whether the parts are joined, so that no kind is told."""
    result = result_of(replace(PLAIN, voids=((-100.0, 100.0, 1.7),)))
    kinds = [one for one in result.measurements if one.quantity == "bond_kind"]
    assert kinds
    assert not any(kinds)
    assert all("unresolved gap" in one.note for one in kinds)
    assert find(result_of(PLAIN), "bond_kind").word == "solid_state"


@pytest.mark.parametrize(
    ("drawing", "code", "words"),
    [
        (replace(PLAIN, noise=0.35), "no_section_found", "low contrast"),
        (replace(PLAIN, noise=0.35, bonds=()), "no_section_found", "low contrast"),
        (replace(PLAIN, blur=6.0, bonds=((-1000.0, 100.0),)), "no_section_found", "out of focus"),
        (replace(PLAIN, bonds=((-1000.0, 1000.0),)), None, ""),
    ],
)
def test_several_doubts_leave_nothing_to_measure(drawing: Drawing, code: str | None, words: str) -> None:
    result = result_of(drawing)
    assert result.status == "not_measured"
    assert not any(result.measurements)
    assert code is None or codes(result) == {code}
    assert words in result.findings[0].sentence


def test_one_notch_and_no_trace_of_a_line_is_no_bond() -> None:
    """A crack into sound metal looks like that."""
    result = result_of(replace(PLAIN, bonds=((-1000.0, 100.0),)))
    assert codes(result) == {"no_section_found"}
    assert not any(result.measurements)


def test_the_side_without_a_gap_is_named() -> None:
    result = result_of(replace(LINED, bonds=((-1000.0, 100.0),)))
    (finding,) = (one for one in result.findings if one.code == "gap_not_seen")
    assert finding.facts["side"] == "left"


def test_wrong_scale_shows_as_a_wrong_thickness() -> None:
    """Half the scale, half the thickness: what a picture resized for a report looks like."""
    columns = {"upper_thickness_um": 220.0, "lower_thickness_um": 220.0}
    right = measure_micrograph(PLAIN.micrograph(um_per_px=2.0), sheet_row(**columns))
    wrong = measure_micrograph(PLAIN.micrograph(um_per_px=1.0), sheet_row(**columns))
    assert right.status == "measured"
    assert [one.code for one in wrong.findings] == ["thickness_disagrees"] * 2
    assert {one.facts["part"] for one in wrong.findings} == {"upper", "lower"}


STAINED = pytest.mark.xfail(
    strict=True, reason="a stain nearly as dark as the gap moves a notch by 14 to 38 px, and no doubt arises"
)


@pytest.mark.parametrize(
    ("depth", "radius"),
    [
        (0.1, 12),
        (0.5, 12),
        (0.3, 25),
        (0.1, 25),
        (0.5, 25),
        pytest.param(0.7, 25, marks=STAINED),
    ],
)
def test_notch_under_a_stain_is_uncertain_or_right(depth: float, radius: float) -> None:
    """What bleeds from a gap after cleaning darkens the metal around the notch by a share ``depth``."""
    pixels = PLAIN.pixels().astype(float)
    y, x = np.mgrid[0 : pixels.shape[0], 0 : pixels.shape[1]]
    ((_, (x0, y0)),) = PLAIN.notches()
    stain = gaussian_filter((np.hypot(x - x0, (y - y0) * 1.5) < radius).astype(float), 4)
    result = measure_micrograph(micrograph((pixels * (1 - depth * stain)).astype(np.uint8)), sheet_row())
    width = find(result, "bond_width")
    assert result.status == "needs_review" or width.low <= 200 <= width.high


def test_motion_blur_along_the_gap_is_uncertain_or_right() -> None:
    pixels = cv2.blur(PLAIN.pixels(), (15, 1))
    result = measure_micrograph(micrograph(pixels), sheet_row())
    width = find(result, "bond_width")
    assert result.status == "needs_review" or width.low <= 200 <= width.high


def test_a_bond_shorter_than_its_own_uncertainty_is_none_to_be_measured() -> None:
    """Noise as strong as the contrast leaves a slim bridge whose ends lie anywhere."""
    located = locate(PLAIN.micrograph(), plated=False)
    (segment,) = located.stations.segments
    loose = replace(located, spread=((120.0, 120.0),))
    with pytest.raises(Refusal, match="may as well be none"):
        find_doubts(loose, PLAIN.micrograph(), sheet_row(), [])
    assert segment.right.station - segment.left.station < 1.96 * math.hypot(120, 120)


@pytest.mark.parametrize(
    ("sag", "astray"), [(0.0, False), (5.0, False), (12.0, False), (24.0, True), (-40.0, True)]
)
def test_line_that_leaves_the_way_between_two_notches_is_doubted(sag: float, astray: bool) -> None:
    """A line that runs round a grain is fine; one that bows by 8 % of the bond (16 px) and 6 px has left the joint."""
    located = locate(PLAIN.micrograph(), plated=False)
    left, right = (located.stations.segments[0].left.station, located.stations.segments[0].right.station)
    along = np.clip((np.arange(len(located.strip.points)) - left) / (right - left), 0, 1)
    bowed = located.strip.points + sag * np.sin(np.pi * along)[:, None] * located.strip.normals
    moved = replace(located, strip=replace(located.strip, points=bowed))
    found = {one.code for one in find_doubts(moved, PLAIN.micrograph(), sheet_row(), [])}
    assert ("line_uncertain" in found) == astray


@pytest.mark.parametrize(
    ("first", "last", "astray"), [(0.0, 0.4, True), (0.0, 0.1, False), (0.3, 0.7, False)]
)
def test_plating_off_the_line_is_doubted(first: float, last: float, astray: bool) -> None:
    """A filled wedge that the line has left lies beside the bond, from a notch inwards; a stain lies anywhere."""
    drawing = Drawing(plating=5.0, filled=90.0, slope=0.15, standoff=30.0, metal=(0.5,), tin=(0.8,))
    located = locate(drawing.micrograph(), plated=True)
    assert located.plating is not None
    assert located.plating.by == "grey level"
    assert plating_astray(located) < ASTRAY / 3
    (segment,) = located.stations.segments
    left, length = segment.left.station, segment.right.station - segment.left.station
    share, half = located.plating.share.copy(), located.strip.half
    share[half + 15 : half + 30, int(left + first * length) : int(left + last * length)] = 1
    moved = replace(located, plating=replace(located.plating, share=share))
    row = sheet_row(plating="tin")
    found = {one.code for one in find_doubts(moved, drawing.micrograph(), row, [])}
    assert ("bond_not_separable" in found) == astray


@pytest.mark.parametrize(("filled", "parted_by_plating"), [(60.0, True), (4.0, False)])
def test_contacts_that_plating_alone_parts_need_a_look(filled: float, parted_by_plating: bool) -> None:
    """Two contacts side by side: the gap between them full of plating, or open in its middle."""
    bonds = ((-170.0, -50.0), (50.0, 170.0))
    drawing = replace(PLAIN, mount=MOUNT, metal=COPPER, bonds=bonds, slope=0.25, plating=4.0, filled=filled)
    result = result_of(drawing, plating="tin")
    assert find(result, "bond_width").value == pytest.approx(240, abs=12)
    assert ("filled_between" in codes(result)) == parted_by_plating


@pytest.mark.parametrize(("thick", "doubted"), [(16.0, True), (5.0, False)])
def test_plating_in_a_bond_as_tall_as_the_gap_needs_a_look(thick: float, doubted: bool) -> None:
    """A film of 90 px length inside a bond, beside a gap of 32 px."""
    drawing = replace(
        PLAIN, mount=MOUNT, metal=COPPER, bonds=((-150.0, 150.0),), plating=4.0, film=((-45.0, 45.0, thick),)
    )
    assert ("filled_between" in codes(result_of(drawing, plating="tin"))) == doubted


@pytest.mark.parametrize(("length", "doubted"), [(60, True), (5, False)])
def test_plating_whose_outline_and_shade_disagree_needs_a_look(length: int, doubted: bool) -> None:
    drawing = replace(PLAIN, mount=MOUNT, metal=COPPER, plating=4.0, filled=40.0)
    picture = drawing.micrograph()
    located = locate(picture, plated=True)
    right = math.ceil(located.stations.segments[0].right.station)
    outline = located.line.opening.copy()
    outline[right : right + length] = 3 * located.apart.thickness[right : right + length] + 8
    told = find_doubts(
        replace(located, line=replace(located.line, opening=outline)), picture, sheet_row(plating="tin"), []
    )
    assert any(one.code == "bond_not_separable" for one in told) == doubted


@pytest.mark.parametrize(("support", "refused"), [(0.05, False), (-1.0, True)])
def test_no_bond_is_told_only_where_something_of_a_gap_was_seen(support: float, refused: bool) -> None:
    """Plating that fills a gap leaves little trace of it; a photograph none."""
    picture = replace(PLAIN, bonds=()).micrograph()
    located = locate(picture, plated=False)
    assert located.stations.segments == ()
    faint = replace(located, line=replace(located.line, support=support))
    if refused:
        with pytest.raises(Refusal) as told:
            find_doubts(faint, picture, sheet_row(), [])
        assert told.value.finding.code == "no_section_found"
    else:
        assert [one.code for one in find_doubts(faint, picture, sheet_row(), [])] == ["no_bond"]
