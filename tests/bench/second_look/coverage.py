"""Exact share of each pixel that a polygon covers: edges are cut at the pixel grid and their areas added up.

No supersampling and no distance to an edge is involved, so areas are right to the last digits and polygons
that share an edge leave no seam.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def coverage(polygon: Floats, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return (rows, columns) shares covered by a closed polygon (k, 2) of (x, y), pixel centres whole."""
    rows, columns = shape
    start = polygon + 0.5  # pixel i spans i to i + 1 from here on
    start = np.column_stack([np.clip(start[:, 0], 0, columns), np.clip(start[:, 1], -1, rows + 1)])
    pieces = np.hstack([start, np.roll(start, -1, axis=0)])
    pieces = _cut(_cut(pieces, 1), 0)
    x0, y0, x1, y1 = pieces.T
    row = np.floor((y0 + y1) / 2).astype(np.int64)
    inside = (row >= 0) & (row < rows) & (y0 != y1)
    x_mean, rise, row = ((x0 + x1) / 2)[inside], (y1 - y0)[inside], row[inside]
    column = np.minimum(np.floor(x_mean).astype(np.int64), columns)
    left_of_edge = x_mean - column
    size = rows * (columns + 2)
    index = row * (columns + 2) + column
    sums = np.bincount(index, rise * (1 - left_of_edge), size) + np.bincount(
        index + 1, rise * left_of_edge, size
    )
    winding = np.cumsum(sums.reshape(rows, columns + 2), axis=1)[:, :columns]
    return np.clip(np.abs(winding), 0, 1).astype(np.float32)


def _cut(pieces: Floats, axis: int) -> Floats:
    """Cut pieces (k, 4) of (x0, y0, x1, y1) wherever the coordinate of ``axis`` passes a whole number."""
    a, b = pieces[:, axis], pieces[:, axis + 2]
    low, high = np.minimum(a, b), np.maximum(a, b)
    first = np.floor(low) + 1
    inner = np.maximum(np.ceil(high) - first, 0).astype(np.int64)
    if not inner.any():
        return pieces
    owner = np.repeat(np.arange(len(pieces)), inner + 1)
    order = np.arange(len(owner)) - np.repeat(np.cumsum(inner + 1) - (inner + 1), inner + 1)
    last = inner[owner]

    def share(k: NDArray[np.int64]) -> Floats:
        """Return how far along its piece the k-th cut lies (0 before the first, 1 after the last)."""
        upward = b[owner] > a[owner]
        at = np.where(upward, first[owner] + k - 1, first[owner] + last - k)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (at - a[owner]) / (b[owner] - a[owner])
        return np.where(k <= 0, 0.0, np.where(k > last, 1.0, t))

    from_, to = pieces[owner, :2], pieces[owner, 2:]
    step = to - from_
    begin, end = share(order)[:, None], share(order + 1)[:, None]
    return np.hstack([from_ + step * begin, from_ + step * end])
