"""Cracks in uneven metal: darkness made of noise as coarse as grains, with lines of known course in it."""

import cv2
import numpy as np
import pytest

from xsect.locate.cracks import STANDS_OUT, UNEVEN, find_cracks
from xsect.locate.flaw_ground import Ground

SHAPE = (360, 520)
NO_VOIDS = np.zeros(SHAPE, bool)
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
        found, _ = find_cracks(ground((TORTUOUS,), seed=seed), NO_VOIDS)
        lengths.append(sum(crack.length for crack in found))
        for crack in found:
            away = np.hypot(*(crack.paths[0][:, None] - fine[None]).transpose(2, 0, 1)).min(axis=1)
            assert np.median(away) < 4
    assert sum(length > 45 for length in lengths) >= 5


@pytest.mark.parametrize("seed", range(6))
def test_grains_alone_are_none(seed: int) -> None:
    assert find_cracks(ground(seed=seed), NO_VOIDS)[0] == ()


def of_darkness(darkness: np.ndarray) -> Ground:
    metal = np.ones(SHAPE, bool)
    spread = 1.4826 * float(np.median(np.abs(darkness - np.median(darkness))))
    return Ground(0, 0, darkness.astype(np.float32), metal, ~metal, (metal,), spread, 1.0, 4.0)


def large_grains(line: np.ndarray | None = None, *, contrast: float = 0.0, etched: float = 0.0) -> np.ndarray:
    """Darkness of grains some 80 px across, each of its own shade, with a line of 2 px and boundaries as dark as
    ``etched``."""
    rng = np.random.default_rng(3)
    seeds = rng.uniform(0, 1, (30, 2)) * SHAPE
    rows, columns = np.indices(SHAPE)
    away = np.hypot(rows[..., None] - seeds[:, 0], columns[..., None] - seeds[:, 1])
    grain = np.argmin(away, axis=2)
    first, second = np.sort(away, axis=2)[..., :2].transpose(2, 0, 1)
    dark = rng.uniform(-0.16, 0.16, 30)[grain] + etched * (second - first < 2.5)
    if line is not None:
        drawn = np.zeros(SHAPE, np.uint8)
        cv2.polylines(drawn, [np.rint(line * 16).astype(np.int32)], False, 255, 2, cv2.LINE_AA, 4)
        dark = dark + contrast * drawn / 255.0
    return cv2.GaussianBlur(dark, (0, 0), 1.0) + rng.normal(0, 0.01, SHAPE)


def test_large_grains_of_different_shade_do_not_hide_a_fine_crack() -> None:
    metal = of_darkness(large_grains(TORTUOUS, contrast=0.34))
    (crack,), faintest = find_cracks(metal, NO_VOIDS)
    away = np.hypot(*(crack.paths[0][:, None] - TORTUOUS[None]).transpose(2, 0, 1)).min(axis=1)
    assert np.median(away) < 6  # corners of the line are 18 px apart
    assert faintest < crack.contrast < STANDS_OUT * metal.spread
    assert find_cracks(of_darkness(large_grains()), NO_VOIDS)[0] == ()


def test_boundaries_as_dark_as_a_crack_hide_it_and_that_is_told() -> None:
    found, faintest = find_cracks(of_darkness(large_grains(TORTUOUS, contrast=0.34, etched=0.4)), NO_VOIDS)
    assert found == ()
    assert faintest > 0.25  # the crack's own contrast is 0.2 under the blur


def test_the_edge_of_a_dark_grain_is_no_crack() -> None:
    """A band of darkness along one side of a long wavy edge stands out from one side alone."""
    rows, columns = np.indices(SHAPE)
    edge = 180 + 9 * np.sin(columns / 9.0) + 6 * np.sin(columns / 23.0)
    ends = np.clip((columns - 150) / 40, 0, 1) * np.clip((370 - columns) / 40, 0, 1)
    below = rows - edge
    dark = ends * (0.25 * (below > 0) * np.exp(-np.maximum(below, 0) / 60) + 0.2 * (np.abs(below) < 1.5))
    noise = np.random.default_rng(0).normal(0, 0.01, SHAPE)
    assert find_cracks(of_darkness(cv2.GaussianBlur(dark, (0, 0), 1.0) + noise), NO_VOIDS)[0] == ()
