"""Course: the parabola along which the layers of a picture run, in any direction."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from xsect.locate.shades import SHADES, entropy, shades_of
from xsect.locate.tone import Floats


@dataclass(frozen=True)
class Course:
    """A parabola through the picture along which things run: ``origin`` (x, y), unit ``along`` and ``across``,
    ``sag`` px at ``half`` px from the origin; stations ``first`` to ``last`` and depths ``top`` to ``bottom`` seen."""

    origin: NDArray[np.float64]
    along: NDArray[np.float64]
    across: NDArray[np.float64]
    sag: float
    half: float
    first: float
    last: float
    top: float
    bottom: float

    def points(self, stations: NDArray[np.float64], depth: float) -> NDArray[np.float64]:
        """Return (n, 2) positions of stations at a depth below the parabola."""
        drop = depth + self.sag * (stations / self.half) ** 2
        return self.origin + stations[:, None] * self.along + drop[:, None] * self.across

    def depth_at(self, place: tuple[float, float]) -> float:
        """Return how far a place (x, y) lies below the parabola, in px."""
        off = np.asarray(place) - self.origin
        return float(off @ self.across - self.sag * (off @ self.along / self.half) ** 2)


def find_course(coarse: Floats, step: float, centre: NDArray[np.float64]) -> Course:
    """Return the course along which depth tells most about shade.

    ``coarse``: (rows, columns[, 3]) copy, one px of it ``step`` px of the picture, whose middle is ``centre`` (x, y).
    """
    shrink = min(1.0, 280 / max(coarse.shape[:2]))
    small = np.asarray(
        cv2.resize(coarse, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.float32
    )
    small = small.reshape(*small.shape[:2], -1)
    middle = (np.array(small.shape[1::-1], float) - 1) / 2
    half = 0.5 * min(small.shape[:2])
    grid = np.arange(-half, half + 1)

    tones = shades_of(small, np.ones(small.shape[:2], bool))
    level = np.arange(len(grid))[:, None]

    def likeness(angle: float, sag: float) -> float:
        """What the depth tells about the shade (mutual information, nats): pores lie at all depths and tell nothing."""
        c, s = np.cos(angle), np.sin(angle)
        drop = grid[:, None] + sag * (grid[None, :] / half) ** 2
        x = np.rint(middle[0] + grid[None, :] * c - drop * s).astype(np.intp)
        y = np.rint(middle[1] + grid[None, :] * s + drop * c).astype(np.intp)
        seen = (x >= 0) & (y >= 0) & (x < small.shape[1]) & (y < small.shape[0])
        owner = np.broadcast_to(level, x.shape)[seen]
        told = 0.0
        for f in range(tones.shape[2]):
            flat = owner * SHADES + tones[y[seen], x[seen], f]
            counts = (
                np.bincount(flat, minlength=len(grid) * SHADES).reshape(len(grid), 1, SHADES).astype(float)
            )
            told += float(entropy(counts.sum(axis=0)) - entropy(counts).sum())
        return told / max(len(owner), 1)

    angles = np.radians(np.arange(-88, 91, 4.0))
    best = max(angles, key=lambda a: likeness(a, 0.0))
    tries = [
        (best + a, b * half)
        for a in np.radians((-3, -1.5, 0, 1.5, 3))
        for b in (-0.12, -0.06, -0.03, 0, 0.03, 0.06, 0.12)
    ]
    start = np.asarray(max(tries, key=lambda one: likeness(*one)))

    def unlike(choice: NDArray[np.float64]) -> float:
        return -likeness(float(choice[0]), float(choice[1]))

    spread = np.array([[0, 0], [np.radians(1.5), 0], [0, 0.03 * half]])
    found = minimize(
        unlike, start, method="Nelder-Mead",
        options={"initial_simplex": (start + spread).tolist(), "xatol": 1e-4, "fatol": 1e-9, "maxfev": 120},
    ).x  # fmt: skip
    angle, sag = float(found[0]), float(found[1])
    scale = step / shrink
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    reach = np.abs(along) @ centre, np.abs(across) @ centre
    return Course(
        centre,
        along,
        across,
        sag * scale,
        half * scale,
        -float(reach[0]),
        float(reach[0]),
        -float(reach[1]),
        float(reach[1]),
    )
