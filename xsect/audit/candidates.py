"""Candidates: which pictures of many share details, found without comparing every pair.

Codes are sorted by chosen bits, so that like ones lie side by side: cost grows as n log n. Pairs of like details that
agree on turn, scale and place vote for their two pictures.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from xsect.audit.fingerprints import BITS, Fingerprint

TABLES: Final = 24
LIKE_BITS: Final = 26
"""Bits of 128 by which two details that vote may differ."""

CROWD: Final = 24
"""Details with the same chosen bits above which they tell nothing: what all sections of one design show."""

FEWEST_VOTES: Final = 4
"""Agreeing details from which two pictures are looked at closely: a few different sections of one design come that near
to each picture; copies reach 8 and more among a hundred pictures, fewer among thousands, where the chosen bits are
more."""

_TURN_BINS: Final = 12
_SIZE_BIN: Final = math.log(1.6)
_PLACE_BIN: Final = 0.15


@dataclass(frozen=True)
class Candidate:
    """Two pictures, by their places (first < second), and how many of their details vote for it."""

    first: int
    second: int
    votes: int


def find_candidates(prints: Sequence[Fingerprint], *, known: int = 0) -> list[Candidate]:
    """Return the pairs with at least FEWEST_VOTES agreeing details, most of them first.

    The last ``known`` pictures are compared with the others only, not among themselves.
    """
    new = len(prints) - known
    details = _Details.of(prints, new)
    if len(details.owner) == 0:
        return []
    keys, counts = _votes(details, _pairs(details, new), len(prints))
    found = [
        Candidate(*divmod(int(key), len(prints)), int(count))
        for key, count in zip(keys, counts, strict=True)
        if count >= FEWEST_VOTES
    ]
    return sorted(found, key=lambda one: (-one.votes, one.first, one.second))


@dataclass(frozen=True)
class _Details:
    """Details of all pictures as they are, then those of the new pictures as they would be mirrored: a known picture
    need not be, since two mirrored details tell what the two as they are tell already.

    ``place`` is (x, y) from the picture's middle and ``size`` a logarithm, both in its longer side; ``plain`` counts
    the details as they are.
    """

    codes: NDArray[np.uint64]
    owner: NDArray[np.int32]
    place: NDArray[np.float32]
    turn: NDArray[np.float32]
    size: NDArray[np.float32]
    plain: int

    @classmethod
    def of(cls, prints: Sequence[Fingerprint], new: int) -> _Details:
        counts = [len(one.codes) for one in prints]
        owner = np.repeat(np.arange(len(prints), dtype=np.int32), counts)
        points = np.concatenate([one.points for one in prints] or [np.zeros((0, 4), np.float32)])
        empty = [np.zeros((0, BITS // 8), np.uint8)]
        codes = np.concatenate([one.codes for one in prints] + [one.mirrored for one in prints[:new]] + empty)
        sides = np.array([max(one.shape) for one in prints], np.float32)[owner, None]
        middles = np.array([one.shape[::-1] for one in prints], np.float32).reshape(-1, 2)[owner] / 2
        place = (points[:, :2] - middles) / sides
        size = np.log(np.maximum(points[:, 2] / sides[:, 0], 1e-6))
        again = sum(counts[:new])
        return cls(
            np.ascontiguousarray(codes).view(np.uint64),
            np.concatenate([owner, owner[:again]]),
            np.concatenate([place, place[:again] * np.array([-1, 1], np.float32)]),
            np.concatenate([points[:, 3], 180 - points[:again, 3]]),
            np.concatenate([size, size[:again]]),
            len(owner),
        )

    def numbers(self, of: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return the detail that each is, or is the mirror image of."""
        return np.where(of < self.plain, of, of - self.plain)


@dataclass(frozen=True)
class _Pairs:
    """Like details of two pictures: the places of both."""

    one: NDArray[np.intp]
    other: NDArray[np.intp]


def _keys(codes: NDArray[np.uint64], chosen: NDArray[np.intp]) -> NDArray[np.uint32]:
    """Return the chosen bits of (k, 2) codes as one number each."""
    key = np.zeros(len(codes), np.uint32)
    for place, bit in enumerate(chosen):
        word, shift = divmod(int(bit), 64)
        key |= (codes[:, word] >> np.uint64(shift) & np.uint64(1)).astype(np.uint32) << np.uint32(place)
    return key


def _pairs(details: _Details, new: int) -> Iterator[_Pairs]:
    """Yield like details table by table. A detail may come again from another table."""
    rng = np.random.default_rng(2026)
    wide = int(np.clip(round(math.log2(max(len(details.owner), 2))) - 3, 10, 26))
    for _ in range(TABLES):
        key = _keys(details.codes, rng.permutation(BITS)[:wide])
        order = np.argsort(key, kind="stable")
        key = key[order]
        starts = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
        crowd = np.diff(np.append(starts, len(key)))
        fresh = np.add.reduceat((details.owner[order] < new).astype(np.int32), starts)
        use = np.repeat((crowd > 1) & (crowd <= CROWD) & (fresh > 0), crowd)
        order, key = order[use], key[use]
        codes = details.codes[order]  # laid out as they are compared
        for step in range(1, CROWD):
            same = np.flatnonzero(key[step:] == key[:-step])
            if not len(same):
                break
            apart = np.bitwise_count(codes[same] ^ codes[same + step])
            same = same[apart[:, 0] + apart[:, 1] <= LIKE_BITS]
            one, other = order[same], order[same + step]
            near = (one < details.plain) | (other < details.plain)
            near &= details.owner[one] != details.owner[other]
            near &= np.minimum(details.owner[one], details.owner[other]) < new
            yield _Pairs(one[near], other[near])


def _votes(
    details: _Details, found: Iterator[_Pairs], pictures: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (keys first · pictures + second, votes): the most details that agree on mirror, turn, scale and place."""
    columns: list[NDArray[np.int64]] = []
    for pairs in found:
        one, other = pairs.one, pairs.other
        swap = details.owner[one] > details.owner[other]
        one, other = np.where(swap, other, one), np.where(swap, one, other)
        key = details.owner[one].astype(np.int64) * pictures + details.owner[other]
        mirrored = (one >= details.plain) | (other >= details.plain)
        turn = (details.turn[one] - details.turn[other]) % 360
        size = details.size[one] - details.size[other]
        angle, scale = np.radians(turn), np.exp(size)
        x, y = details.place[other].T
        middle_x = details.place[one, 0] - scale * (x * np.cos(angle) - y * np.sin(angle))
        middle_y = details.place[one, 1] - scale * (x * np.sin(angle) + y * np.cos(angle))
        detail = details.numbers(one)
        numbers = (key, mirrored, turn * 10, size * 1000, middle_x * 1000, middle_y * 1000, detail)
        columns.append(np.stack([np.asarray(number).astype(np.int64) for number in numbers]))
    if not sum(part.shape[1] for part in columns):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    every = np.concatenate(columns, axis=1)
    _, place, shared = np.unique(every[0], return_inverse=True, return_counts=True)
    every = every[:, shared[place] >= FEWEST_VOTES]  # chance pairs, most of all
    key, mirrored, turn, size, x, y, detail = np.unique(every, axis=1)
    keys, place = np.unique(key, return_inverse=True)
    most = np.zeros(len(keys), np.int64)
    for shifts in itertools.product((0.0, 0.5), repeat=4):
        turn_bin = np.floor(turn / 3600 * _TURN_BINS + shifts[0]).astype(np.int64) % _TURN_BINS
        size_bin = np.clip(np.floor(size / 1000 / _SIZE_BIN + shifts[1]), -20, 19).astype(np.int64) + 20
        x_bin, y_bin = (
            np.clip(np.floor(middle / 1000 / _PLACE_BIN + shift), -20, 19).astype(np.int64) + 20
            for middle, shift in ((x, shifts[2]), (y, shifts[3]))
        )
        cell = (((place * 2 + mirrored) * _TURN_BINS + turn_bin) * 40 + size_bin) * 1600 + x_bin * 40 + y_bin
        # a detail votes once in a cell, however many tables or rivals it came from
        once = np.unique(cell * (detail.max() + 1) + detail) // (detail.max() + 1)
        cells, counts = np.unique(once, return_counts=True)
        np.maximum.at(most, cells // (2 * _TURN_BINS * 40 * 1600), counts)
    return keys, most
