"""Weld diameter: chord of one section, circle of serial sections."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from xsect.capture.lot_sheet import SheetRow
from xsect.measure.diameter import OUT_OF_ROUND, U_OFFSET_UM, measure_diameter
from xsect.measure.serial import FEWEST, fit_circle
from xsect.quantities import Component, Measurement, measured, not_measured
from xsect.reasons import Finding
from xsect.record import SectionRecord
from xsect.welds import weld_diameters


def row(section: str = "S1", **columns: object) -> SheetRow:
    return SheetRow(2, section, Path("a.png"), "a.png", **columns)  # type: ignore[arg-type]


def width(value: float, u: float = 6.0, scale: float = 0.0, **more: object) -> Measurement:
    parts = (Component("notch fit", u), Component("scale", scale * value))
    return measured("bond_width", value, parts, **more)  # type: ignore[arg-type]


def test_a_width_off_centre_gives_the_diameter() -> None:
    (found,) = measure_diameter([width(800)], row(plane_offset_um=-300, u_offset_um=3.0))
    assert found.value == pytest.approx(1000)  # √(800² + 600²)
    shares = {part.name: part.u for part in found.budget}
    assert shares["bond width"] == pytest.approx(0.8 * 6)  # dD/dc = c/D
    assert shares["place of the cut"] == pytest.approx(
        1.2 * 3, rel=1e-3
    )  # dD/de = 4e/D; second order (u/e)² = 1e-4
    assert found.low < 1000 < found.high
    assert "taken as" not in found.note


@pytest.mark.parametrize("oval", [-0.02, 0.02])
def test_roundness_is_what_an_oval_weld_does(oval: float) -> None:
    """An ellipse of axis 1000 along the cut and 1000 (1 + δ) across it, cut 300 off centre; second order is δ."""
    chord = 1000 * math.sqrt(1 - (300 / (500 * (1 + oval))) ** 2)
    (found,) = measure_diameter([width(chord)], row(plane_offset_um=300))
    (u,) = (part.u for part in found.budget if part.name == "roundness")
    assert abs(found.value - 1000) == pytest.approx(u * abs(oval) / OUT_OF_ROUND, rel=0.05)


def test_without_an_offset_the_width_is_that_of_the_cut_plane() -> None:
    (found,) = measure_diameter([width(800)], row())
    assert not found
    assert found.note.endswith(
        "the bond width is that of the cut plane, and the weld's diameter may be larger"
    )
    (found,) = measure_diameter([width(800)], row(weld="W1", face_offset_um=200.0))
    assert found.note.endswith("for the weld's sections taken together see the overview")


def test_a_place_without_uncertainty_is_told() -> None:
    (found,) = measure_diameter([width(800)], row(plane_offset_um=0))
    assert found.value == 800
    assert f"taken as {U_OFFSET_UM:g} µm" in found.note
    assert found.u > 6


@pytest.mark.parametrize(
    ("found", "columns", "words"),
    [
        ([not_measured("bond_width", "no faying line")], {}, "no faying line"),
        ([width(0)], {}, "no bond"),
        ([width(900), width(400, segment=1), width(500, segment=2)], {}, "2 contacts"),
        ([width(900)], {"weld_type": "fusion"}, "the nugget width was not measured"),
    ],
)
def test_what_is_no_chord_of_one_circle_is_refused(
    found: list[Measurement], columns: dict[str, str], words: str
) -> None:
    (diameter,) = measure_diameter(found, row(plane_offset_um=10, **columns))
    assert not diameter
    assert words in diameter.note


def test_a_fusion_weld_goes_by_its_nugget() -> None:
    nugget = measured("nugget_width", 600, (Component("outline", 5.0),))
    (found,) = measure_diameter([width(900), nugget], row(plane_offset_um=400, weld_type="fusion"))
    assert found.value == pytest.approx(1000)


def chords(diameter: float, centre: float, places: list[float]) -> list[float]:
    return [math.sqrt(diameter**2 - 4 * (place - centre) ** 2) for place in places]


PLACES = [400.0, 550.0, 700.0, 850.0, 1000.0]


@pytest.mark.parametrize("centre", [650.0, 700.0, 790.0])
def test_exact_chords_give_the_exact_circle(centre: float) -> None:
    fit = fit_circle(PLACES, chords(1000, centre, PLACES), [5] * 5, [10] * 5)
    assert (fit.diameter, fit.centre) == pytest.approx((1000, centre), rel=1e-9)
    assert fit.residuals == pytest.approx([0] * 5, abs=1e-6)


def test_intervals_hold_the_truth() -> None:
    """400 noisy series: 95 % of the intervals hold the diameter, give or take 2.2 % (binomial, 2 deviations).

    The misfit widens some of them, so that up to 99 % may; about 1 % of the series are refused, by design.
    """
    rng = np.random.default_rng(5)
    held, made = 0, 0
    for _ in range(400):
        true = np.array(PLACES)
        c = np.array(chords(1000, 700 + rng.uniform(-60, 60), PLACES)) + rng.normal(0, 8, 5)
        try:
            fit = fit_circle((true + rng.normal(0, 15, 5)).tolist(), c.tolist(), [8] * 5, [15] * 5)
        except ValueError:
            continue
        made += 1
        held += abs(fit.diameter - 1000) <= 1.96 * fit.u_fit
    assert made >= 385
    assert 0.928 <= held / made <= 0.99


@pytest.mark.parametrize(
    ("places", "values", "words"),
    [
        ([0.0, 100.0], [900.0, 950.0], f"2 different places of the cut, at least {FEWEST} needed"),
        ([0.0, 0.0, 100.0], [900.0, 905.0, 950.0], "2 different places"),
        ([0.0, 2.0, 4.0], [902.0, 903.0, 902.0], "too close together"),
        ([0.0, 200.0, 400.0, 600.0], [500.0, 900.0, 400.0, 950.0], "no circle fits"),
        ([0.0, 100.0, 200.0], [900.0, 0.0, 900.0], "must be > 0"),
    ],
)
def test_what_fixes_no_circle_is_refused(places: list[float], values: list[float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        fit_circle(places, values, [5] * len(places), [5] * len(places))


def record(
    section: str,
    place: float | None,
    found: Measurement,
    findings: tuple[Finding, ...] = (),
    weld: str = "W1",
) -> SectionRecord:
    columns = {"lot": "L", "weld": weld, "face_offset_um": place, "u_offset_um": 10.0}
    return SectionRecord(row(section, **columns), "", (0, 0), None, findings, (found,), (), None)


def series(**more: object) -> list[SectionRecord]:
    values = chords(1000, 700, PLACES)
    return [
        record(f"S{n}", place, width(value, scale=0.01), **more)  # type: ignore[arg-type]
        for n, (place, value) in enumerate(zip(PLACES, values, strict=True))
    ]


def test_a_weld_cut_in_series() -> None:
    others = [record("T1", None, width(800)), record("T2", 5.0, width(800), weld="W2")]
    one, two = weld_diameters([*series(), *others])
    assert (one.weld, [cut.section for cut in one.cuts]) == ("W1", ["S0", "S1", "S2", "S3", "S4"])
    assert one.diameter.value == pytest.approx(1000)
    assert one.centre == pytest.approx(700)
    shares = {part.name: part.u for part in one.diameter.budget}
    assert shares["scale"] == pytest.approx(10)  # 1 % of the diameter: common to all widths, no averaging
    assert 0 < shares["roundness"] < OUT_OF_ROUND * 1000
    assert not two.diameter
    assert "at least 3" in two.diameter.note
    assert math.isnan(two.centre)


def test_cuts_that_give_no_width_are_left_out_and_told() -> None:
    missing = record("S9", 900.0, not_measured("bond_width", "no scale"))
    beside = record("S8", 1300.0, width(0))
    (found,) = weld_diameters([*series(), missing, beside])
    assert found.diameter.value == pytest.approx(1000)
    assert found.left_out == ("S9: the bond width was not measured: no scale", "S8: no bond")


def test_cuts_on_one_side_of_the_centre_are_refused() -> None:
    (found,) = weld_diameters([*series()[3:], record("S9", 780.0, width(chords(1000, 700, [780.0])[0]))])
    assert not found.diameter
    assert "one side of the weld's centre" in found.diameter.note


def test_no_bond_inside_the_circle_contradicts_it() -> None:
    (found,) = weld_diameters([*series(), record("S8", 720.0, width(0))])
    assert "section S8 shows no bond" in found.diameter.note


def test_a_doubtful_section_makes_the_diameter_doubtful() -> None:
    look = (Finding("out_of_focus", {"blur": "7"}),)
    (found,) = weld_diameters([*series()[1:], record("S0", 400.0, width(800), look)])
    assert found.diameter.status == "needs_review"
    assert "S0: needs a look" in found.diameter.note
