"""Width, bonded length, continuity and openings of drawn bonds, and the budgets behind them.

Tolerances. Widths: 1.2 px, two notches of 0.6. An opening inside a bond is blurred along the line by 1.8 px
(optics and smoothing) and is told from closed at a fifth of its height or less: each of its ends is read up
to 3.5 px too far out, so a bonded length is within 7 px a void.
"""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests.locate.drawing import Drawing, find, micrograph, result_of, sheet_row
from xsect.locate.section import locate
from xsect.locate.view import JOINED, PLATING
from xsect.measure.bond import hidden_ends
from xsect.pipeline import measure_micrograph
from xsect.quantities import COVERAGE_FACTOR, Measurement

PLAIN = Drawing()
NO_BOND = replace(PLAIN, bonds=(), standoff=12.0)


def part(measurement: Measurement, name: str) -> float:
    return next(one.u for one in measurement.budget if one.name == name)


@pytest.mark.parametrize(
    "voids",
    [
        pytest.param((), id="sound"),
        pytest.param(((-30.0, 10.0, 2.5),), id="one void"),
        pytest.param(((-80.0, -60.0, 3.5), (40.0, 70.0, 4.0)), id="two voids"),
        pytest.param(
            ((-80.0, -50.0, 2.0), (-20.0, -5.0, 3.0), (40.0, 70.0, 2.0)),
            id="three slim voids",
        ),
    ],
)
@pytest.mark.parametrize("tilt", [0.0, 7.0])
def test_voids(voids: tuple[tuple[float, float, float], ...], tilt: float) -> None:
    drawing = replace(PLAIN, voids=voids, tilt_deg=tilt, size=(400, 720) if tilt else PLAIN.size)
    result = result_of(drawing)
    lengths = [right - left for left, right, _ in voids]
    width, bonded = find(result, "bond_width"), find(result, "bonded_length")
    continuity, largest = find(result, "continuity"), find(result, "largest_opening")
    assert width.value == pytest.approx(200, abs=1.2)
    assert width.low <= 200 <= width.high
    assert bonded.value == pytest.approx(200 - sum(lengths), abs=1.2 + 7 * len(voids))
    assert bonded.low <= 200 - sum(lengths) <= bonded.high
    assert continuity.value == pytest.approx(bonded.value / width.value)
    assert largest.value == pytest.approx(max(lengths, default=0), abs=7 if voids else 0)
    assert largest.low <= max(lengths, default=0) <= largest.high


def test_segments_add_up_to_the_section() -> None:
    drawing = replace(PLAIN, bonds=((-220.0, -90.0), (60.0, 210.0)), slope=0.25, voids=((100.0, 130.0, 2.5),))
    result = result_of(drawing)
    for number, (left, right) in enumerate(drawing.bonds, 1):
        assert find(result, "bond_width", number).value == pytest.approx(right - left, abs=1.2)
    first, second = (find(result, "bond_width", n) for n in (1, 2))
    whole = find(result, "bond_width")
    assert whole.value == pytest.approx(first.value + second.value)
    assert find(result, "bonded_length").value == pytest.approx(
        sum(find(result, "bonded_length", n).value for n in (1, 2))
    )
    assert find(result, "continuity", 1).value > 0.97
    assert find(result, "continuity", 2).value == pytest.approx(120 / 150, abs=0.04)
    assert find(result, "largest_opening").value == find(result, "largest_opening", 2).value
    # what is independent between segments adds in quadrature; the scale and the mouths' shape, which they share, add up
    shared = ("scale", "shape of the mouth")
    for name in shared:
        assert part(whole, name) == pytest.approx(part(first, name) + part(second, name))
    for name in ("notch fit", "analysis choices"):
        assert part(whole, name) == pytest.approx(math.hypot(part(first, name), part(second, name)))
    assert whole.u == pytest.approx(math.hypot(*(part(whole, one.name) for one in whole.budget)))


@pytest.mark.parametrize("u_relative", [0.0, 0.05])
@pytest.mark.parametrize("um_per_px", [0.5, 3.0])
def test_budget(um_per_px: float, u_relative: float) -> None:
    """Parts add in quadrature; the scale's is its relative uncertainty of the value; the rest is in px."""
    result = measure_micrograph(PLAIN.micrograph(um_per_px=um_per_px, u_relative=u_relative), sheet_row())
    reference = find(result_of(PLAIN), "bond_width")
    width = find(result, "bond_width")
    assert width.value == pytest.approx(reference.value * um_per_px)
    assert part(width, "scale") == pytest.approx(u_relative * width.value)
    assert width.u == pytest.approx(math.hypot(*(one.u for one in width.budget)))
    others = [math.sqrt(one.u**2 - part(one, "scale") ** 2) for one in (reference, width)]
    assert others[1] == pytest.approx(others[0] * um_per_px)
    assert width.high - width.value == pytest.approx(COVERAGE_FACTOR * width.u)


def test_every_measurement_has_a_budget_that_adds_up() -> None:
    result = result_of(PLAIN, projection_height_um=60.0)
    made = [one for one in result.measurements if one and one.unit != "word"]
    assert {"bond_width", "standoff", "collapse", "bond_offset", "upper_thickness"} <= {
        one.quantity for one in made
    }
    for one in made:
        assert one.budget
        assert all(np.isfinite(piece.u) and piece.u >= 0 for piece in one.budget)
        assert one.u == pytest.approx(math.hypot(*(piece.u for piece in one.budget)))
        assert one.low <= one.value <= one.high


def test_no_bond_is_a_width_of_nothing_with_its_uncertainty() -> None:
    result = result_of(NO_BOND)
    for name in ("bond_width", "bonded_length"):
        found = find(result, name)
        assert found.status == "measured"
        assert (found.value, found.low) == (0, 0)
        # the shortest contact that would have been seen is 12 px
        assert 2 < found.u < 12
    assert not find(result, "continuity")
    assert not find(result, "largest_opening")
    assert find(result, "bond_kind").word == "none"


@pytest.mark.parametrize(
    ("columns", "word"), [({}, "solid_state"), ({"weld_type": "fusion"}, "")], ids=["solid state", "fusion"]
)
def test_kind(columns: dict[str, str], word: str) -> None:
    """A bond kind is told only where no nugget has to be looked for."""
    kind = find(result_of(PLAIN, **columns), "bond_kind")
    assert kind.word == word
    assert bool(kind) == bool(word)


def test_quantities_of_segments_are_those_of_the_section_where_there_is_one() -> None:
    result = result_of(PLAIN)
    for name in ("bond_width", "bonded_length", "continuity", "largest_opening"):
        assert find(result, name, 1).value == find(result, name).value


def test_noise_moves_a_width_no_more_than_its_uncertainty() -> None:
    """Six draws: their spread is below the stated u, which also covers what is common to all of them."""
    drawing = replace(PLAIN, noise=0.02, size=(300, 560), upper=90.0, lower=90.0)
    found = [find(result_of(drawing, seed=seed), "bond_width") for seed in range(6)]
    values = np.array([one.value for one in found])
    assert values.std(ddof=1) < np.median([one.u for one in found])
    assert all(one.low <= 200 <= one.high for one in found)


@pytest.mark.parametrize("tone", [0.36, 0.45, 0.6])
def test_dark_zone_within_the_bond_is_no_gap(tone: float) -> None:
    """A nugget may be etched half as dark as the mount (metal 0.75, mount 0.15): the bond goes on through it."""
    picture = PLAIN.ideal()[..., 0]
    (left, right) = (np.array(one) for one in PLAIN.notches()[0])
    middle = tuple(np.rint((left + right) / 2).astype(int).tolist())
    zone = cv2.ellipse(np.zeros(picture.shape, np.uint8), middle, (42, 24), 0, 0, 360, 1, -1)
    soft = gaussian_filter(np.where(zone > 0, tone, picture), 1.0)
    soft += np.random.default_rng(4).normal(0, 0.006, soft.shape)
    pixels = np.clip(np.rint(soft * 255), 0, 255).astype(np.uint8)
    width = find(measure_micrograph(micrograph(pixels), sheet_row()), "bond_width")
    assert width.value == pytest.approx(200.0, abs=2.0)


@pytest.mark.parametrize("thickest", [1.6, 3.0, 8.0])
def test_what_a_film_hides_at_its_thin_ends(thickest: float) -> None:
    """A lens t (1 - x²) of 100 stations shows only where it is thicker than 0.8 px: what is told to be hidden is what
    was cut off, to a station."""
    located = locate(Drawing(bonds=((-100.0, 100.0),)).micrograph(), plated=False)
    n = located.stations.states.size
    lens = np.clip(thickest * (1 - ((np.arange(n) - n / 2) / 50) ** 2), 0, None)
    states = np.where(lens > 0.8, PLATING, JOINED).astype(np.int8)
    stations = replace(located.stations, states=states, apart=lens)
    seen = int((states == PLATING).sum())
    assert hidden_ends(stations, slice(0, n)) == pytest.approx(100 - seen, abs=2.0)
