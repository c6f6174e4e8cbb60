"""Cheapest path from the left to the right edge of a cost grid."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def cheapest_path(cost: NDArray[np.floating], *, reach: int = 2, step_cost: float = 0.1) -> NDArray[np.intp]:
    """Return the row of the cheapest path in each column, (columns,), by dynamic programming.

    ``cost`` is (rows, columns); infinite cells are forbidden. From column to column the path may move by up to
    ``reach`` rows, each row moved costing ``step_cost``. Ties go to the smaller move.
    Raises ValueError when every path is forbidden.
    """
    rows, columns = cost.shape
    moves = sorted(range(-reach, reach + 1), key=abs)
    total = cost[:, 0].astype(np.float64)
    came_by = np.zeros((columns, rows), np.int8)
    best = np.empty(rows)
    for column in range(1, columns):
        best.fill(np.inf)
        chosen = came_by[column]
        for move in moves:
            # arriving at row r from row r - move
            to, source = slice(max(move, 0), rows + min(move, 0)), slice(max(-move, 0), rows - max(move, 0))
            candidate = total[source] + step_cost * abs(move)
            better = candidate < best[to]
            best[to][better] = candidate[better]
            chosen[to][better] = move
        total = best + cost[:, column]
    if not np.isfinite(total).any():
        raise ValueError("cost: every path from left to right is forbidden")
    path = np.empty(columns, np.intp)
    path[-1] = int(np.argmin(total))
    for column in range(columns - 1, 0, -1):
        path[column - 1] = path[column] - came_by[column, path[column]]
    return path
