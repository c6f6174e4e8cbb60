"""Hinges of known position.

Tolerances. Noise-free data place a straight hinge to a twentieth of a station (the fit's last step), and a
curved one to 1 station: there the rise is followed back below the floor along a tangent that is nearly
level. With noise σ a rise of slope s over N stations places its start to a few σ / s / √N, and what lies
below the floor (floor / s stations) is only followed back: there the spread over many draws is set against
the ``u`` that the fit returns.
"""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.locate.notch import Hinge, fit_hinge

Floats = NDArray[np.float64]
DRAWS = 20


def hinge(
    position: float,
    slope: float,
    curve: float = 0.0,
    *,
    floor: float = 0.0,
    inside: int = 100,
    outside: int = 80,
) -> tuple[Floats, Floats]:
    distance = np.arange(-inside, outside + 1.0)
    d = np.clip(distance - position, 0, None)
    return distance, np.maximum(floor, slope * d + curve * d * d)


def fitted(distance: Floats, opening: Floats, *, noise: float, floor: float, **options: float) -> Hinge:
    found = fit_hinge(distance, opening, noise=noise, floor=floor, **options)
    assert found is not None
    return found


@pytest.mark.parametrize("position", [-20.0, -0.5, 0.0, 0.37, 25.0])
@pytest.mark.parametrize("slope", [0.03, 0.1, 0.5, 2.0])
@pytest.mark.parametrize("floor", [0.0, 0.3])
def test_exact_straight_hinge(position: float, slope: float, floor: float) -> None:
    found = fitted(*hinge(position, slope, floor=floor), noise=0.05, floor=floor)
    assert found.position == pytest.approx(position, abs=0.05)
    assert found.slope == pytest.approx(slope, rel=0.02)


@pytest.mark.parametrize("position", [-12.0, 0.4, 9.0])
@pytest.mark.parametrize(
    ("slope", "curve"),
    [(0.02, 0.002), (0.05, 0.001), (0.0, 0.003), (0.2, -0.001), (0.12, -0.0006)],
    ids=["curved", "slightly curved", "tangent", "concave", "slightly concave"],
)
@pytest.mark.parametrize("floor", [0.0, 0.2])
def test_exact_curved_hinge(position: float, slope: float, curve: float, floor: float) -> None:
    found = fitted(*hinge(position, slope, curve, floor=floor, outside=60), noise=0.05, floor=floor)
    assert found.position == pytest.approx(position, abs=1.0)


@pytest.mark.parametrize("root", [1.2, 2.4, 5.0])
@pytest.mark.parametrize("position", [-6.0, 0.3])
def test_blunt_end_is_no_mouth_that_began_earlier(root: float, position: float) -> None:
    """A rounded end opens as the root of the distance; a parabola through it starts up to 4 stations inside."""
    distance = np.arange(-100, position + 30.0)
    opening = np.maximum(root * np.sqrt(np.clip(distance - position, 0, None)), 0.1)
    opening = noisy(np.random.default_rng(6), opening, 0.05, 0)
    found = fitted(distance, opening, noise=0.05, floor=0.2, earliest=position - 30)
    assert abs(found.position - position) < max(0.5, 2 * found.u)


def noisy(rng: np.random.Generator, opening: Floats, noise: float, along: float) -> Floats:
    """Add noise of one standard deviation, smoothed over ``along`` stations."""
    white = rng.normal(0, 1, opening.size + 200)
    smooth = (
        gaussian_filter1d(white, along)[100:-100] * np.sqrt(2 * along * np.sqrt(np.pi)) if along else white
    )
    return opening + noise * smooth[: opening.size]


@pytest.mark.parametrize(
    ("slope", "curve", "floor", "noise", "along"),
    [
        pytest.param(0.1, 0.0, 0.3, 0.1, 0.0, id="straight, white"),
        pytest.param(0.1, 0.0, 0.3, 0.1, 2.0, id="straight, correlated"),
        pytest.param(0.1, 0.0, 0.0, 0.1, 0.0, id="no floor, white"),
        pytest.param(0.1, 0.0, 0.0, 0.1, 2.0, id="no floor, correlated"),
        pytest.param(0.5, 0.0, 0.3, 0.1, 0.0, id="steep, white"),
        pytest.param(0.5, 0.0, 0.3, 0.1, 2.0, id="steep, correlated"),
        pytest.param(0.03, 0.0, 0.3, 0.05, 0.0, id="shallow, white"),
        pytest.param(0.03, 0.0, 0.3, 0.05, 2.0, id="shallow, correlated"),
        pytest.param(0.1, 0.0, 0.05, 0.02, 0.0, id="quiet, white"),
        pytest.param(0.1, 0.0, 0.05, 0.02, 2.0, id="quiet, correlated"),
        pytest.param(0.2, -0.001, 0.3, 0.1, 0.0, id="concave, white"),
        pytest.param(0.2, -0.001, 0.3, 0.1, 2.0, id="concave, correlated"),
        pytest.param(0.02, 0.002, 0.3, 0.1, 0.0, id="curved, white"),
        pytest.param(0.02, 0.002, 0.3, 0.1, 2.0, id="curved, correlated"),
        pytest.param(0.0, 0.003, 0.3, 0.1, 0.0, id="tangent, white"),
        pytest.param(0.0, 0.003, 0.3, 0.1, 2.0, id="tangent, correlated"),
    ],
)
def test_stated_uncertainty_is_that_of_many_draws(
    slope: float, curve: float, floor: float, noise: float, along: float
) -> None:
    """The rms error over many draws is within a factor of two of the stated u. Where neighbours are
    correlated it may be 3 times smaller: the correlation spreads each kink of the cost. 20 draws give the
    rms to 16 %.
    """
    errors, stated = [], []
    for seed in range(DRAWS):
        rng = np.random.default_rng(seed)
        position = rng.uniform(-5, 5)
        distance, opening = hinge(position, slope, curve, floor=floor)
        found = fitted(
            distance,
            noisy(rng, opening, noise, along),
            noise=noise,
            floor=floor + noise,
            # Gaussian smoothing over s stations: the autocorrelation exp(-k² / 4 s²) sums to 2 s √π
            correlation=max(1.0, 2 * along * np.sqrt(np.pi)),
        )
        errors.append(found.position - position)
        stated.append(found.u)
    rms, u = np.sqrt(np.mean(np.square(errors))), np.median(stated)
    assert u / (3.0 if along else 2.0) < rms < 2 * u


@pytest.mark.parametrize("slope", [0.06, 0.2])
@pytest.mark.parametrize("height", [0.8, 2.0, 5.0])
def test_grain_boundaries_inside_are_no_opening(slope: float, height: float) -> None:
    """Spikes four stations wide, 15 apart, up to where the gap starts: the notch stays within 2 u or 1.5."""
    distance, opening = hinge(0.0, slope)
    inside = distance < -6
    opening[inside & (distance % 15 < 4)] = height
    found = fitted(distance, noisy(np.random.default_rng(4), opening, 0.05, 0), noise=0.05, floor=0.1)
    assert abs(found.position) < max(1.5, 2 * found.u)


def test_pore_beside_the_notch_is_no_opening() -> None:
    distance, opening = hinge(0.0, 0.1)
    opening[(distance > -30) & (distance < -18)] = 3.0
    found = fitted(distance, noisy(np.random.default_rng(5), opening, 0.05, 0), noise=0.05, floor=0.1)
    assert abs(found.position) < max(1.5, 2 * found.u)


@pytest.mark.parametrize("earliest", [-30.0, -4.0])
def test_position_is_never_before_the_earliest(earliest: float) -> None:
    found = fitted(*hinge(-50.0, 0.1, inside=80), noise=0.05, floor=0.05, earliest=earliest)
    assert found.position >= earliest - 1e-9
    assert found.position == pytest.approx(earliest, abs=0.2)


@pytest.mark.parametrize("level", [0.0, 0.4])
def test_nothing_rises_nothing_found(level: float) -> None:
    distance = np.arange(-60, 61.0)
    opening = noisy(np.random.default_rng(1), np.full(distance.size, level), 0.1, 0).clip(None, level + 0.3)
    assert fit_hinge(distance, opening, noise=0.1, floor=level) is None


def test_too_few_stations_nothing_found() -> None:
    distance, opening = hinge(0.0, 1.0, inside=3, outside=3)
    assert fit_hinge(distance, opening, noise=0.05, floor=0.0) is None


def test_shift_and_mirror_change_nothing_else() -> None:
    distance, opening = hinge(0.0, 0.1, floor=0.2)
    opening = noisy(np.random.default_rng(2), opening, 0.05, 1.0)
    here = fitted(distance, opening, noise=0.05, floor=0.25, correlation=3.5)
    there = fitted(distance + 1000, opening, noise=0.05, floor=0.25, correlation=3.5)
    assert there.position - 1000 == pytest.approx(here.position, abs=1e-6)
    assert (there.u, there.slope) == pytest.approx((here.u, here.slope), rel=1e-6)
