"""Standoff and collapse: the level stretch of openings written down by hand, and of drawn gaps.

Tolerances. A stretch found on hand-written openings is the one written, but for the smoothing over 10 px at
its ends. The opening of a drawn level gap is read to 0.12 px and 1 % (what noise does to its reference
levels).
"""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.locate.drawing import Drawing, find, result_of, sheet_row
from xsect.measure.standoff import Level, find_levels, level_stretch, measure_standoff, nearly_level
from xsect.quantities import COVERAGE_FACTOR

PLAIN = Drawing()


def ramp(start: float, stop: float, length: int) -> np.ndarray:
    return np.linspace(start, stop, length)


def test_level_gap_is_level_throughout() -> None:
    found = level_stretch(np.full(200, 20.0), 0, 200)
    assert found == Level(0, 199, 20.0, 0.0)


@pytest.mark.parametrize("slope", [0.03, 0.1, 0.5])
def test_level_stretch_starts_where_the_flank_ends(slope: float) -> None:
    length = int(20 / slope)
    opening = np.concatenate([ramp(0, 20, length), np.full(300, 20.0)])
    found = level_stretch(opening, 0, opening.size)
    assert found is not None
    assert length - 5 <= found.first <= length + 35  # the flank's end is smoothed over 10 px
    assert found.last == opening.size - 1
    assert found.opening == pytest.approx(20, abs=0.02)
    assert found.u < 0.05


def test_window_counts_from_the_start_of_the_line() -> None:
    opening = np.concatenate([np.zeros(300), np.full(200, 7.0)])
    found = level_stretch(opening, 330, 480)
    assert found is not None
    assert (found.first, found.last, found.opening) == (330, 479, 7.0)


@pytest.mark.parametrize(
    "opening",
    [
        pytest.param(ramp(0, 30, 400), id="opens throughout"),
        pytest.param(np.full(39, 20.0), id="too short a side"),
        pytest.param(np.concatenate([ramp(0, 20, 200), np.full(10, 20.0)]), id="level for too short"),
        pytest.param(20 + 4 * np.sin(np.arange(300) / 15), id="wavy"),
        pytest.param(np.empty(0), id="no side at all"),
    ],
)
def test_gap_that_is_level_nowhere(opening: np.ndarray) -> None:
    assert level_stretch(opening, 0, opening.size) is None


def test_ledge_beside_the_bond_is_no_standoff() -> None:
    """A stretch at less than half of the largest opening is a step of the projection."""
    opening = np.concatenate([np.full(150, 6.0), ramp(6, 20, 100), np.full(80, 20.0)])
    found = level_stretch(opening, 0, opening.size)
    assert found is not None
    assert found.opening == pytest.approx(20, abs=0.1)


def test_drift_is_uncertainty() -> None:
    """Drifting by d over its length, a stretch is rectangular about its middle: d / √12."""
    found = level_stretch(20 + ramp(0, 0.6, 200), 0, 200)
    assert found is not None
    assert found.opening == pytest.approx(20.3, abs=0.01)
    assert found.u == pytest.approx(0.6 / math.sqrt(12), rel=0.1)


def test_roughness_averages_out_over_the_stretch() -> None:
    """White noise of 0.5 px: the median of 400 readings, of which 10 neighbours count as one."""
    opening = 20 + np.random.default_rng(0).normal(0, 0.5, 400)
    found = level_stretch(opening, 0, 400)
    assert found is not None
    assert abs(found.opening - 20) < 4 * 0.5 / math.sqrt(40)
    assert 0.02 < found.u < 0.5 / math.sqrt(40) * 2


def test_rough_faces_are_level_all_the_same() -> None:
    """Waves of 0.35 px and 45 px slope by 0.05 px a px, four times what a level stretch may."""
    opening = np.concatenate([ramp(0, 20, 200), 20 + 0.35 * np.sin(np.arange(300) * 2 * math.pi / 45)])
    found = level_stretch(opening, 0, opening.size)
    assert found is not None
    assert found.last - found.first > 150
    assert found.opening == pytest.approx(20, abs=0.15)


@pytest.mark.parametrize("outer", [-1, 1])
def test_side_too_short_to_be_level_counts_where_the_other_is(outer: int) -> None:
    """The outermost 40 stations, with their slope as uncertainty; not where the gap still opens, or is another one."""
    mouth = np.concatenate([np.zeros(100), ramp(0, 16, 60), 16 + ramp(0, 0.6, 40)])[::outer]
    found = nearly_level(mouth, 0, mouth.size, outer=outer, beside=20.0)
    assert found is not None
    assert (found.first, found.last) == ((0, 39) if outer < 0 else (160, 199))
    assert found.opening == pytest.approx(16.3, abs=0.01)
    assert found.u == pytest.approx(0.6 * 16.3 / 40, rel=0.01)  # as far again as the gap is high
    assert nearly_level(mouth, 0, mouth.size, outer=outer, beside=30.0) is None
    assert nearly_level(mouth[::outer][:158][::outer], 0, 158, outer=outer, beside=20.0) is None
    assert nearly_level(mouth, 0, 39, outer=outer, beside=20.0) is None


def test_parts_that_do_not_lie_parallel_are_read_on_both_sides() -> None:
    opening = np.concatenate(
        [16 + ramp(0.6, 0, 40), ramp(16, 0, 60), np.zeros(200), ramp(0, 20, 60), np.full(200, 20.0)]
    )
    ends = SimpleNamespace(left=SimpleNamespace(station=100.0), right=SimpleNamespace(station=299.0))
    located = SimpleNamespace(
        stations=SimpleNamespace(opening=opening, segments=(ends,)),
        surfaces=SimpleNamespace(thickness=opening),
    )
    assert [round(level.opening, 1) for level in find_levels(located)] == [16.3, 20.0]


def test_standoff_is_the_mean_of_the_sides() -> None:
    levels = [Level(0, 99, 20.0, 0.3), Level(300, 399, 21.0, 0.4)]
    standoff, collapse = measure_standoff(levels, 1.0, 2.0, 0.01, sheet_row(projection_height_um=60.0))
    assert standoff.value == pytest.approx(41.0)
    parts = {part.name: part.u for part in standoff.budget}
    assert parts["scale"] == pytest.approx(0.41)
    assert parts["level stretch"] == pytest.approx(0.5 / 2 * 2)  # √(0.3² + 0.4²) / 2, at 2 µm a px
    assert standoff.u == pytest.approx(math.hypot(*parts.values()))
    assert collapse.value == pytest.approx((60 - 41) / 60)
    assert collapse.u == pytest.approx(standoff.u / 60)
    assert collapse.high - collapse.low == pytest.approx(2 * COVERAGE_FACTOR * collapse.u)


def test_sides_that_differ_make_the_mean_uncertain() -> None:
    even, odd = (
        measure_standoff(
            [Level(0, 99, 20 - d, 0.1), Level(300, 399, 20 + d, 0.1)], 1.0, 1.0, 0.0, sheet_row()
        )[0]
        for d in (0.0, 3.0)
    )
    assert odd.value == even.value
    # anything between the two sides is as likely: rectangular, full width 6
    assert odd.u**2 - even.u**2 == pytest.approx(6**2 / 12)


def test_standoff_above_the_projection_is_a_negative_collapse() -> None:
    _, collapse = measure_standoff(
        [Level(0, 99, 50.0, 0.1)], 1.0, 1.0, 0.0, sheet_row(projection_height_um=40.0)
    )
    assert collapse.value == pytest.approx(-0.25)
    assert collapse.low < -0.25 < collapse.high


def test_what_is_missing_is_said() -> None:
    standoff, collapse = measure_standoff([], 1.0, 1.0, 0.0, sheet_row(projection_height_um=40.0))
    assert not standoff
    assert not collapse
    assert "level" in standoff.note
    standoff, collapse = measure_standoff([Level(0, 99, 20.0, 0.1)], 1.0, 1.0, 0.0, sheet_row())
    assert standoff
    assert not collapse
    assert "projection_height_um" in collapse.note


@pytest.mark.parametrize(
    "drawing",
    [
        pytest.param(PLAIN, id="plain"),
        pytest.param(replace(PLAIN, tilt_deg=-9.0, size=(480, 720)), id="tilted"),
        pytest.param(replace(PLAIN, blur=2.5), id="blurred"),
        pytest.param(replace(PLAIN, standoff=12.5, slope=0.08), id="low"),
        pytest.param(replace(PLAIN, standoff=60.0, slope=0.3), id="high"),
        pytest.param(replace(PLAIN, bonds=(), standoff=8.0), id="no bond"),
        pytest.param(replace(PLAIN, bonds=((-300.0, -100.0),), slope=0.2), id="seen on one side"),
    ],
)
def test_standoff_of_a_drawn_gap(drawing: Drawing) -> None:
    standoff = find(result_of(drawing), "standoff")
    assert standoff.value == pytest.approx(drawing.standoff, abs=0.12 + 0.01 * drawing.standoff)
    assert standoff.low <= drawing.standoff <= standoff.high


@pytest.mark.parametrize(
    ("mount", "gap"),
    [
        (0.5, 24.0),
        (0.55, 24.0),
        (0.35, 9.0),
        (0.42, 9.0),
        (0.48, 9.0),
    ],
)
def test_light_mount_is_measured_or_flagged(mount: float, gap: float) -> None:
    result = result_of(replace(PLAIN, mount=(mount,), standoff=gap))
    standoff = find(result, "standoff")
    assert result.status == "needs_review" or standoff.low <= gap <= standoff.high


@pytest.mark.parametrize("noise", [0.01, 0.04])
def test_interval_of_a_noisy_gap_holds_it(noise: float) -> None:
    result = result_of(replace(PLAIN, noise=noise, mount=(0.27,), standoff=34.0, slope=0.35, blur=2.4))
    standoff = find(result, "standoff")
    assert standoff.low <= 34 <= standoff.high
