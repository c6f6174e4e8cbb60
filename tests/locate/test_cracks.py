"""Cracks in uneven metal: darkness made of noise as coarse as grains, with lines of known course in it."""

import cv2
import numpy as np
import pytest

from xsect.locate.cracks import UNEVEN, find_cracks
from xsect.locate.flaw_ground import Ground

SHAPE = (360, 520)
STEPS = np.array(
    [(0, 0), (16, 9), (30, -3), (46, 8), (62, -6), (78, 5), (94, -7), (110, 4), (126, -2)], float
)
TORTUOUS = STEPS + np.array([180.0, 170.0])


def ground(lines: tuple[np.ndarray, ...] = (), *, gap: int = 6, seed: int = 0) -> Ground:
    """Uneven metal with dark lines of 2 px, each interrupted for ``gap`` px of every 26."""
    rng = np.random.default_rng(seed)
    noise = cv2.GaussianBlur(rng.standard_normal(SHAPE), (0, 0), 2.0)
    darkness = 0.14 * noise / noise.std()
    for line in lines:
        arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        at = np.arange(0, arc[-1], 0.5)
        at = at[at % 26 < 26 - gap]
        x, y = (np.rint(np.interp(at, arc, axis)).astype(int) for axis in line.T)
        drawn = np.zeros(SHAPE)
        drawn[y, x] = drawn[y, x + 1] = drawn[y + 1, x] = 1.0
        darkness += 0.9 * np.clip(cv2.GaussianBlur(drawn, (0, 0), 1.0), 0, 1)
    metal = np.ones(SHAPE, bool)
    spread = 1.4826 * float(np.median(np.abs(darkness - np.median(darkness))))
    assert spread > UNEVEN
    return Ground(0, 0, darkness.astype(np.float32), metal, ~metal, (metal,), spread, 1.0, 4.0)


def test_an_interrupted_crack_is_found_among_grains() -> None:
    """In five of six pictures, a third of its course at least, perhaps in pieces; what is found lies on it."""
    fine = np.column_stack([np.interp(np.arange(0, 8, 0.02), np.arange(9), axis) for axis in TORTUOUS.T])
    lengths = []
    for seed in range(6):
        found = find_cracks(ground((TORTUOUS,), seed=seed), np.zeros(SHAPE, bool))
        lengths.append(sum(crack.length for crack in found))
        for crack in found:
            away = np.hypot(*(crack.paths[0][:, None] - fine[None]).transpose(2, 0, 1)).min(axis=1)
            assert np.median(away) < 4
    assert sum(length > 45 for length in lengths) >= 5


@pytest.mark.parametrize("seed", range(6))
def test_grains_alone_are_none(seed: int) -> None:
    assert find_cracks(ground(seed=seed), np.zeros(SHAPE, bool)) == ()
