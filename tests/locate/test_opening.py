"""The opening integrated across strips whose gap is known.

Tolerances. The integral itself is exact, so `opening_from_integral` is held to its table: 0.01 px just
above the floor, where the curve is steep, 0.002 px elsewhere. A strip adds two errors. The level of the gap
is read from the darker half of its core, which noise makes too dark by about its own size: up to 1.5 ×
noise / contrast of the opening. Levels and the share of the blur that the grain level cuts off leave 0.12
px and 1 %. A gap narrower than 5 blurs is nowhere as dark as the mount (its middle reaches erf(w / 2σ√2)),
which costs up to 7 % where no wider stretch shows the level. Two metals of different brightness meet in a
blurred step that hides up to half a px of a gap thinner than the blur.
"""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.ndimage import gaussian_filter
from scipy.special import erf

from xsect.locate.opening import Opening, _edge_blur, closed_floor, opening_from_integral, read_opening

Floats = NDArray[np.float64]
GRAINS = (0.01, 0.1, 0.3, 0.6)
BLURS = (0.6, 1.0, 1.7, 3.0)
WIDTHS = (0.2, 0.5, 1.0, 2.0, 5.0, 12.0, 30.0)


def darkness(n: Any, width: float, blur: float) -> Any:
    """A gap of unit darkness under Gaussian blur, from the definition of the error function."""
    half, scale = width / 2, blur * np.sqrt(2)
    return (erf((n + half) / scale) - erf((n - half) / scale)) / 2


def integral(width: float, blur: float, grain: float) -> float:
    """What of the darkness lies above the grain, by adaptive quadrature on the half where it does."""
    low, high = 0.0, width / 2 + 8 * blur
    if darkness(0, width, blur) <= grain:
        return 0.0
    for _ in range(60):  # where the darkness sinks to the grain
        middle = (low + high) / 2
        low, high = (middle, high) if darkness(middle, width, blur) > grain else (low, middle)
    area, _ = quad(lambda n: darkness(n, width, blur) - grain, 0, low, limit=200, epsabs=1e-9)
    return 2 * area / (1 - grain)


@pytest.mark.parametrize("blur", BLURS)
@pytest.mark.parametrize("grain", GRAINS)
def test_opening_from_integral(blur: float, grain: float) -> None:
    floor = closed_floor(grain, blur)
    for width in WIDTHS:
        found = float(opening_from_integral(np.array([integral(width, blur, grain)]), grain, blur)[0])
        if width > floor + 0.1 * blur:
            assert found == pytest.approx(width, abs=0.01 if width < floor + blur else 0.002)
        else:
            # all that is known of a gap below the floor is that it is below: one step of the table allowed
            assert found <= max(width, floor) + 0.06 * blur + 0.01


@pytest.mark.parametrize("gain", [1.1, 1.3, 2.0])
@pytest.mark.parametrize("blur", BLURS)
def test_opening_from_an_integral_that_a_gain_enlarged(blur: float, gain: float) -> None:
    """Plating painted as gap darkens a place by more than its share of it, up to full darkness."""
    n = np.linspace(-40, 40, 80001)
    for width in (0.5, 2.0, 5.0, 30.0):
        steep = np.minimum(gain * darkness(n, width, blur), 1)
        area = float(np.trapezoid(np.clip(steep - 0.05, 0, None), n)) / 0.95
        found = float(opening_from_integral(np.array([area]), 0.05, blur, gain)[0])
        assert found == pytest.approx(width, abs=0.01)


@pytest.mark.parametrize("gain", [1.0, 1.25, 1.6])
@pytest.mark.parametrize("blur", [0.8, 1.5, 2.5])
def test_blur_of_an_edge_that_a_gain_steepened(blur: float, gain: float) -> None:
    offsets = np.repeat(np.arange(-60, 61, dtype=np.float32)[:, None], 50, axis=1)
    steep = np.minimum(gain * darkness(offsets, 40.0, blur), 1).astype(np.float32)
    assert _edge_blur(steep, offsets, np.full(50, 40.0), 1.5, gain) == pytest.approx(blur, rel=0.05)


@pytest.mark.parametrize("blur", BLURS)
@pytest.mark.parametrize("grain", GRAINS)
def test_floor_is_where_the_middle_reaches_the_grain(blur: float, grain: float) -> None:
    assert darkness(0, closed_floor(grain, blur), blur) == pytest.approx(grain, abs=1e-12)


def test_opening_grows_with_the_integral() -> None:
    found = opening_from_integral(np.linspace(0, 60, 2000), 0.2, 1.5)
    assert (np.diff(found) >= 0).all()


ROWS = 145
WIDE = 30.0
"""Each strip's first 150 stations show this gap, in which levels and blur can be read, then it narrows."""


def mouth(width: float) -> Floats:
    return np.concatenate([np.full(150, WIDE), np.linspace(WIDE, width, 120), np.full(300, width)])


def draw(
    width: Floats,
    *,
    place: float = 0.0,
    blur: float = 1.0,
    metals: tuple[float, float] = (0.75, 0.75),
    gap: float = 0.1,
    noise: float = 0.005,
    glints: bool = False,
) -> NDArray[np.float32]:
    """A strip with a gap around row ``place``: exact coverage of each pixel, blurred, with white noise."""
    rng = np.random.default_rng(8)
    y = np.arange(-(ROWS // 2), ROWS // 2 + 1)[:, None].astype(float)
    gap_share = np.clip(np.minimum(place + width / 2, y + 0.5) - np.maximum(place - width / 2, y - 0.5), 0, 1)
    lower = np.clip(y + 0.5 - place, 0, 1)
    metal = metals[0] * (1 - lower) + metals[1] * lower
    dark = np.full(gap_share.shape, gap)
    if glints:
        blobs = gaussian_filter(rng.normal(0, 1, dark.shape), 2) > 0.15
        dark[blobs & (np.abs(y - place) < width / 2 - 5)] = 0.7
    tone = gaussian_filter(metal * (1 - gap_share) + dark * gap_share, blur, mode="nearest")
    return (tone + rng.normal(0, noise, tone.shape)).astype(np.float32)


def read(tone: NDArray[np.float32], width: Floats) -> Opening:
    """Read with the rough opening a mask gives: whole px, nothing of what is thinner than 3."""
    return read_opening(tone, np.where(width > 2.5, np.round(width), 0), np.ones(tone.shape, bool), dark=0.1)


@pytest.mark.parametrize("blur", [0.6, 1.0, 2.0])
@pytest.mark.parametrize("place", [0.0, 0.3, -0.5])
def test_opening_of_a_strip(blur: float, place: float) -> None:
    for width in (0.0, 0.3, 1.0, 3.0, 8.0, 20.0):
        opening = read(draw(mouth(width), place=place, blur=blur), mouth(width))
        assert np.median(opening.thickness[:120]) == pytest.approx(WIDE, abs=0.12 + 0.01 * WIDE)
        assert np.median(opening.thickness[-250:]) == pytest.approx(width, abs=0.12 + 0.01 * width)
        # 0.005 of noise against a contrast of 0.65, over the rows of a gap and smoothed over 5 stations
        assert opening.thickness[-250:].std() < 0.03
        # a pixel averages over itself (1/√12); sharp edges are undersampled, so it matters where they lie
        assert opening.blur == pytest.approx(np.hypot(blur, 0.29), abs=0.2 if blur < 1 else 0.12)
        assert opening.seen.all()


@pytest.mark.parametrize("width", [1.0, 5.0, 12.0, 20.0])
def test_wide_blur_costs_at_most_its_share(width: float) -> None:
    opening = read(draw(mouth(width), blur=3.0), mouth(width))
    assert np.median(opening.thickness[-250:]) == pytest.approx(width, abs=0.12 + 0.07 * width)
    assert np.median(opening.thickness[:120]) == pytest.approx(WIDE, abs=0.12 + 0.01 * WIDE)


def test_blur_leaves_the_opening_unchanged() -> None:
    """A threshold at half darkness sees nothing of 1 px under a blur of 2; the integral does not notice."""
    width = mouth(1.0)
    found = [
        float(np.median(read(draw(width, blur=blur, noise=0.001), width).thickness[-250:]))
        for blur in (0.5, 1, 2)
    ]
    assert np.ptp(found) < 0.06
    assert darkness(0, 1.0, 2.0) < 0.5


@pytest.mark.parametrize("noise", [0.001, 0.01, 0.02, 0.04])
@pytest.mark.parametrize("width", [0.5, 3.0, 12.0, 25.0])
def test_noise(noise: float, width: float) -> None:
    opening = read(draw(mouth(width), noise=noise), mouth(width))
    allowed = 0.15 + 0.01 * width + 1.5 * noise / 0.65 * width
    assert np.median(opening.thickness[-250:]) == pytest.approx(width, abs=allowed)
    assert opening.thickness[-250:].std() < 0.03 + 4 * noise


@pytest.mark.parametrize(("metal", "gap"), [(0.95, 0.05), (0.75, 0.4), (0.4, 0.05), (0.3, 0.1)])
@pytest.mark.parametrize("width", [0.5, 3.0, 20.0])
def test_levels_do_not_matter(metal: float, gap: float, width: float) -> None:
    opening = read(draw(mouth(width), metals=(metal, metal), gap=gap, noise=0.003), mouth(width))
    allowed = 0.12 + 0.01 * width + 1.5 * 0.003 / (metal - gap) * width
    assert np.median(opening.thickness[-250:]) == pytest.approx(width, abs=allowed)


def test_light_resin() -> None:
    opening = read(draw(mouth(20.0), metals=(0.5, 0.5), gap=0.35), mouth(20.0))
    assert np.median(opening.thickness[-250:]) == pytest.approx(
        20.0, abs=0.12 + 0.2 + 1.5 * 0.005 / 0.15 * 20
    )


def test_gap_without_noise() -> None:
    """As in a picture whose dark end was clipped by the camera or flattened by JPEG."""
    opening = read(draw(mouth(20.0), noise=0.0), mouth(20.0))
    assert np.median(opening.thickness[:120]) == pytest.approx(WIDE, abs=0.12 + 0.01 * WIDE)


@pytest.mark.parametrize("width", [0.5, 1.0, 3.0, 8.0, 20.0])
def test_two_metals(width: float) -> None:
    opening = read(draw(mouth(width), place=0.2, metals=(0.8, 0.5)), mouth(width))
    assert np.median(opening.thickness[-250:]) == pytest.approx(
        width, abs=0.5 if width < 4 else 0.15 + 0.01 * width
    )


@pytest.mark.parametrize("blur", [0.8, 1.5])
def test_glints_and_trapped_polish_are_gap(blur: float) -> None:
    width = mouth(20.0)
    tone = draw(width, blur=blur, glints=True)
    bright = (tone[70:75, :100] > 0.4).mean()
    assert bright > 0.05  # there are glints
    opening = read(tone, width)
    # glints nearer to an edge than 2 blurs and 1 px are not told from it
    assert np.median(opening.thickness[:120]) == pytest.approx(WIDE, abs=0.12 + 0.02 * WIDE)
    assert np.median(opening.thickness[-250:]) == pytest.approx(20.0, abs=0.12 + 0.4)


def test_blunt_end_of_a_tall_gap_does_not_open_the_bond_beside_it() -> None:
    """A gap that ends at full height: a few px inside the bond, past the smear along the line, nothing is open."""
    width = np.where(np.arange(570) < 300, 0.0, 40.0)
    opening = read(draw(width), width)
    assert opening.thickness[:294].max() < 1.0
    assert np.median(opening.thickness[330:]) == pytest.approx(40.0, abs=0.12 + 0.4)


def test_line_beside_the_gap_is_followed() -> None:
    """The line may lie a few px off the gap's middle: the opening is the same, its centre says where."""
    width = mouth(10.0)
    opening = read(draw(width, place=4.0), width)
    assert np.median(opening.thickness[-250:]) == pytest.approx(10.0, abs=0.12 + 0.1)
    assert np.median(opening.centre[-250:]) == pytest.approx(4.0, abs=0.6)


def test_hidden_stations_are_not_seen() -> None:
    width = mouth(2.0)
    seen = np.ones((ROWS, width.size), bool)
    seen[70:76, 300:330] = False
    seen[:20] = False  # far from the line: does not matter
    opening = read_opening(draw(width), np.where(width > 2.5, np.round(width), 0), seen, dark=0.1)
    assert np.flatnonzero(~opening.seen).tolist() == list(range(300, 330))
    assert np.median(opening.thickness[-200:]) == pytest.approx(2.0, abs=0.14)


def test_edges_are_no_softer_than_told() -> None:
    """Noise as strong as half of the contrast passes for soft edges, and a dark line for none."""
    width = mouth(0.0)
    tone, coarse = draw(width, noise=0.3), np.where(width > 2.5, np.round(width), 0)
    seen = np.ones(tone.shape, bool)
    free, told = (read_opening(tone, coarse, seen, dark=0.1, softest=most) for most in (8.0, 1.5))
    assert free.blur > 2.5
    assert told.blur == pytest.approx(1.5)
    assert told.floor < 0.7 * free.floor
