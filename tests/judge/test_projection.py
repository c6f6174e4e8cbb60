"""Projection check: windows from the tables as they are printed, and from the rules of the trade."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from click.testing import CliRunner

from xsect.capture.lot_sheet import SheetRow
from xsect.cli import main
from xsect.judge import projection
from xsect.judge.projection import cautions, check_dimensions, check_projection, outside


def standings(**dimensions: float) -> dict[tuple[str, str], str]:
    return {(check.dimension, check.source): check.standing for check in check_dimensions(**dimensions)}


@pytest.mark.parametrize(
    ("sheet_in", "diameter_in", "height_in"),
    [
        (0.01, 0.055, 0.015),
        (0.031, 0.094, 0.022),
        (0.062, 0.156, 0.035),
        (0.125, 0.281, 0.060),
        (0.25, 0.531, 0.110),
    ],
)
def test_rows_of_the_sheet_table(sheet_in: float, diameter_in: float, height_in: float) -> None:
    """RWMA and Welding Handbook table, from memory, in its own inches."""
    sheet, diameter, height = (25_400 * one for one in (sheet_in, diameter_in, height_in))
    checks = check_dimensions(sheet_um=sheet, diameter_um=diameter, height_um=height)
    middles = [(check.low + check.high) / 2 for check in checks if check.source.startswith("RWMA")]
    assert middles == pytest.approx([diameter, height], rel=1e-9)


def test_the_sheet_table_follows_the_rules_of_the_trade() -> None:
    """D = 2t + 0.7 mm and H = 0.4t + 0.25 mm (common practice) hold the table within 2 % from 2 mm up, 8.5 % from 0.6.

    (A row mistyped by one digit in the second place would show.)
    """
    for row in projection._table("projection_sheet.csv"):
        t, d, h = (25.4 * row[name] for name in ("sheet_in", "diameter_in", "height_in"))
        if t > 0.6:
            assert (d, h) == pytest.approx((2 * t + 0.7, 0.4 * t + 0.25), rel=0.02 if t >= 2 else 0.085)


def test_spherical_projections_are_a_quarter_as_high_as_wide() -> None:
    """ISO 8167:1989, from memory: 4 : 1 throughout, but for the rounding of the R10 series (2 %)."""
    for d in (1600.0, 2000.0, 2500.0, 4300.0, 10_000.0):
        (check,) = (
            c for c in check_dimensions(sheet_um=800, diameter_um=d, height_um=1) if "ISO" in c.source
        )
        assert (check.low + check.high) / 2 == pytest.approx(d / 4, rel=0.02)


def test_between_two_rows_of_the_table() -> None:
    # sheet 0.021 in: 0.067 in; 0.025 in: 0.081 in; half-way 0.074 in = 1879.6 µm, ± 10 %
    check = check_dimensions(sheet_um=0.023 * 25_400, diameter_um=1879.6)[1]
    assert (check.low, check.high) == pytest.approx((0.9 * 1879.6, 1.1 * 1879.6))


@pytest.mark.parametrize(
    ("diameter", "standing"), [(1599, "below"), (1600, "inside"), (2400, "inside"), (2401, "above")]
)
def test_two_to_three_times_the_sheet(diameter: float, standing: str) -> None:
    assert standings(sheet_um=800, diameter_um=diameter)["diameter", "common practice"] == standing


@pytest.mark.parametrize(("face", "standing"), [(4700, "below"), (6000, "inside"), (7300, "above")])
def test_electrode_face_two_to_three_times_the_projection(face: float, standing: str) -> None:
    found = standings(sheet_um=800, diameter_um=2400, electrode_face_um=face)
    assert found["electrode face", "common practice"] == standing


def test_heights_in_thick_sheet_have_the_wider_tolerance() -> None:
    for sheet, tolerance in ((1270.0, 75.0), (1280.0, 127.0)):
        (check,) = check_dimensions(sheet_um=sheet, height_um=700.0)
        assert (check.high - check.low) / 2 == pytest.approx(tolerance)


def test_beyond_a_table_nothing_is_claimed() -> None:
    checks = check_dimensions(sheet_um=200, diameter_um=500, height_um=120)
    assert [check.standing for check in checks] == ["inside", "not_covered", "not_covered", "not_covered"]
    assert all(math.isnan(check.low) and "not covered" in check.sentence for check in checks[1:])
    assert outside(checks) == ("height",)


def test_one_source_that_bears_a_dimension_out_is_enough() -> None:
    # 400 µm sheet: the rule wants 0.8 to 1.2 mm, the table about 1.66 mm
    for diameter in (1000.0, 1660.0):
        checks = check_dimensions(sheet_um=400, diameter_um=diameter)
        assert {check.standing for check in checks} > {"inside"}
        assert outside(checks) == ()


@pytest.mark.parametrize("name", ["sheet_um", "diameter_um", "height_um", "electrode_face_um"])
@pytest.mark.parametrize("value", [0.0, -5.0, math.nan, math.inf])
def test_lengths_that_are_none_are_refused(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=f"{name} = .*must be > 0 µm"):
        check_dimensions(**{"sheet_um": 800.0, "diameter_um": 2000.0, name: value})


def test_a_row_is_checked_as_far_as_it_goes() -> None:
    bare = SheetRow(2, "S1", Path("a.png"), "a.png")
    assert check_projection(bare) == ()
    row = SheetRow(
        2,
        "S1",
        Path("a.png"),
        "a.png",
        upper_thickness_um=800,
        projection_diameter_um=2400,
        electrode_face_um=6000,
    )
    assert [check.dimension for check in check_projection(row)] == ["diameter", "diameter", "electrode face"]


def test_the_tables_are_for_steel() -> None:
    assert len(cautions("Stainless steel 1.4301")) == 1
    assert "for brass they are a starting point only" in cautions("brass")[0]
    assert "not given" in cautions("")[0]


def run(*arguments: str) -> tuple[int, str, str]:
    made = CliRunner().invoke(main, ["projection", *arguments])
    return made.exit_code, made.stdout, made.stderr


def test_the_command() -> None:
    good = ("--sheet-um", "800", "--diameter-um", "2400", "--height-um", "580", "--material", "mild steel")
    status, out, _ = run(*good, "--electrode-face-um", "6000")
    assert status == 0
    assert "Diameter 2.4 mm: inside 1.600 to 2.400 mm, 2 to 3 times the sheet's thickness" in out
    assert out.count("from memory") == 3
    assert "none of the windows" not in out
    status, out, _ = run(*good, "--electrode-face-um", "9000")
    assert status == 1
    assert "The electrode face lies in none of the windows above." in out
    status, out, err = run(*good, "--electrode-face-um", "0")
    assert (status, out) == (2, "")
    assert err == "projection: electrode_face_um = 0: must be > 0 µm\n"
    assert run("--sheet-um", "800")[0] == 2
