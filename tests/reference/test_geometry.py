"""Off-centre and oblique cuts and spherical caps against derived tables, to half a printed digit."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from xsect.measure.cap import cap_radius, cap_section, contact_diameter
from xsect.measure.chord import chord, diameter_from_chord
from xsect.measure.oblique import oblique_excess, perpendicular_thickness
from xsect.measure.spread import rms_deviation

Table = Callable[[str], list[dict[str, float]]]


def test_chord(table: Table) -> None:
    for row in table("chord"):
        found = chord(row["diameter_mm"], row["offset_mm"])
        assert found == pytest.approx(row["chord_mm"], abs=5e-7)
        if found > 0:
            assert diameter_from_chord(found, row["offset_mm"])[0] == pytest.approx(5.0, rel=1e-12)


@pytest.mark.parametrize(
    ("loss", "offset_share"), [(0.01, 0.0705), (0.02, 0.0995), (0.05, 0.1561), (0.10, 0.2179)]
)
def test_offset_that_loses_a_share_of_the_width(loss: float, offset_share: float) -> None:
    # Derived: e/D = sqrt(1 - (1 - loss)^2) / 2. Half a digit of e/D moves the chord by 4 e/D · 5e-5 at most.
    assert chord(1000, 1000 * offset_share) / 1000 == pytest.approx(1 - loss, abs=5e-5)


def test_mean_chord_of_random_cuts() -> None:
    # Derived: mean pi/4, rms sqrt(2/3), median sqrt(3)/2 of D for an offset even over the circle.
    # Midpoint sums of 10 000 cuts; the root's vertical end costs about n^-3/2 = 1e-6.
    offsets = (np.arange(10_000) + 0.5) / 10_000 * 500
    chords = np.array([chord(1000, offset) for offset in offsets.tolist()]) / 1000
    assert chords.mean() == pytest.approx(math.pi / 4, abs=5e-6)
    assert math.sqrt((chords**2).mean()) == pytest.approx(0.816497, abs=5e-6)
    assert np.median(chords) == pytest.approx(0.866025, abs=5e-6)


def test_a_diameter_s_uncertainty_away_from_the_centre_is_first_order() -> None:
    # D = sqrt(c² + 4e²): dD/dc = c/D = 0.8, dD/de = 4e/D = 1.2; second order adds about (u_e/e)² = 1e-4.
    diameter, u = diameter_from_chord(800, 300, u_chord_um=10, u_offset_um=3)
    assert diameter == pytest.approx(1000)
    assert u == pytest.approx(math.hypot(0.8 * 10, 1.2 * 3), rel=1e-3)


def test_an_offset_about_zero_still_costs() -> None:
    # D ~ c + 2e²/c: for normal e about 0 the rms of 2e²/c is 2 sqrt(3) u²/c. The next, -2e⁴/c³, takes
    # a share of 5u²/c² = 1.25 % of it.
    _, u = diameter_from_chord(1000, 0, u_offset_um=50)
    assert u == pytest.approx(2 * math.sqrt(3) * 50**2 / 1000, rel=0.02)


def test_oblique_excess(table: Table) -> None:
    for row in table("oblique_cut"):
        found = oblique_excess(row["tilt_deg"])
        assert 100 * found == pytest.approx(row["excess_percent"], abs=5e-4)
        assert perpendicular_thickness(10 * (1 + found), row["tilt_deg"])[0] == pytest.approx(10, rel=1e-12)


@pytest.mark.parametrize(("tilt", "percent"), [(8.07, 1), (11.36, 2), (17.75, 5), (24.62, 10)])
def test_tilt_that_gives_an_excess(tilt: float, percent: float) -> None:
    # Computed; half a digit of the tilt (0.005 deg) is at most 0.005 % here.
    assert 100 * oblique_excess(-tilt) == pytest.approx(percent, abs=0.005)


def test_a_tilt_about_zero_still_costs() -> None:
    # 1 - cos(a) ~ a²/2: rms sqrt(3)/2 u² of the thickness; fourth order is u²/2 of that, 0.4 % at 5 deg.
    _, u = perpendicular_thickness(100, 0, u_apparent_um=0, u_tilt_deg=5)
    assert u == pytest.approx(100 * math.sqrt(3) / 2 * math.radians(5) ** 2, rel=0.01)
    _, u = perpendicular_thickness(100, 60, u_apparent_um=4)
    assert u == pytest.approx(2.0)


def test_spread_of_a_line_is_its_slope() -> None:
    assert rms_deviation(lambda x: 3 * x + 7, 5.0, 0.2) == pytest.approx(0.6, rel=1e-12)


def test_cap(table: Table) -> None:
    assert cap_radius(4000, 1000) == pytest.approx(2500)
    for row in table("spherical_cap"):
        base, height = cap_section(4, 1, row["offset_mm"])
        assert base == pytest.approx(row["base_chord_mm"], abs=5e-6)
        assert height == pytest.approx(row["height_mm"], abs=5e-6)
    for row in table("cap_contact"):
        assert contact_diameter(4, 1, row["pushed_mm"]) == pytest.approx(row["contact_mm"], abs=5e-6)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: chord(0, 0), "diameter_um = 0: must be > 0"),
        (lambda: chord(1000, 501), "offset_um = 501: must be at most half"),
        (lambda: chord(1000, math.nan), "offset_um = nan: must be at most half"),
        (lambda: diameter_from_chord(0, 3), "chord_um = 0: must be > 0"),
        (lambda: diameter_from_chord(math.inf, 3), "chord_um = inf: must be > 0"),
        (lambda: diameter_from_chord(10, math.nan), "offset_um = nan: must be finite"),
        (lambda: diameter_from_chord(10, 3, u_chord_um=-1), "u_chord_um = -1: must be >= 0"),
        (lambda: diameter_from_chord(10, 3, u_offset_um=math.nan), "u_offset_um = nan: must be >= 0"),
        (lambda: oblique_excess(90), "tilt_deg = 90: must lie between"),
        (lambda: perpendicular_thickness(-1, 3), "apparent_um = -1: must be >= 0"),
        (lambda: perpendicular_thickness(1, 3, u_tilt_deg=-1), "u_tilt_deg = -1: must be >= 0"),
        (lambda: cap_radius(1000, 501), "height_um = 501: must lie above 0 and within half"),
        (lambda: contact_diameter(1000, 100, 101), "pushed_um = 101: must be 0 to"),
    ],
)
def test_impossible_input_is_refused(call: Callable[[], float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()
