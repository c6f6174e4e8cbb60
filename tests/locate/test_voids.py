"""Voids in uneven metal: darkness made of noise as coarse as grains, with round holes of known size and darkness."""

import math

import cv2
import numpy as np
import pytest

from xsect.locate.flaw_ground import Ground
from xsect.locate.voids import DARK, dark_limit, find_voids

SHAPE = (300, 420)
MIDDLE = (210, 150)


def ground(radius: float, darkness: float, *, rim: float = 0.0, knots: int = 0, seed: int = 0) -> Ground:
    """Grains of spread 0.18, a hole in the middle, darker by ``rim`` at two places of its rim, and knots about."""
    rng = np.random.default_rng(seed)
    grains = cv2.GaussianBlur(rng.standard_normal(SHAPE), (0, 0), 2.5)
    metal = 0.18 * grains / grains.std()
    x, y = np.meshgrid(np.arange(SHAPE[1]), np.arange(SHAPE[0]))
    for _ in range(knots):
        at = rng.uniform(20, 280, 2)
        if np.hypot(at[0] - MIDDLE[0], at[1] - MIDDLE[1]) > radius + 15:
            metal = np.where(np.hypot(x - at[0], y - at[1]) < 3.2, 0.95, metal)
    hole = np.clip(radius + 0.5 - np.hypot(x - MIDDLE[0], y - MIDDLE[1]), 0, 1)
    inside = np.full(SHAPE, darkness)
    for side in (-1, 1):
        inside += rim * (np.hypot(x - MIDDLE[0] - side * 0.7 * radius, y - MIDDLE[1]) < 4)
    dark = cv2.GaussianBlur(metal * (1 - hole) + inside * hole, (0, 0), 1.0).astype(np.float32)
    whole = np.ones(SHAPE, bool)
    spread = 1.4826 * float(np.median(np.abs(dark - np.median(dark))))
    return Ground(0, 0, dark, whole, ~whole, (whole,), spread, 1.0, 4.0)


@pytest.mark.parametrize("seed", range(3))
def test_a_void_hardly_darker_than_the_limit_is_measured_whole(seed: int) -> None:
    """Within 10 %; in part it would be less than a fifth of itself."""
    metal = ground(14.0, 0.74, rim=0.12, seed=seed)
    assert dark_limit(metal) > DARK
    near = [void for void in find_voids(metal) if np.hypot(*(void.centre - MIDDLE)) < 14]
    assert [void.area for void in near] == [pytest.approx(math.pi * 14**2, rel=0.10)]


def test_an_empty_void_counts_however_dark_the_metal_beside_it() -> None:
    """Many knots of the structure are as large as one another; the hole is no larger, but as dark as the mount."""
    metal = ground(5.0, 1.02, knots=60)
    about = cv2.GaussianBlur(metal.darkness, (0, 0), 1.0)
    x, y = np.meshgrid(np.arange(SHAPE[1]), np.arange(SHAPE[0]))
    away = np.hypot(x - MIDDLE[0], y - MIDDLE[1])
    dark = np.where((away > 6.5) & (away < 14), np.maximum(about, 0.3), metal.darkness).astype(np.float32)
    metal = Ground(0, 0, dark, metal.metal, metal.bond, metal.zones, metal.spread, 1.0, 4.0)
    assert any(np.hypot(*(void.centre - MIDDLE)) < 4 for void in find_voids(metal))
