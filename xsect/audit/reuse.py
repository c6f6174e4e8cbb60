"""Re-use: one picture shown for two specimens, whatever was done to it in between."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, TypeVar

import cv2
import numpy as np

from xsect.audit.candidates import Candidate, find_candidates
from xsect.audit.fingerprints import DETAIL_PX, Fingerprint, Grey, Pixels, fingerprint_of, working
from xsect.audit.registration import Likeness, Registration, likeness, register
from xsect.capture.image_files import read_image
from xsect.capture.lot_sheet import SheetRow
from xsect.reasons import Refusal

LEAST_LIKENESS: Final = 0.3
"""Mean correlation of registered textures from which two pictures are held to be one. Measured on drawn sections:
copies reach 0.5 to 1, different sections of one design stay below 0.1 (docs/audit.md has the numbers)."""

FEWEST_TILES: Final = 8
MOST_CANDIDATES: Final = 8
"""Candidates a picture that are looked at closely, so that the cost of a package grows with its size, not its
square."""

SMALL_QUALITY: Final = 85

Recall = Callable[[Collection[str]], Mapping[str, bytes]]
"""Gives the reduced copies of pictures by their hashes; those it does not have are left out."""


def no_copies(_: Collection[str]) -> Mapping[str, bytes]:
    """Give none: no store was named."""
    return {}


_In = TypeVar("_In")
_Out = TypeVar("_Out")


@dataclass(frozen=True)
class Picture:
    """A picture to compare: what it is called, its file, its SHA-256 and the specimen it is said to show.

    ``fingerprint`` is None where it was not taken yet, or cannot be; ``small`` is a reduced grey copy (JPEG) that
    stands for a file that is not at hand, b"" where there is none or it was not asked for yet.
    """

    name: str
    path: Path
    sha256: str
    specimen: str
    fingerprint: Fingerprint | None = field(default=None, compare=False, repr=False)
    small: bytes = field(default=b"", compare=False, repr=False)

    @property
    def at_hand(self) -> bool:
        """Whether its pixels, or those of its reduced copy, can be had."""
        return bool(self.small) or self.path.is_file()

    def pixels(self) -> tuple[Pixels, float]:
        """Return the file's pixels and 1, or those of the reduced copy and by what it was made smaller."""
        if self.path.is_file():
            return read_image(self.path, name=self.path.name).pixels, 1.0
        small = cv2.imdecode(np.frombuffer(self.small, np.uint8), cv2.IMREAD_GRAYSCALE)
        assert small is not None
        assert self.fingerprint is not None
        return np.asarray(small, np.uint8), small.shape[1] / self.fingerprint.shape[1]


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


def pairs_to_show(found: Sequence[Reuse], most: int) -> tuple[int, ...]:
    """Return the places of the pairs to show as evidence, in order: each picture of a group of like ones beside one
    other of it, the pairs of different specimens and the likest first, at most so many.

    Of a picture that was used k times k (k - 1) / 2 pairs are found: k - 1 of them tie all its uses together.
    """
    group: dict[Picture, Picture] = {}

    def head(of: Picture) -> Picture:
        while of in group:
            of = group[of]
        return of

    def rank(at: int) -> tuple[bool, float, int]:
        one = found[at]
        return one.same_specimen, -one.likeness.mean if one.likeness else -1.0, at

    shown: list[int] = []
    for at in sorted(range(len(found)), key=rank):
        first, second = head(found[at].first), head(found[at].second)
        if first != second and len(shown) < most:
            group[second] = first
            shown.append(at)
    return tuple(sorted(shown))


def specimen_of(row: SheetRow) -> str:
    """Return the specimen that a row's picture is said to show, "" where the lot sheet names none."""
    return f"{row.lot}/{row.weld}" if row.weld else ""


def fingerprint_and_copy(pixels: Pixels) -> tuple[Fingerprint, bytes]:
    """Return the fingerprint of a picture (rows, columns[, 3]) and a reduced grey copy of it: a JPEG file, its longer
    side 480 px at most."""
    small, factor = working(pixels, DETAIL_PX)
    settings = [cv2.IMWRITE_JPEG_QUALITY, SMALL_QUALITY]
    copy = cv2.imencode(".jpg", np.asarray(small, np.uint8), settings)[1].tobytes()
    return fingerprint_of(small, factor, (pixels.shape[0], pixels.shape[1])), copy


@contextmanager
def spread(jobs: int) -> Iterator[Callable[[Callable[[_In], _Out], Sequence[_In]], Iterable[_Out]]]:
    """Yield a map that keeps the order and works in so many processes, in this one for ``jobs`` 1."""
    if jobs == 1:
        yield map
        return
    # started afresh, not forked: a fork inherits locks that the image library's threads may hold
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=fresh, initializer=cv2.setNumThreads, initargs=(1,)) as pool:

        def mapped(work: Callable[[Any], Any], of: Sequence[Any]) -> Iterable[Any]:
            return pool.map(work, of, chunksize=max(1, min(8, len(of) // (4 * jobs))))

        yield mapped


def with_fingerprint(picture: Picture) -> Picture:
    """Return a picture with its fingerprint and reduced copy, where its file can be read."""
    if picture.fingerprint or not picture.path.is_file():
        return picture
    try:
        pixels, _ = picture.pixels()
    except Refusal:
        return picture
    taken, small = fingerprint_and_copy(pixels)
    return replace(picture, fingerprint=taken, small=small)


def with_fingerprints(pictures: Sequence[Picture], *, jobs: int = 1) -> list[Picture]:
    """Return pictures with their fingerprints and reduced copies, in their order."""
    missing = [at for at, one in enumerate(pictures) if not one.fingerprint and one.path.is_file()]
    out = [*pictures]
    with spread(jobs if len(missing) >= 8 else 1) as mapped:
        for at, done in zip(missing, mapped(with_fingerprint, [out[at] for at in missing]), strict=True):
            out[at] = done
    return out


def find_reuse(
    pictures: Sequence[Picture],
    known: Sequence[Picture] = (),
    *,
    jobs: int = 1,
    recall: Recall = no_copies,
) -> tuple[Reuse, ...]:
    """Return the pairs of pictures that show one spot, among ``pictures`` and between them and ``known`` ones.

    ``recall`` is asked for the reduced copies of candidates that have neither a file nor one: a store need not give
    all its pictures out for a few. Files that cannot be read, or without any texture, take no part. A pair is reported
    once, in the given order.
    """
    everyone = with_fingerprints([*pictures, *known], jobs=jobs)
    with spread(jobs if len(everyone) >= 8 else 1) as mapped:
        readable = [at for at, one in enumerate(everyone) if one.fingerprint]
        prints = [everyone[at].fingerprint for at in readable]
        old = sum(at >= len(pictures) for at in readable)
        same = _same_files(everyone, len(pictures))
        near = closest(find_candidates([one for one in prints if one], known=old))
        pairs = [(readable[one.first], readable[one.second]) for one in near]
        pairs = [pair for pair in pairs if pair not in same]
        # neighbours in this order share pictures, which a worker then reads once
        pairs.sort()
        _complete(everyone, {at for pair in pairs for at in pair}, recall)
        shown = mapped(_verified, [(everyone[first], everyone[second]) for first, second in pairs])
        found = {pair: one for pair, one in zip(pairs, shown, strict=True) if one}
    found |= {pair: Reuse(everyone[pair[0]], everyone[pair[1]], None, None) for pair in same}
    return tuple(found[pair] for pair in sorted(found))


def _complete(everyone: list[Picture], wanted: Collection[int], recall: Recall) -> None:
    """Give those wanted that are not at hand their reduced copies."""
    lacking = [at for at in wanted if not everyone[at].at_hand]
    copies = recall({everyone[at].sha256 for at in lacking}) if lacking else {}
    for at in lacking:
        everyone[at] = replace(everyone[at], small=copies.get(everyone[at].sha256, b""))


def _same_files(everyone: Sequence[Picture], new: int) -> set[tuple[int, int]]:
    """Return the places of entries with the same bytes, each of the first ``new`` paired with the first that had them,
    a known one before all others."""
    first: dict[str, int] = {}
    pairs = set()
    for at in (*range(new, len(everyone)), *range(new)):
        sha256 = everyone[at].sha256
        if sha256 and sha256 in first and at < new:
            pairs.add((min(first[sha256], at), max(first[sha256], at)))
        first.setdefault(sha256, at)
    return pairs


def closest(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Return the candidates, at most MOST_CANDIDATES for each picture, most votes first."""
    taken: dict[int, int] = {}
    out = []
    for one in candidates:
        if min(taken.get(one.first, 0), taken.get(one.second, 0)) < MOST_CANDIDATES:
            out.append(one)
            for at in (one.first, one.second):
                taken[at] = taken.get(at, 0) + 1
    return out


def _verified(pair: tuple[Picture, Picture]) -> Reuse | None:
    """Return the re-use of two candidates, None where they are two pictures after all."""
    first, second = pair
    assert first.fingerprint is not None
    assert second.fingerprint is not None
    laid = register(first.fingerprint, second.fingerprint)
    if laid is None or not (first.at_hand and second.at_hand):
        return None
    (one, factor), (other, other_factor) = _working_of(first), _working_of(second)
    scale = laid.scale * factor / other_factor
    if not (0.1 < scale < 10 and np.isfinite(laid.matrix).all()):
        return None
    like = likeness(one, other, laid, factors=(factor, other_factor))
    if like.mean < LEAST_LIKENESS or like.tiles < FEWEST_TILES:
        return None
    return Reuse(first, second, laid, like)


@lru_cache(maxsize=64)
def _working_of(picture: Picture) -> tuple[Grey, float]:
    pixels, reduced = picture.pixels()
    small, factor = working(pixels)
    return small, factor * reduced
