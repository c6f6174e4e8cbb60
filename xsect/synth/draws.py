"""Random draws of one scene, by its difficulty and by the size of its details."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

REFERENCE_PX = 1600
"""Width of the picture for which a scene's smallest details are chosen; other widths show the same scene."""


@dataclass(frozen=True)
class Draws:
    """Random draws of one scene: generator, difficulty (0 easy, 1 fair, 2 hard), µm a reference px."""

    rng: np.random.Generator
    level: int
    pixel: float

    def log(self, low: float, high: float) -> float:
        """Return a value even in its logarithm."""
        return float(np.exp(self.rng.uniform(np.log(low), np.log(high))))

    def uni(self, low: float, high: float) -> float:
        """Return an even value."""
        return float(self.rng.uniform(low, high))

    def by_level(self, *values: float) -> float:
        """Return the value of this difficulty."""
        return values[self.level]

    def chance(self, *shares: float) -> bool:
        """Return True with this difficulty's share."""
        return bool(self.rng.random() < shares[self.level])
