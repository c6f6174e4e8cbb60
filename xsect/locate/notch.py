"""Notch: where a hinge, closed and then opening, fitted to the opening along the faying line starts to rise."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

Floats = NDArray[np.float64]
Terms = tuple[Floats, Floats, Floats]
"""What belongs to the straight, the curved and the blunt part of a rise."""

REACH = 8.0
"""Blurs from a rise's start beyond which the blur hardly changes its root."""

SHAPE_SHARE = 0.1
"""Share of the opening by which a straight-plus-curved rise may miss a real gap's shape."""

WORST = 9.0
"""Cost of one station at most: a pore beside the notch must not outweigh the mouth's own shape."""

BEST_FIT = 0.5
"""Share of its scatter, shape included, by which a rise misses the data at least: a good fit may be luck."""

PLACES = 61
"""Places tried along the data in the first scan."""


@dataclass(frozen=True)
class Hinge:
    """``max(floor, slope * d + curve * d**2 + root * d**0.5)`` with d = distance - position, fitted.

    ``position`` and its standard uncertainty ``u`` (from the fit alone) are in stations.
    """

    position: float
    u: float
    floor: float
    slope: float
    curve: float
    root: float = 0.0
    bent: float = 0.0
    """Share of the mouth's rise, where the data end, that is curved: 0 straight or blunt, 1 along a tangent."""

    @property
    def first_px(self) -> float:
        """Stations over which the mouth opens by its first px."""
        slope = max(self.slope, 1e-4)
        if self.root > 0:
            return float((2 / (self.root + np.sqrt(self.root**2 + 4 * slope))) ** 2)
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
    mouth = _Mouth(distance, opening, sigma, floor, blur)
    correlation = max(correlation, 1.0)
    best, blunt, unsure = mouth.start(start, blunt=False), False, 0.0
    if mouth.fit(np.array([best]), False).levels_off:
        # where the rise levels off the end may be round: the better of the two tells, as surely as it is better
        other = mouth.start(start, blunt=True)
        better = (mouth.cost(best, False) - mouth.cost(other, True)) / correlation
        unsure = abs(other - best) * math.exp(-abs(better) / 2)
        blunt = better > 0
        best = other if blunt else best
    rise = mouth.fit(np.array([best]), blunt).rise[0]
    mouth = replace(mouth, sigma=sigma * max(BEST_FIT, _misfit(rise, opening, sigma, floor)))
    u = math.hypot(mouth.spread(best, start, blunt, correlation), unsure / 2)
    slope, curve, root = (float(one[0]) for one in mouth.fit(np.array([best]), blunt).terms)
    bent = max(curve, 0.0) * (float(distance[-1]) - best)
    return Hinge(best, u, floor, slope, curve, root, bent / max(bent + slope, 1e-9))


def _ramp(distance: Floats, blur: float, blunt: bool) -> Terms:
    """Return d = max(distance, 0), its square and, where ``blunt``, its root, each under a Gaussian of standard
    deviation ``blur``."""
    none = np.zeros_like(distance)
    if blur <= 0:
        d = np.clip(distance, 0, None)
        return d, d * d, np.sqrt(d) if blunt else none
    z = distance / blur
    beyond = 0.5 * (1 + erf(z / np.sqrt(2)))
    bell = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    straight = distance * beyond + blur * bell
    squared = (distance**2 + blur**2) * beyond + distance * blur * bell
    if not blunt:
        return straight, squared, none
    far = np.maximum(z, REACH)
    root = np.where(z < REACH, np.interp(z, *_smeared_root()), np.sqrt(far) * (1 - 1 / (8 * far * far)))
    return straight, squared, np.sqrt(blur) * root


@cache
def _smeared_root() -> tuple[Floats, Floats]:
    """Return places z and the mean of √max(z + t, 0) over t drawn from the unit normal distribution."""
    places = np.linspace(-REACH, REACH, 401)
    start = np.linspace(0, np.sqrt(2 * REACH + 6), 2001)  # √(z + t), in which the integrand is smooth
    bell = np.exp(-0.5 * (start[None, :] ** 2 - places[:, None]) ** 2) / np.sqrt(2 * np.pi)
    return places, np.trapezoid(2 * start**2 * bell, start, axis=1)


def _misfit(rise: Floats, opening: Floats, sigma: Floats, floor: float) -> float:
    """Return by how much the rise misses the data, in units of their sigma: rough surfaces are no noise."""
    used = rise > floor
    if used.sum() < 6:
        return 1.0
    return float(1.4826 * np.median(np.abs((opening - rise)[used] / sigma[used])))


@dataclass(frozen=True)
class _Fit:
    """Best rises (p, n) from p places, their ``cost`` (p,) and ``terms`` (slope, curve, root), each (p,); whether the
    first ``levels_off`` as far as a parabola may."""

    rise: Floats
    cost: Floats
    terms: Terms
    levels_off: bool


@dataclass(frozen=True)
class _Mouth:
    """Openings (n,) at distances (n,), with their standard deviations, and what rises fitted to them must know."""

    distance: Floats
    opening: Floats
    sigma: Floats
    floor: float
    blur: float

    def start(self, earliest: float, *, blunt: bool) -> float:
        """Return where the best rise starts."""
        last = float(self.distance[-1])
        places = np.linspace(earliest, last, int(min(last - earliest + 1, PLACES)))
        width = places[1] - places[0]
        best = float(places[int(np.argmin(self.fit(places, blunt).cost))])
        while width > 0.05:
            places = np.clip(np.linspace(best - width, best + width, 11), earliest, last)
            best = float(places[int(np.argmin(self.fit(places, blunt).cost))])
            width /= 4
        return best

    def cost(self, place: float, blunt: bool) -> float:
        """Return the cost of the best rise from one place."""
        return float(self.fit(np.array([place]), blunt).cost[0])

    def spread(self, best: float, earliest: float, blunt: bool, correlation: float) -> float:
        """Return how far about the best place the others lie (root mean square), each as likely as its cost tells.

        The cost, shared among correlated stations, is read everywhere and not only beside the best place: a mouth that
        opens slowly may begin far off, and a grain that meets it makes a second place.
        """
        last = float(self.distance[-1])
        near = 0.25 * 1.6 ** np.arange(12)
        everywhere = np.linspace(earliest, last, PLACES // 2)
        places = np.unique(
            np.clip(np.concatenate([everywhere, [best], best - near, best + near]), earliest, last)
        )
        cost = self.fit(places, blunt).cost
        likely = np.exp(-(cost - cost.min()) / 2 / correlation) * np.gradient(places)
        return math.sqrt(float(likely @ (places - best) ** 2 / likely.sum()))

    def fit(self, places: Floats, blunt: bool) -> _Fit:
        """Fit the best rise that starts at each of the places (p,): straight and curved, or straight and ``blunt``."""
        ramp = _ramp(self.distance - places[:, None], self.blur, blunt)
        straight, other = ramp[0], ramp[2 if blunt else 1]
        shut = np.clip(self.opening - self.floor, 0, None)
        precision = 1 / self.sigma**2
        weight = (ramp[0] > 0) * precision
        rise = residual = np.zeros_like(weight)
        terms: Terms = (np.zeros(len(places)),) * 3
        levels_off = np.zeros(len(places), bool)
        for _ in range(3):
            found, levels_off = (_blunt if blunt else _curved)(ramp, weight, self.opening)
            seen = weight.any(axis=1)
            slope, curve, root = (np.where(seen, new, old) for new, old in zip(found, terms, strict=True))
            terms = slope, curve, root
            rise = slope[:, None] * straight + (root if blunt else curve)[:, None] * other
            # below the floor the data can only say that the rise is not above it
            above = rise > self.floor
            residual = np.where(above, self.opening - rise, shut) / self.sigma
            weight = above * precision / (1 + np.abs(residual) / 2)
        size = np.abs(residual)
        cost = np.minimum(np.where(size < 2, size**2, 4 * size - 4), WORST).sum(axis=1)
        return _Fit(rise, cost, terms, bool(levels_off[0]))


def _curved(ramp: Terms, weight: Floats, opening: Floats) -> tuple[Terms, NDArray[np.bool_]]:
    """Return slope, curve and no root (p,) by weighted least squares; the rise must not fall within the data."""
    d, squared, _ = ramp
    straight, bend, (_, bend_alone) = _two_terms(d, squared, weight, opening)
    falls = straight < 0
    ratio = 1 / (2.2 * np.maximum(d[:, -1], 1e-3))
    levels_off = ~falls & (bend < -straight * ratio)
    bent = d - ratio[:, None] * squared
    weighed = weight * bent
    mass = np.einsum("pn,pn->p", weighed, bent)
    flat = (weighed @ opening) / np.where(mass > 0, mass, 1.0)
    slope = np.where(levels_off, flat, np.where(falls, 0.0, straight))
    curve = np.where(levels_off, -ratio * flat, np.where(falls, np.maximum(bend_alone, 0.0), bend))
    return (slope, curve, np.zeros_like(slope)), levels_off


def _blunt(ramp: Terms, weight: Floats, opening: Floats) -> tuple[Terms, NDArray[np.bool_]]:
    """Return slope, no curve and root (p,) by weighted least squares, neither below zero."""
    straight, root, alone = _two_terms(ramp[0], ramp[2], weight, opening)
    slope = np.where(root < 0, alone[0], np.maximum(straight, 0.0))
    end = np.where(straight < 0, alone[1], np.maximum(root, 0.0))
    return (slope, np.zeros_like(slope), end), np.zeros(slope.size, bool)


def _two_terms(
    one: Floats, two: Floats, weight: Floats, opening: Floats
) -> tuple[Floats, Floats, tuple[Floats, Floats]]:
    """Return the shares (p,) of two terms (p, n) that together follow the opening, and those of each alone."""
    w1, w2 = weight * one, weight * two
    a11, a12, a22 = (np.einsum("pn,pn->p", *pair) for pair in ((w1, one), (w1, two), (w2, two)))
    b1, b2 = w1 @ opening, w2 @ opening
    only = b1 / np.where(a11 > 0, a11, 1.0), b2 / np.where(a22 > 0, a22, 1.0)
    determinant = a11 * a22 - a12 * a12
    both = determinant > 1e-9 * a11 * a22
    safe = np.where(both, determinant, 1.0)
    first = np.where(both, (b1 * a22 - b2 * a12) / safe, only[0])
    second = np.where(both, (b2 * a11 - b1 * a12) / safe, 0.0)
    return first, second, only
