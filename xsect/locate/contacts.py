"""Contacts: which stretches of the faying line touch, and to which bond segment each belongs."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

UNSEEN = 3.0
"""Opening in px below which a flaw may be longer than the bond on either side: residual plating, a dark line."""

LIKE_A_MOUTH = (0.5, 1.6)
"""Shares of the outer mouths' opening, as far from their notches, between which a gap is one between two contacts: a
void has blunt ends, and a flaw's height has nothing to do with the mouths'."""
SLACK = 0.5
"""Px by which either opening may be misread."""

ROUND = 1.6
"""Length of an open stretch, in its heights, below which it is a void: two contacts' mouths open more slowly."""


SPECKS = 0.3
"""Share of a film's length that voids in it may take up."""


SLIM = 0.2
"""Share of the distance outside up to which the base metals are parted by a film of plating inside a bond."""


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
    rather than a gap between two contacts: it hardly opens beside the distance outside and is shorter than one of the
    two (residual plating does not open at all and may be long, unless it fills a gap that opens as the outer ones do),
    or it is short beside the two stretches and no gap of full height, or it is a round void, or it is very short. The
    shortest interruptions are closed first, so that a bond with many flaws grows together.
    """
    stretches = [run for run in runs(~parted) if run[1] - run[0] + 1 >= shortest]
    if not stretches:
        return ()
    outside = np.concatenate([apart[: stretches[0][0]], apart[stretches[-1][1] + 1 :]])
    standoff = float(np.quantile(outside, 0.9)) if outside.size else np.inf
    outwards = [apart[: stretches[0][0]][::-1], apart[stretches[-1][1] + 1 :]]

    def opens_like_a_mouth(between: slice) -> bool:
        """Whether an inner gap opens, from both its ends, about as the section's outer mouths do from their notches."""
        gap = apart[between]
        for far in (gap.size // 8, gap.size // 2):
            inner = float(gap[far] + gap[-1 - far]) / 2
            there = [float(side[far]) for side in outwards if side.size > far]
            low, high = (LIKE_A_MOUTH[k] * float(np.mean(there or [np.inf])) for k in (0, 1))
            if not low - SLACK <= inner <= high + SLACK:
                return False
        return True

    def is_flaw(before: tuple[int, int], after: tuple[int, int]) -> bool:
        between = slice(before[1] + 1, after[0])
        height, distance = float(opening[between].max()), float(apart[between].max())
        lengths = [last - first + 1 for first, last in (before, after)]
        gap = between.stop - between.start
        slight = height < 0.15 * standoff and distance < 0.6 * standoff
        # two contacts side by side open between them as they do outside; a flaw's opening has nothing to do with that
        alike = gap > 0.3 * sum(lengths) and opens_like_a_mouth(between)
        # and not a film with a pore in it
        mouths = height >= UNSEEN and alike and float((opening[between] > 0.3 * height).mean()) > 0.5
        # plating may fill the gap between two contacts, or all but its middle; what is left of it inside a bond is slim
        filled = alike and distance >= SLIM * standoff
        slight = slight and not filled and (height < UNSEEN or (gap < max(lengths) and not mouths))
        # a void may be taller than the gap outside, but then it is about as tall as it is long
        short = gap < 0.3 * sum(lengths) and distance < 0.5 * standoff and not mouths
        short = short or (gap < 0.5 * sum(lengths) and distance < 0.3 * standoff and not mouths)
        short = short or (gap < 0.25 * min(lengths) and gap < 2 * height)
        short = short or (gap < 0.5 * sum(lengths) and gap < ROUND * height)
        # specks of void in a film do not make a gap of it
        film = float((opening[between] >= UNSEEN).mean()) < SPECKS and distance < SLIM * standoff
        return slight or short or film or gap < 0.15 * sum(lengths)

    while True:
        pairs = sorted(pairwise(stretches), key=lambda pair: pair[1][0] - pair[0][1])
        flawed = next((pair for pair in pairs if is_flaw(*pair)), None)
        if flawed is None:
            return tuple(Contact(first, last) for first, last in stretches)
        before, after = flawed
        stretches[stretches.index(before)] = (before[0], after[1])
        stretches.remove(after)
