"""Notch: where a hinge, closed and then opening, fitted to the opening along the faying line starts to rise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

Floats = NDArray[np.float64]

SHAPE_SHARE = 0.1
"""Share of the opening by which a straight-plus-curved rise may miss a real gap's shape."""

WORST = 9.0
"""Cost of one station at most: a pore beside the notch must not outweigh the mouth's own shape."""

PLACES = 61
"""Places tried along the data in the first scan."""


@dataclass(frozen=True)
class Hinge:
    """``max(floor, slope * d + curve * d**2)`` with d = distance - position, fitted.

    ``position`` and its standard uncertainty ``u`` (from the fit alone) are in stations.
    """

    position: float
    u: float
    floor: float
    slope: float
    curve: float

    @property
    def first_px(self) -> float:
        """Stations over which the mouth opens by its first px."""
        slope = max(self.slope, 1e-4)
        root = slope**2 + 4 * self.curve
        if abs(self.curve) < 1e-9 or root < 0:
            return 1 / slope
        return float((np.sqrt(root) - slope) / (2 * self.curve))


def fit_hinge(
    distance: Floats,
    opening: Floats,
    *,
    noise: float,
    floor: float,
    correlation: float = 1.0,
    earliest: float = -np.inf,
    blur: float = 0.0,
) -> Hinge | None:
    """Fit a hinge to openings (px) at ``distance`` (n,) stations, rising from inside the bond outwards.

    ``noise``: standard deviation of one opening; ``correlation``: how many neighbouring stations share it.
    ``floor`` is the level read inside the bond: a faying line that shows as a dark line has an opening although it
    is closed, so only what rises above the floor counts and the rise is followed back below it. The cost grows
    linearly for far-off stations, because a grain boundary or a pore is no opening. ``earliest``: distance before
    which the position cannot lie. ``blur``: standard deviation in stations over which the openings are smeared along
    the line: the rise is fitted as smeared as the data are, or a steep mouth would seem to start too early.

    Returns None when the data never rise.
    """
    if distance.size < 8 or not np.any(opening > floor + 3 * noise):
        return None
    sigma = np.hypot(noise, SHAPE_SHARE * np.clip(opening, 0, None))
    start = max(float(distance[0]), min(earliest, float(distance[-1]) - 2))
    places = np.linspace(start, distance[-1], int(min(distance[-1] - start + 1, PLACES)))
    width = places[1] - places[0]
    best = _scan(distance, opening, sigma, floor, blur, places)
    while width > 0.05:
        tried = np.clip(np.linspace(best - width, best + width, 9), start, distance[-1])
        best = _scan(distance, opening, sigma, floor, blur, tried)
        width /= 3
    cost, slope, curve = _fit_at(distance, opening, sigma, floor, blur, best)
    sigma = sigma * max(1.0, _misfit(_ramp(distance - best, blur), opening, sigma, slope, curve, floor))
    cost = _fit_at(distance, opening, sigma, floor, blur, best)[0]
    u = _spread_of_cost(distance, opening, sigma, floor, blur, best, cost, max(correlation, 1.0))
    return Hinge(best, u, floor, slope, curve)


def _ramp(distance: Floats, blur: float) -> tuple[Floats, Floats]:
    """Return max(distance, 0) and its square, each under a Gaussian of standard deviation ``blur``."""
    if blur <= 0:
        d = np.clip(distance, 0, None)
        return d, d * d
    z = distance / blur
    beyond = 0.5 * (1 + erf(z / np.sqrt(2)))
    bell = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    return distance * beyond + blur * bell, (distance**2 + blur**2) * beyond + distance * blur * bell


def _misfit(
    ramp: tuple[Floats, Floats], opening: Floats, sigma: Floats, slope: float, curve: float, floor: float
) -> float:
    """Return by how much the rise misses the data, in units of their sigma: rough surfaces are no noise."""
    rise = slope * ramp[0] + curve * ramp[1]
    used = rise > floor
    if used.sum() < 6:
        return 1.0
    return float(1.4826 * np.median(np.abs((opening - rise)[used] / sigma[used])))


def _spread_of_cost(
    distance: Floats,
    opening: Floats,
    sigma: Floats,
    floor: float,
    blur: float,
    best: float,
    cost: float,
    correlation: float,
) -> float:
    """Return the half-width over which the cost rises by one (after sharing it among correlated stations).

    Read over a span in which it really does, which bridges the cost's small kinks.
    """
    span, rise = 0.5, 0.0
    for _ in range(14):
        sides = [_fit_at(distance, opening, sigma, floor, blur, best + sign * span)[0] for sign in (-1, 1)]
        rise = (sum(sides) / 2 - cost) / correlation
        if rise > 1:
            break
        span *= 1.5
    return float(span / np.sqrt(rise)) if rise > 0.05 else float(distance[-1] - distance[0])


def _scan(
    distance: Floats, opening: Floats, sigma: Floats, floor: float, blur: float, places: Floats
) -> float:
    costs = [_fit_at(distance, opening, sigma, floor, blur, place)[0] for place in places]
    return float(places[int(np.argmin(costs))])


def _fit_at(
    distance: Floats, opening: Floats, sigma: Floats, floor: float, blur: float, position: float
) -> tuple[float, float, float]:
    """Return (cost, slope, curve) of the best rise that starts at ``position``; neither term may fall."""
    d, squared = _ramp(distance - position, blur)
    weight = (d > 0) / sigma**2
    slope = curve = 0.0
    residual = np.clip(opening - floor, 0, None) / sigma
    for _ in range(3):
        wd, ws = weight * d, weight * squared
        a11, a12, a22 = float(wd @ d), float(wd @ squared), float(ws @ squared)
        b1, b2 = float(wd @ opening), float(ws @ opening)
        if a11 <= 0:
            break
        determinant = a11 * a22 - a12 * a12
        if determinant > 1e-9 * a11 * a22:
            slope, curve = (b1 * a22 - b2 * a12) / determinant, (b2 * a11 - b1 * a12) / determinant
        else:
            slope, curve = b1 / a11, 0.0
        if slope < 0:
            slope, curve = 0.0, max(b2 / a22, 0.0)
        elif curve < 0:
            # a mouth that opens fast and levels off: curved, but rising to the end of the data
            steepest = -slope / (2.2 * float(d[-1]))
            if curve < steepest:
                ratio = 1 / (2.2 * float(d[-1]))
                bent = d - ratio * squared
                slope = float((weight * bent) @ opening) / float((weight * bent) @ bent)
                curve = -ratio * slope
        rise = slope * d + curve * squared
        # below the floor the data can only say that the rise is not above it
        above = rise > floor
        residual = np.where(above, opening - rise, np.clip(opening - floor, 0, None)) / sigma
        weight = above / (sigma**2 * (1 + np.abs(residual) / 2))
    size = np.abs(residual)
    cost = np.minimum(np.where(size < 2, size**2, 4 * size - 4), WORST)
    return float(np.sum(cost)), slope, curve
