"""Outlines and closed paths on grids small enough to check by eye, and a rim found on a drawn change of level."""

import cv2
import numpy as np
import pytest

from xsect.locate import rim
from xsect.locate.structure import Structure
from xsect.locate.weld_frame import SPAN

ROWS = 7


def along(path: list[int]) -> np.ndarray:
    strength = np.zeros((ROWS, len(path)), np.float32)
    strength[path, np.arange(len(path))] = 1
    return strength


@pytest.mark.parametrize(
    ("path", "wanted"),
    [
        ([3] * 12, [3] * 12),
        ([3, 3, 3, 4, 4, 4, 4, 4, 3, 3, 3, 3], [3, 3, 3, 4, 4, 4, 4, 4, 3, 3, 3, 3]),
        # one stray column costs less to ignore than to visit
        ([3, 3, 3, 3, 3, 6, 3, 3, 3, 3, 3, 3], [3] * 12),
        # a course that does not close is left near the seam for one that does
        ([2, 2, 2, 2, 2, 2, 4, 4, 4, 4, 4, 4], [2, 2, 2, 2, 2, 2, 4, 4, 4, 4, 4, 4]),
    ],
)
def test_closed_path_takes_the_strongest_course(path: list[int], wanted: list[int]) -> None:
    assert rim.closed_path(along(path), bend=0.15).tolist() == wanted


def test_a_stiff_path_stays_level() -> None:
    assert np.ptp(rim.closed_path(along([2] * 6 + [4] * 6), bend=9.0)) == 0


@pytest.mark.parametrize("orders", [5, 8, 14])
def test_smoothing_keeps_an_ellipse(orders: int) -> None:
    """An ellipse is one wave along its parameter; spaced evenly along its arc it takes a few: 1 % of its size."""
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    outline = rim.even(np.column_stack([200 + 90 * np.cos(turn), 150 + 50 * np.sin(turn)]))
    kept = rim.smoothed(outline, orders)
    assert np.ptp(kept, axis=0) == pytest.approx([180, 100], rel=0.01)
    assert kept.mean(axis=0) == pytest.approx([200, 150], abs=0.5)


def test_points_are_evenly_spaced_and_normals_point_outward() -> None:
    outline = rim.ellipse(100, 80, 60, 20, 40)
    steps = np.hypot(*np.diff(np.vstack([outline, outline[:1]]), axis=0).T)
    assert steps.max() < 1.05 * steps.min()
    outward = ((outline - outline.mean(axis=0)) * rim.normals(outline)).sum(axis=1)
    assert (outward > 0).all()


def drawn(x: float, y: float, half: float, up: float, down: float) -> tuple[np.ndarray, Structure]:
    """Return a line and a structure: a zone 1 higher in its first feature, both features noisy."""
    rng = np.random.default_rng(4)
    features = cv2.GaussianBlur(rng.standard_normal((500, 560, 2)).astype(np.float32), (0, 0), 2.0)
    inside = np.zeros(features.shape[:2], np.uint8)
    cv2.fillPoly(inside, [np.rint(rim.ellipse(x, y, half, up, down)).astype(np.int32)], 1)
    features[..., 0] += cv2.GaussianBlur(inside.astype(np.float32), (0, 0), 1.5)
    return np.full(560, 250.0), Structure((features,), np.ones(inside.shape, np.float32))


@pytest.mark.parametrize("shape", [(280, 250, 110, 40, 50), (300, 262, 60, 50, 30), (250, 240, 40, 25, 25)])
def test_a_zone_is_guessed_and_drawn(shape: tuple[float, ...]) -> None:
    """Within 2 px of the drawn outline: the blur of its edge and the rounding by its few waves."""
    line, structure = drawn(*shape)
    first = rim.guesses(line, structure)[0]
    scale = rim.size(first)
    found = rim.refine(first, line, structure, reach=0.4 * scale, width=max(0.25 * scale, 5), orders=8)
    found = rim.refine(found, line, structure, reach=0.2 * scale, width=5, orders=8)
    x, y, half, up, down = shape
    assert found.min(axis=0) == pytest.approx([x - half, y - up], abs=2)
    assert found.max(axis=0) == pytest.approx([x + half, y + down], abs=2)


def test_nothing_is_guessed_where_nothing_is_seen() -> None:
    empty = np.zeros((SPAN, SPAN), np.float32)
    assert rim.guesses(np.full(SPAN, SPAN / 2), Structure((empty[..., None],), empty)) == []
