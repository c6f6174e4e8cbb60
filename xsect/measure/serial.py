"""Serial sections of one weld: the circle whose chords they are, its centre unknown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from xsect.measure.diameter import OUT_OF_ROUND
from xsect.measure.spread import rms_deviation

FEWEST: Final = 3
"""Sections at different places that a fit needs: two fix circle and centre, the third tells whether it is one."""

MISFIT: Final = 0.01
"""Probability of so large a misfit by chance below which the chords are those of no circle."""

LOOSEST: Final = 0.05
"""Standard uncertainty of the diameter, as a share of it, above which the cuts lie too close to tell it."""

_Array = NDArray[np.float64]


@dataclass(frozen=True)
class CircleFit:
    """A circle fitted to serial chords; lengths in µm.

    ``centre``: where its centre lies on the axis of the positions; ``residuals``: how far each chord's ends
    lie outside (+) or inside (−) the circle. ``u_fit``: standard uncertainty of the diameter from chords and
    places, widened where the misfit is larger than they explain; ``u_round``: from a weld out of round.
    """

    diameter: float
    centre: float
    u_fit: float
    u_round: float
    u_centre: float
    residuals: tuple[float, ...]
    chi2: float


def fit_circle(
    positions: Sequence[float],
    chords: Sequence[float],
    u_chords: Sequence[float],
    u_positions: Sequence[float],
) -> CircleFit:
    """Fit a circle to chords (µm, > 0) at parallel cuts whose places (µm) are known from a common face.

    Least squares of the distances of the chords' ends from the circle, each weighted by its own uncertainty:
    u(r)² = (x/r · u_position)² + (c/2r · u_chord/2)². All uncertainties are standard and independent.

    ValueError, one line, where there are fewer than three different places, where no circle fits within the
    uncertainties (misfit by chance below 1 %), and where the places lie too close to tell the diameter within 10 %.
    """
    x, c, u_c, u_x = (
        np.asarray(part, dtype=np.float64) for part in (positions, chords, u_chords, u_positions)
    )
    if (places := len(np.unique(x))) < FEWEST:
        raise ValueError(
            f"{places} different place{'s' if places != 1 else ''} of the cut, at least {FEWEST} needed"
        )
    if not (np.all(c > 0) and np.all(u_c > 0) and np.all(u_x >= 0)):
        raise ValueError("chords and their uncertainties must be > 0")
    centre, radius, covariance = _fit(x, c, u_c, u_x)
    residuals, sigma, _ = _misfit(x, c, u_c, u_x, centre, radius)
    chi2, dof = float(np.sum((residuals / sigma) ** 2)), len(x) - 2
    if _chance(chi2, dof) < MISFIT:
        worst = residuals[np.argmax(np.abs(residuals / sigma))]
        raise ValueError(
            f"no circle fits the widths: they miss the best one by up to {abs(worst):.0f} µm, more than their "
            "uncertainties and those of the cuts' places explain"
        )
    widen = math.sqrt(max(1.0, chi2 / dof))
    u_centre = widen * math.sqrt(float(covariance[0, 0]))
    u_radius = widen / math.sqrt(float(np.sum(sigma**-2)))  # were the centre known

    def radius_about(middle: float) -> float:
        return math.sqrt(float(np.average(c**2 / 4 + (x - middle) ** 2, weights=sigma**-2)))

    # not by its slope: about the middle of the cuts the slope vanishes, and any centre would seem harmless
    u_radius = math.hypot(u_radius, rms_deviation(radius_about, centre, u_centre))
    if u_radius > LOOSEST * radius:
        raise ValueError("the cuts lie too close together to tell the diameter within 10 %")
    # a weld longer across the cuts by a share: the same fit to the chords that it would show
    squeezed = (x - centre) / (1 + OUT_OF_ROUND)
    oval = 2 * np.sqrt(np.maximum(radius**2 - squeezed**2, 1e-6 * radius**2))
    u_round = 2 * abs(_fit(x, oval, u_c, u_x)[1] - radius)
    return CircleFit(2 * radius, centre, 2 * u_radius, u_round, u_centre, tuple(residuals.tolist()), chi2)


def _fit(x: _Array, c: _Array, u_c: _Array, u_x: _Array) -> tuple[float, float, _Array]:
    """Return (centre, radius, covariance of both) by Gauss-Newton steps from an algebraic start."""
    middle = float(x.mean())
    # (c/2)² + x² = (R² − m²) + 2m·x: a straight line in x
    slope, level = np.polyfit(x - middle, c**2 / 4 + (x - middle) ** 2, 1)
    centre, square = slope / 2, level + (slope / 2) ** 2
    radius = math.sqrt(max(float(square), float(np.max(c)) ** 2 / 4))
    for _ in range(50):
        residuals, sigma, slopes = _misfit(x - middle, c, u_c, u_x, centre, radius)
        weighted = slopes / sigma[:, None]
        step = np.linalg.lstsq(weighted, -residuals / sigma, rcond=None)[0]
        centre, radius = centre + step[0], radius + step[1]
        if np.hypot(*step) < 1e-9 * radius:
            break
    _, sigma, slopes = _misfit(x - middle, c, u_c, u_x, centre, radius)
    weighted = slopes / sigma[:, None]
    covariance = np.linalg.inv(weighted.T @ weighted).astype(np.float64)
    return float(centre) + middle, float(radius), covariance


def _misfit(
    x: _Array, c: _Array, u_c: _Array, u_x: _Array, centre: float, radius: float
) -> tuple[_Array, _Array, _Array]:
    """Return (distance of the chords' ends from the circle, their standard uncertainties, slopes by centre, radius)."""
    across, half = x - centre, c / 2
    far = np.hypot(across, half)
    sigma = np.hypot(across / far * u_x, half / far * u_c / 2)
    return far - radius, sigma, np.column_stack([-across / far, -np.ones_like(far)])


def _chance(chi2: float, dof: int) -> float:
    """Return the probability of a larger sum of squares by chance."""
    from scipy.special import gammaincc

    return float(gammaincc(dof / 2, chi2 / 2))
