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
    # (columns, rows) with forbidden cells beyond both ends, so that every move finds a cell to come from
    total = np.full((columns, rows + 2 * reach), np.inf)
    inner = total[:, reach : reach + rows]
    costs = np.ascontiguousarray(cost.T)
    inner[0] = costs[0]
    arriving = np.empty(rows)
    for column in range(1, columns):
        before, best = total[column - 1], inner[column]
        best[:] = before[reach : reach + rows]
        for move in moves[1:]:
            np.add(before[reach - move : reach - move + rows], step_cost * abs(move), out=arriving)
            np.minimum(best, arriving, out=best)
        best += costs[column]
    if not np.isfinite(inner[-1]).any():
        raise ValueError("cost: every path from left to right is forbidden")
    path = np.empty(columns, np.intp)
    path[-1] = int(np.argmin(inner[-1]))
    sources, dear = np.array(moves), step_cost * np.abs(moves)
    for column in range(columns - 1, 0, -1):
        here = path[column]
        path[column - 1] = here - sources[np.argmin(total[column - 1, reach + here - sources] + dear)]
    return path
