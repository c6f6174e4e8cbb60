"""Contacts: which stretches of the faying line touch, and to which bond segment each belongs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Contact:
    """One bond segment in whole stations: ``first`` and ``last`` closed station, both included."""

    first: int
    last: int


def runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (first, last) of each run of True, both included."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def find_contacts(
    is_open: NDArray[np.bool_], opening: NDArray[np.float64], *, shortest: float
) -> tuple[Contact, ...]:
    """Group closed stations into bond segments.

    ``is_open``: (n,) stations; ``opening``: (n,) px. A stretch shorter than ``shortest`` stations is dust or drag
    across the gap, not a bond. Two stretches belong to one segment when what lies between them is a flaw of the
    bond rather than a gap between two contacts: it opens to less than a quarter of what the gap outside opens to,
    or it is small beside both.
    """
    stretches = [run for run in runs(~is_open) if run[1] - run[0] + 1 >= shortest]
    if not stretches:
        return ()
    outside = np.concatenate([opening[: stretches[0][0]], opening[stretches[-1][1] + 1 :]])
    standoff = float(np.quantile(outside, 0.9)) if outside.size else np.inf
    segments = [stretches[0]]
    for first, last in stretches[1:]:
        before = segments[-1]
        gap = first - before[1] - 1
        height = float(opening[before[1] + 1 : first].max())
        shorter = min(before[1] - before[0], last - first)
        if height < 0.25 * standoff or (gap < 0.5 * shorter and height < 0.5 * standoff) or gap < 0.1 * shorter:
            segments[-1] = (before[0], last)
        else:
            segments.append((first, last))
    return tuple(Contact(first, last) for first, last in segments)
