"""Re-use: one picture shown for two specimens, whatever was done to it in between."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

import cv2
import numpy as np

from xsect.audit.candidates import Candidate, find_candidates
from xsect.audit.fingerprints import Fingerprint, Grey, fingerprint, working
from xsect.audit.registration import Likeness, Registration, likeness, register
from xsect.capture.image_files import read_image
from xsect.reasons import Refusal

LEAST_LIKENESS: Final = 0.25
"""Mean correlation of registered textures from which two pictures are held to be one. Measured on drawn sections:
copies reach 0.27 to 1, different sections of one design stay below 0.1 (docs/audit.md has the numbers)."""

FEWEST_TILES: Final = 8
MOST_CANDIDATES: Final = 20
"""Candidates a picture that are looked at closely, so that the cost of a package grows with its size, not its
square."""


@dataclass(frozen=True)
class Picture:
    """A picture to compare: what it is called, its file, its SHA-256 and the specimen it is said to show."""

    name: str
    path: Path
    sha256: str
    specimen: str


@dataclass(frozen=True)
class Reuse:
    """Two pictures that show one and the same spot. ``second`` is laid on ``first`` by ``registration``, which is None
    where both are one file."""

    first: Picture
    second: Picture
    registration: Registration | None
    likeness: Likeness | None

    @property
    def same_specimen(self) -> bool:
        """Whether both are said to show the same specimen: two fields of one section may overlap."""
        return bool(self.first.specimen) and self.first.specimen == self.second.specimen

    @property
    def how(self) -> str:
        """What turns the second picture into the first, in words."""
        if self.registration is None or self.likeness is None:
            return "the files are the same to the last byte"
        done = ["mirrored"] if self.registration.mirrored else []
        if abs(self.registration.turn_deg) > 1:
            done.append(f"turned by {self.registration.turn_deg:+.0f}°")
        if abs(self.registration.scale - 1) > 0.02:
            done.append(f"its details {self.registration.scale:.2f} times the size")
        if self.likeness.overlap < 0.9:
            done.append(f"{self.likeness.overlap:.0%} of the smaller field in common")
        return ", ".join(done) or "in the same place and size"


def fingerprint_file(path: Path) -> Fingerprint | None:
    """Return the fingerprint of a picture file, None where there is none or it cannot be read."""
    if not path.is_file():
        return None
    try:
        return fingerprint(read_image(path, name=path.name).pixels)
    except Refusal:
        return None


def fingerprints_of(paths: Sequence[Path], *, jobs: int = 1) -> list[Fingerprint | None]:
    """Return the fingerprints of many files, in their order."""
    if jobs == 1 or len(paths) < 4:
        return [fingerprint_file(path) for path in paths]
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=fresh, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        return list(pool.map(fingerprint_file, paths, chunksize=8))


def find_reuse(
    pictures: Sequence[Picture], known: Sequence[Picture] = (), *, jobs: int = 1
) -> tuple[Reuse, ...]:
    """Return the pairs of pictures that show one spot, among ``pictures`` and between them and ``known`` ones.

    Files that cannot be read, or without any texture, take no part. A pair is reported once, in the given order.
    """
    everyone = [*pictures, *known]
    prints = fingerprints_of([one.path for one in everyone], jobs=jobs)
    readable = [at for at, one in enumerate(prints) if one is not None]
    kept = [one for one in prints if one is not None]
    old = sum(at >= len(pictures) for at in readable)
    found = [Reuse(first, second, None, None) for first, second in _same_files(pictures, known)]
    done = {(id(one.first), id(one.second)) for one in found}
    look = lru_cache(maxsize=64)(_working_of)
    for candidate in _closest(find_candidates(kept, known=old)):
        first, second = everyone[readable[candidate.first]], everyone[readable[candidate.second]]
        if (id(first), id(second)) in done:
            continue
        laid = register(kept[candidate.first], kept[candidate.second])
        if laid is None:
            continue
        like = _likeness(look, first.path, second.path, laid)
        if like.mean >= LEAST_LIKENESS and like.tiles >= FEWEST_TILES:
            found.append(Reuse(first, second, laid, like))
    place = {id(one): at for at, one in enumerate(everyone)}
    return tuple(sorted(found, key=lambda one: (place[id(one.first)], place[id(one.second)])))


def _same_files(pictures: Sequence[Picture], known: Sequence[Picture]) -> list[tuple[Picture, Picture]]:
    """Return the pairs of entries with the same bytes, each new one paired with the first that had them."""
    first: dict[str, Picture] = {}
    pairs = []
    for at, one in enumerate((*known, *pictures)):
        if one.sha256 and one.sha256 in first and at >= len(known):
            other = first[one.sha256]
            pairs.append((other, one) if other in pictures else (one, other))
        first.setdefault(one.sha256, one)
    return pairs


def _closest(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Return the candidates, at most MOST_CANDIDATES for each picture, most votes first."""
    taken: dict[int, int] = {}
    out = []
    for one in candidates:
        if min(taken.get(one.first, 0), taken.get(one.second, 0)) < MOST_CANDIDATES:
            out.append(one)
            for at in (one.first, one.second):
                taken[at] = taken.get(at, 0) + 1
    return out


def _working_of(path: Path) -> tuple[Grey, float]:
    return working(read_image(path, name=path.name).pixels)


def _likeness(
    look: Callable[[Path], tuple[Grey, float]], first: Path, second: Path, laid: Registration
) -> Likeness:
    one, other = look(first), look(second)
    scale = laid.scale * one[1] / other[1]
    if not (0.1 < scale < 10 and np.isfinite(laid.matrix).all()):
        return Likeness(0, 0.0, 0, 0.0)
    return likeness(one[0], other[0], laid, factors=(one[1], other[1]))
