"""Stations read from openings written down station by station, with the darkness such gaps have.

Tolerances. Noise of 0.03 px on rises of 0.1 to 0.2 px a station and a floor of 0.05 px place a notch to
about half a station. Where the closed line shows as a dark line of 0.6 px, the first six stations of a rise
of 0.1 are hidden in it and the notch is only followed back: 2 stations. States may be off by the few
stations over which the opening passes from floor to threshold: (threshold 0.8 px) / slope.
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import erf

from xsect.locate.opening import Opening
from xsect.locate.stations import Stations, read_stations
from xsect.locate.view import FILLED, JOINED, OPEN, PLATING, UNKNOWN

Floats = NDArray[np.float64]
N = 600
S = np.arange(N, dtype=float)
LEVEL = np.stack([S, np.full(N, 50.0)], axis=1)


def opening_of(thickness: Floats, *, noise: float = 0.03, blur: float = 1.0, floor: float = 0.05) -> Opening:
    """An opening with the darkness of a blurred gap of each station's thickness."""
    thickness = np.clip(thickness + np.random.default_rng(1).normal(0, noise, thickness.size), 0, None)
    n = np.arange(-40, 41.0)[:, None]
    scale = blur * np.sqrt(2)
    dark = (erf((n + thickness / 2) / scale) - erf((n - thickness / 2) / scale)) / 2
    seen = np.ones(thickness.size, bool)
    return Opening(
        dark.astype(np.float32), thickness, thickness, np.zeros(thickness.size), seen, floor, 0.01, blur
    )


def wedge(left: float, right: float, *, slope: float = 0.12, standoff: float = 20.0) -> Floats:
    """Opening on both sides of a bond from ``left`` to ``right``."""
    return np.minimum(slope * np.clip(np.maximum(left - S, S - right), 0, None), standoff)


def read(thickness: Floats, **options: float) -> Stations:
    opening = opening_of(thickness, **options)
    return read_stations(opening, opening, LEVEL)


def ends(stations: Stations) -> list[float]:
    return [notch.station for one in stations.segments for notch in (one.left, one.right)]


@pytest.mark.parametrize("slope", [0.1, 0.2, 0.5])
@pytest.mark.parametrize(("left", "right"), [(200.0, 400.0), (150.4, 449.7)])
def test_notches_and_states(slope: float, left: float, right: float) -> None:
    stations = read(wedge(left, right, slope=slope))
    assert ends(stations) == pytest.approx([left, right], abs=0.6)
    assert all(notch.seen for one in stations.segments for notch in (one.left, one.right))
    unsure = 0.8 / slope + 3
    assert (stations.states[int(left) + 3 : int(right) - 2] == JOINED).all()
    assert (stations.states[: int(left - unsure)] == OPEN).all()
    assert (stations.states[int(right + unsure) + 1 :] == OPEN).all()


def test_arc_is_the_length_along_the_points() -> None:
    opening = opening_of(wedge(200, 400))
    stations = read_stations(opening, opening, np.stack([0.6 * S, 0.8 * S], axis=1))
    assert stations.arc == pytest.approx(S, abs=1e-9)


@pytest.mark.parametrize("level", [0.3, 0.6])
def test_dark_line_in_the_bond_is_closed(level: float) -> None:
    stations = read(np.maximum(wedge(200, 400, slope=0.1), level))
    assert stations.closed_level == pytest.approx(level, abs=0.05)
    assert ends(stations) == pytest.approx([200, 400], abs=2.0)


def test_void_belongs_to_its_segment() -> None:
    thickness = wedge(200, 400)
    thickness[290:320] = 2.4
    stations = read(thickness)
    assert ends(stations) == pytest.approx([200, 400], abs=0.6)
    assert (stations.states[292:318] == OPEN).all()
    assert (stations.states[230:285] == JOINED).all()


def test_two_contacts() -> None:
    stations = read(np.minimum(wedge(120, 220), wedge(380, 500)))
    assert ends(stations) == pytest.approx([120, 220, 380, 500], abs=0.6)
    assert (stations.states[240:360] == OPEN).all()


@pytest.mark.parametrize("blur", [1.0, 2.0])
def test_unresolved_bridge_is_no_bond(blur: float) -> None:
    thickness = np.full(N, 8.0)
    thickness[300:306] = 0.0
    stations = read(thickness, blur=blur)
    assert stations.segments == ()
    assert (stations.states[:290] == OPEN).all()


def test_parts_that_face_each_other_throughout() -> None:
    stations = read(np.full(N, 4.0))
    assert stations.segments == ()
    assert (stations.states == OPEN).all()


def test_dark_grain_beside_the_line_is_no_opening() -> None:
    """Its integral is that of a gap of 2 px, but nowhere is it as dark as such a gap must be."""
    thickness = wedge(200, 400)
    opening = opening_of(thickness)
    fat = opening.thickness.copy()
    fat[280:310] = 2.0
    dark = opening.darkness.copy()
    dark[34:47, 280:310] = 0.15
    grain = replace(opening, thickness=fat, darkness=dark)
    stations = read_stations(grain, grain, LEVEL)
    assert (stations.states[230:370] == JOINED).all()
    assert ends(stations) == pytest.approx([200, 400], abs=0.6)


def test_bond_that_leaves_the_picture_has_a_notch_that_is_not_seen() -> None:
    (segment,) = read(wedge(-1000, 400)).segments
    assert not segment.left.seen
    assert segment.right.seen
    assert segment.right.station == pytest.approx(400, abs=0.6)


def test_hidden_stations_are_unknown() -> None:
    opening = opening_of(wedge(200, 400))
    seen = np.ones(N, bool)
    seen[520:560] = False
    hidden = replace(opening, seen=seen)
    stations = read_stations(hidden, hidden, LEVEL)
    assert np.flatnonzero(stations.states == UNKNOWN).tolist() == list(range(520, 560))
    assert ends(stations) == pytest.approx([200, 400], abs=0.6)


def test_plating_inside_and_filled_outside() -> None:
    """Base metals touch from 200 to 400 but for a film of 4 px; expelled plating fills 60 stations beside."""
    apart = wedge(200, 400)
    apart[280:320] = 4.0
    gap = np.where(np.abs(S - 300) < 160, 0.0, np.clip(apart - 5.0, 0, None))
    stations = read_stations(opening_of(apart), opening_of(gap), LEVEL)
    assert ends(stations) == pytest.approx([200, 400], abs=0.6)
    assert (stations.states[284:316] == PLATING).all()
    assert (stations.states[210:275] == JOINED).all()
    assert (stations.states[325:395] == JOINED).all()
    for filled in (slice(146, 190), slice(410, 454)):
        assert (stations.states[filled] == FILLED).all()
    for far in (slice(0, 130), slice(470, N)):
        assert (stations.states[far] == OPEN).all()


def test_film_throughout_is_no_bond() -> None:
    """Held by plating alone: base metal touches base metal nowhere."""
    apart = np.maximum(wedge(200, 400), 5.0)
    stations = read_stations(opening_of(apart), opening_of(wedge(140, 460)), LEVEL)
    assert stations.segments == ()
    assert (stations.states[210:390] == FILLED).all()


@pytest.mark.parametrize("seed", range(6))
def test_gap_that_flares_up_where_the_part_ends_has_the_same_notch(seed: int) -> None:
    """Rough faces, a level gap of 5 px; over the last 20 stations it opens by 14 px more."""
    rough = 0.6 * np.random.default_rng(seed).normal(size=N // 12 + 1).repeat(12)[:N]
    width = wedge(200.0, 400.0, slope=0.06, standoff=5.0)
    width = np.where(width > 2, width + rough, width)
    flare = 0.7 * np.clip(S - (N - 20), 0, None)
    plain, flared = (read(one, floor=1.3, blur=1.5).segments[0].right for one in (width, width + flare))
    assert flared.station == pytest.approx(plain.station, abs=8)
