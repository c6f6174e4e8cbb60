"""Cheapest path on 8 × 8 grids one can check by eye: ``.`` is cheap (0.1), ``o`` dear (1), ``#`` forbidden.

No tolerance: rows are whole numbers. With a step cost of 0.1 a row, a move pays where it saves a dear cell.
"""

import numpy as np
import pytest

from xsect.locate.path import cheapest_path

COST = {".": 0.1, "o": 1.0, "#": np.inf}


def grid(picture: str) -> np.ndarray:
    return np.array([[COST[mark] for mark in line] for line in picture.split()])


STRAIGHT = """
oooooooo
oooooooo
oooooooo
........
oooooooo
oooooooo
oooooooo
oooooooo"""

KINKED = """
oooooooo
...ooooo
ooo.oooo
oooo.ooo
ooooo...
oooooooo
oooooooo
oooooooo"""

# From row 2 to row 5 are three rows: more than one column's reach of two.
STEEP = """
oooooooo
oooooooo
....oooo
oooooooo
oooooooo
oooo....
oooooooo
oooooooo"""

GAP = """
oooooooo
oooooooo
oooooooo
oooooooo
..oooo..
oooooooo
oooooooo
oooooooo"""

TOP = """
........
oooooooo
oooooooo
oooooooo
oooooooo
oooooooo
oooooooo
oooooooo"""

WALL = """
oooooooo
........
ooo##ooo
ooo##ooo
oo.##.oo
...##...
ooo##ooo
oooooooo"""

DOOR = """
ooo#oooo
ooo#oooo
ooo#oooo
...#....
ooo#oooo
oooooooo
ooo#oooo
ooo#oooo"""


@pytest.mark.parametrize(
    ("picture", "rows"),
    [
        pytest.param(STRAIGHT, [3] * 8, id="straight"),
        pytest.param(KINKED, [1, 1, 1, 2, 3, 4, 4, 4], id="kinked"),
        pytest.param(GAP, [4] * 8, id="dear stretch crossed straight"),
        pytest.param(TOP, [0] * 8, id="upper border"),
        pytest.param("\n".join(reversed(TOP.split())), [7] * 8, id="lower border"),
        pytest.param(WALL, [1] * 8, id="round the wall on the way that is cheap throughout"),
        pytest.param(DOOR, [3, 3, 3, 5, 3, 3, 3, 3], id="through the only door"),
    ],
)
def test_path_is_the_one_the_eye_takes(picture: str, rows: list[int]) -> None:
    assert cheapest_path(grid(picture)).tolist() == rows


def test_step_longer_than_the_reach_takes_two_columns() -> None:
    path = cheapest_path(grid(STEEP))
    assert path[:3].tolist() == [2, 2, 2]
    assert path[5:].tolist() == [5, 5, 5]
    assert np.abs(np.diff(path)).max() == 2


def test_reach_of_one_row_cannot_pass_a_door_two_rows_off() -> None:
    """Row 5 is then reached step by step; row 3 is left two columns earlier."""
    assert cheapest_path(grid(DOOR), reach=1).tolist() == [3, 3, 4, 5, 4, 3, 3, 3]


def test_dear_steps_keep_the_path_straight() -> None:
    """Five cells at 0.9 saved against three rows paid: the kink pays up to 1.5 a row."""
    assert cheapest_path(grid(KINKED), step_cost=1.4).tolist() == [1, 1, 1, 2, 3, 4, 4, 4]
    assert cheapest_path(grid(KINKED), step_cost=1.6).tolist() in ([1] * 8, [4] * 8)


@pytest.mark.parametrize("rows", [1, 2, 8])
def test_tie_goes_straight_along_the_upper_row(rows: int) -> None:
    assert cheapest_path(np.ones((rows, 8))).tolist() == [0] * 8


def test_cost_of_the_path_is_the_least_of_all_paths() -> None:
    """Every path of a 4 × 5 grid, enumerated."""
    cost = np.random.default_rng(3).uniform(0, 1, (4, 5))

    def total(path: tuple[int, ...]) -> float:
        steps = np.abs(np.diff(path))
        return float(cost[list(path), range(5)].sum() + 0.1 * steps.sum()) if steps.max() <= 2 else np.inf

    best = min(np.ndindex(4, 4, 4, 4, 4), key=total)
    assert tuple(cheapest_path(cost).tolist()) == best


@pytest.mark.parametrize("column", [0, 3, 7])
def test_column_forbidden_throughout_leaves_no_path(column: int) -> None:
    cost = np.ones((8, 8))
    cost[:, column] = np.inf
    with pytest.raises(ValueError, match=r"cost: every path .* forbidden"):
        cheapest_path(cost)


def test_door_out_of_reach_leaves_no_path() -> None:
    cost = np.full((8, 2), np.inf)
    cost[0, 0] = cost[3, 1] = 1.0
    with pytest.raises(ValueError, match="forbidden"):
        cheapest_path(cost)
    assert cheapest_path(cost, reach=3).tolist() == [0, 3]
