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
    bent: float = 0.0
    """Share of the mouth's rise, where the data end, that is curved: 0 straight or blunt, 1 along a tangent."""

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
        tried = np.clip(np.linspace(best - width, best + width, 21), start, distance[-1])
        best = _scan(distance, opening, sigma, floor, blur, tried)
        width /= 8
    at = np.array([best])
    _, (slope,), (curve,) = _fit_at(distance, opening, sigma, floor, blur, at)
    sigma = sigma * max(1.0, _misfit(_ramp(distance - best, blur), opening, sigma, slope, curve, floor))
    cost = float(_fit_at(distance, opening, sigma, floor, blur, at)[0][0])
    u = _spread_of_cost(distance, opening, sigma, floor, blur, best, cost, max(correlation, 1.0))
    rise = max(float(curve), 0.0) * (float(distance[-1]) - best)
    return Hinge(best, u, floor, float(slope), float(curve), rise / max(rise + float(slope), 1e-9))


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
    spans = 0.5 * 1.5 ** np.arange(14)
    both = np.concatenate([best - spans, best + spans])
    sides = _fit_at(distance, opening, sigma, floor, blur, both)[0].reshape(2, -1)
    rises = (sides.mean(axis=0) - cost) / correlation
    first = int(np.argmax(rises > 1)) if (rises > 1).any() else -1
    rise = float(rises[first])
    return float(spans[first] / np.sqrt(rise)) if rise > 0.05 else float(distance[-1] - distance[0])


def _scan(
    distance: Floats, opening: Floats, sigma: Floats, floor: float, blur: float, places: Floats
) -> float:
    cost = _fit_at(distance, opening, sigma, floor, blur, places)[0]
    return float(places[int(np.argmin(cost))])


def _fit_at(
    distance: Floats, opening: Floats, sigma: Floats, floor: float, blur: float, positions: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return (cost, slope, curve), each (p,), of the best rise that starts at each of ``positions`` (p,); neither term
    may fall."""
    d, squared = _ramp(distance - positions[:, None], blur)
    shut = np.clip(opening - floor, 0, None)
    precision = 1 / sigma**2
    weight = (d > 0) * precision
    residual = np.empty_like(d)
    slope = curve = np.zeros(len(positions))
    for _ in range(3):
        slope, curve = _rise(d, squared, weight, opening, slope, curve)
        rise = slope[:, None] * d + curve[:, None] * squared
        # below the floor the data can only say that the rise is not above it
        above = rise > floor
        residual = np.where(above, opening - rise, shut) / sigma
        weight = above * precision / (1 + np.abs(residual) / 2)
    size = np.abs(residual)
    cost = np.minimum(np.where(size < 2, size**2, 4 * size - 4), WORST).sum(axis=1)
    return cost, slope, curve


def _rise(
    d: Floats, squared: Floats, weight: Floats, opening: Floats, slope: Floats, curve: Floats
) -> tuple[Floats, Floats]:
    """Solve for slope and curve (p,) by weighted least squares; those given stay where no station has weight."""
    wd, ws = weight * d, weight * squared
    a11, a12, a22 = (wd * d).sum(axis=1), (wd * squared).sum(axis=1), (ws * squared).sum(axis=1)
    b1, b2 = wd @ opening, ws @ opening
    some = a11 > 0
    one, two = np.where(some, a11, 1.0), np.where(some, a22, 1.0)
    determinant = a11 * a22 - a12 * a12
    both = determinant > 1e-9 * a11 * a22
    safe = np.where(both, determinant, 1.0)
    straight = np.where(both, (b1 * a22 - b2 * a12) / safe, b1 / one)
    bend = np.where(both, (b2 * a11 - b1 * a12) / safe, 0.0)
    falls = straight < 0
    # a mouth that opens fast and levels off: curved, but rising to the end of the data
    ratio = 1 / (2.2 * np.maximum(d[:, -1], 1e-3))
    levels_off = ~falls & (bend < 0) & (bend < -straight * ratio)
    bent = d - ratio[:, None] * squared
    weighed = weight * bent
    mass = (weighed * bent).sum(axis=1)
    flat = (weighed @ opening) / np.where(mass > 0, mass, 1.0)
    straight = np.where(levels_off, flat, np.where(falls, 0.0, straight))
    bend = np.where(levels_off, -ratio * flat, np.where(falls, np.maximum(b2 / two, 0.0), bend))
    return np.where(some, straight, slope), np.where(some, bend, curve)
