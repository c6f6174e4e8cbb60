"""Guard bands and conformance probabilities against the worked values of JCGM 106 and ISO 14253-1."""

import math

import numpy as np
import pytest

from xsect.judge.decision import decide
from xsect.judge.guard import GUARD_FACTORS, conformance_probability, guard_band, guarded_interval
from xsect.quantities import COVERAGE_FACTOR

# JCGM 106:2012, clause 7: the printed results are from memory and given to two digits; the four digits are
# the normal distribution's, so the tolerance is half a unit of the last of them.
CLAUSE_7 = [
    ("7.3.3 example 1, breakdown voltage, upper limit -5.40 V", -5.47, 0.05, {"at_most": -5.40}, 0.9192),
    ("7.3.3 example 2, burst pressure, lower limit 490 kPa", 509.7, 8.6, {"at_least": 490.0}, 0.9890),
    ("7.4, oil viscosity, 12.5 to 16.3 mm2/s", 13.6, 1.8, {"at_least": 12.5, "at_most": 16.3}, 0.6626),
]


@pytest.mark.parametrize(("value", "u", "limits", "expected"), [case[1:] for case in CLAUSE_7])
def test_conformance_probability_of_jcgm_106(
    value: float, u: float, limits: dict[str, float], expected: float
) -> None:
    assert conformance_probability(value, u, **limits) == pytest.approx(expected, abs=5e-5)


# Quantiles of the normal distribution (computed; JCGM 106:2012, table 1 prints them to three digits).
@pytest.mark.parametrize(
    ("z", "probability"),
    [(0.842, 0.80), (1.282, 0.90), (1.645, 0.95), (1.960, 0.975), (2.326, 0.99), (3.090, 0.999)],
)
def test_conformance_probability_of_one_limit(z: float, probability: float) -> None:
    # Half a unit of z's third decimal, times the density there (at most 0.28).
    assert conformance_probability(10 - z * 2, 2, at_most=10) == pytest.approx(probability, abs=1.5e-4)
    assert conformance_probability(10 + z * 2, 2, at_least=10) == pytest.approx(probability, abs=1.5e-4)


def test_guard_bands() -> None:
    # ISO 14253-1:2017 (from memory): 95 % conformance probability, one-sided guard factor 1.65.
    assert guard_band(1.0, "one_sided_95") == pytest.approx(1.65, abs=0.0052)
    assert conformance_probability(100 - guard_band(2.0, "one_sided_95"), 2.0, at_most=100) == pytest.approx(
        0.95, abs=1e-12
    )
    # The two-sided 95 % interval leaves 2.5 % on one side.
    assert conformance_probability(100 - guard_band(2.0), 2.0, at_most=100) == pytest.approx(0.975, abs=1e-12)
    # Earlier editions guard by U with k = 2: at most 2.28 % risk (from memory; computed 0.02275).
    assert 1 - conformance_probability(100 - 2 * 2.0, 2.0, at_most=100) == pytest.approx(0.02275, abs=5e-6)


@pytest.mark.parametrize(
    ("accepted", "consumer", "producer"),
    [((1499.82, 1500.18), 0.0099, 0.069), ((1499.80, 1500.20), 0.0189, 0.0372)],
)
def test_risks_of_the_resistors_of_jcgm_106(
    accepted: tuple[float, float], consumer: float, producer: float
) -> None:
    """JCGM 106:2012, 9.5.5: process 1500 ohm, deviations 0.12 (process), 0.04 (meter), tolerance ± 0.20.

    Published about 0.01 and 0.07 (from memory), with the guard band 0.02 ohm; recomputed to the digits given.
    """
    process, meter = 0.12, 0.04
    spread = math.hypot(process, meter)
    readings = np.linspace(1500 - 8 * spread, 1500 + 8 * spread, 4001)
    density = np.exp(-0.5 * ((readings - 1500) / spread) ** 2) / (spread * math.sqrt(2 * math.pi))
    # Given a reading, the true value is normal about a mean drawn towards the process (JCGM 106:2012, 6.2).
    weight = (process / spread) ** 2
    conforms = np.array(
        [
            conformance_probability(
                1500 + weight * (reading - 1500), meter * math.sqrt(weight), at_least=1499.80, at_most=1500.20
            )
            for reading in readings
        ]
    )
    low, high = accepted
    accept = np.array(
        [decide(reading, reading, at_least=low, at_most=high) == "accept" for reading in readings.tolist()]
    )
    step = readings[1] - readings[0]
    assert float(((1 - conforms) * density)[accept].sum() * step) == pytest.approx(consumer, abs=5e-4)
    assert float((conforms * density)[~accept].sum() * step) == pytest.approx(producer, abs=5e-4)
    # 9.5.5 as well: 90.44 % of the process conforms (recomputed); the sum misses tails below 1e-12.
    assert float((conforms * density).sum() * step) == pytest.approx(0.9044, abs=5e-5)


def test_conformance_probability_at_the_edges() -> None:
    assert conformance_probability(10, 0, at_most=10) == 1
    assert conformance_probability(10.1, 0, at_most=10) == 0
    assert math.isnan(conformance_probability(math.nan, 1, at_most=10))
    assert math.isnan(conformance_probability(1, math.nan, at_most=10))
    # Ten u outside: 7.6e-24, which 1 - 0.999… would lose.
    assert conformance_probability(20, 1, at_most=10) == pytest.approx(7.62e-24, rel=1e-2)


def test_the_interval_is_the_measurement_s_own() -> None:
    assert guarded_interval(10, 1, 8.1, 12.4) == (8.1, 12.4)


def test_the_one_sided_guard_is_narrower_and_keeps_the_shape() -> None:
    u, share = 1.0, GUARD_FACTORS["one_sided_95"] / COVERAGE_FACTOR
    symmetric = guarded_interval(10, u, 10 - COVERAGE_FACTOR, 10 + COVERAGE_FACTOR, "one_sided_95")
    assert symmetric == pytest.approx((10 - 1.6449, 10 + 1.6449), abs=1e-4)
    low, high = guarded_interval(10, u, 7.0, 13.5, "one_sided_95")
    assert (10 - low, high - 10) == pytest.approx((3 * share, 3.5 * share))


def test_an_interval_cut_at_zero_gains_nothing_from_the_one_sided_guard() -> None:
    # Value 6, u 4: the interval is cut at 0, where shrinking it would promise more than 1.645 u allows.
    assert guarded_interval(6, 4, 0, 13.8, "one_sided_95")[0] == 0
