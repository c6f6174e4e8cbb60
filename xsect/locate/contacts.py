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
    parted: NDArray[np.bool_], apart: NDArray[np.float64], opening: NDArray[np.float64], *, shortest: float
) -> tuple[Contact, ...]:
    """Group joined stations into bond segments.

    ``parted``: (n,) stations where the base metals do not touch; ``apart``: (n,) distance between the base metals
    in px; ``opening``: (n,) the open part of it. A stretch shorter than ``shortest`` stations is dust or drag across
    the gap, not a bond. Two stretches belong to one segment when what lies between them is a flaw of the bond
    rather than a gap between two contacts: it opens to less than a quarter of the distance outside (residual
    plating does not open at all), or it is small beside both.
    """
    stretches = [run for run in runs(~parted) if run[1] - run[0] + 1 >= shortest]
    if not stretches:
        return ()
    outside = np.concatenate([apart[: stretches[0][0]], apart[stretches[-1][1] + 1 :]])
    standoff = float(np.quantile(outside, 0.9)) if outside.size else np.inf
    segments = [stretches[0]]
    for first, last in stretches[1:]:
        before = segments[-1]
        gap = first - before[1] - 1
        between = slice(before[1] + 1, first)
        height, distance = float(opening[between].max()), float(apart[between].max())
        shorter = min(before[1] - before[0], last - first)
        slight = height < 0.25 * standoff and distance < 0.6 * standoff
        if slight or (gap < 0.5 * shorter and distance < 0.5 * standoff) or gap < 0.1 * shorter:
            segments[-1] = (before[0], last)
        else:
            segments.append((first, last))
    return tuple(Contact(first, last) for first, last in segments)
