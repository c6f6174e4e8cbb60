"""How a gap opens from a notch: profiles that rise from 0 to the standoff within a given reach."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Flank:
    """One side of a gap: ``height`` reached at ``reach`` px from the notch and kept beyond; its shape.

    ``slope`` is the opening per px at the notch (the ellipse starts upright whatever is asked).
    """

    shape: str
    height: float
    reach: float
    slope: float

    def __call__(self, distance: Floats) -> Floats:
        """Return the opening (px) at distances (px) from the notch; 0 at negative ones."""
        x = np.clip(distance / self.reach, 0.0, 1.0)
        start = self.slope * self.reach / self.height
        return self.height * np.where(x > 0, _RISES[self.shape](x, start), 0.0)


def flank(rng: np.random.Generator, height: float, reach: float, slope: float) -> Flank:
    """Return a flank of a shape that can have this slope; the reach is shortened where none can."""
    start = slope * reach / height
    if rng.random() < 0.08 and slope > 0.1:
        return Flank("ellipse", height, min(reach, 2.5 * height), slope)
    fitting = [name for name, (low, high) in _STARTS.items() if low <= start <= high]
    if not fitting:
        return Flank("power", height, 4.0 * height / slope, slope)
    return Flank(str(rng.choice(fitting)), height, reach, slope)


def _bend(x: Floats, start: float) -> Floats:
    """A sheet bent up: the cubic with the given start slope that ends level."""
    return start * x * (1 - x) ** 2 + x * x * (3 - 2 * x)


def _power(x: Floats, start: float) -> Floats:
    return 1 - (1 - x) ** start


def _ellipse(x: Floats, start: float) -> Floats:
    return np.sqrt(1 - (1 - x) ** 2)


def _wedge(x: Floats, start: float) -> Floats:
    """A straight wedge rounded off into the level stretch by a parabola."""
    turn = 2 / start - 1  # where the straight part ends, so that the parabola ends level at 1
    tail = start * turn + start * (x - turn) - start * (x - turn) ** 2 / (2 * (1 - turn))
    return np.where(x < turn, start * x, tail)


def _dome(x: Floats, start: float) -> Floats:
    """The cap of a sphere that steepens outward, then a parabola into the level stretch."""
    join, steep = _dome_join(start)
    angle0, angle1 = np.arctan(start), np.arctan(steep)
    radius = join / (np.sin(angle1) - np.sin(angle0))
    centre = radius * np.sin(angle0)
    cap = radius * np.cos(angle0) - np.sqrt(np.maximum(radius**2 - (centre + np.minimum(x, join)) ** 2, 0))
    rest = np.maximum(x - join, 0)
    return cap + steep * rest - steep * rest**2 / (2 * (1 - join))


def _dome_join(start: float) -> tuple[float, float]:
    """Return where the cap ends (share of the reach) and its slope there, so that the profile ends at 1."""
    join, low, high = 0.55, start, 40.0
    for _ in range(60):
        steep = (low + high) / 2
        angle0, angle1 = np.arctan(start), np.arctan(steep)
        rise = join * (np.cos(angle0) - np.cos(angle1)) / max(np.sin(angle1) - np.sin(angle0), 1e-12)
        low, high = (steep, high) if rise + steep * (1 - join) / 2 < 1 else (low, steep)
    return join, (low + high) / 2


_RISES = {"bend": _bend, "dome": _dome, "power": _power, "ellipse": _ellipse, "wedge": _wedge}
_STARTS = {"bend": (0.05, 2.6), "dome": (0.02, 1.2), "power": (1.3, 4.5), "wedge": (1.15, 1.9)}
"""Start slopes (in heights per reach) for which a shape rises all the way."""
