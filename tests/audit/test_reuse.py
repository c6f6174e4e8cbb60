"""One picture for two specimens: found whatever was done to it; different specimens of one design are not."""

import hashlib
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.bench.audit_changes import CHANGES, first_field
from xsect.audit.candidates import find_candidates
from xsect.audit.fingerprints import Fingerprint, fingerprint, working
from xsect.audit.registration import Likeness, Registration, likeness, register
from xsect.audit.reuse import LEAST_LIKENESS, Picture, Reuse, find_reuse, pairs_to_show


def picture(path: Path, specimen: str = "") -> Picture:
    return Picture(path.stem, path, hashlib.sha256(path.read_bytes()).hexdigest(), specimen)


def write(path: Path, pixels: np.ndarray) -> Path:
    cv2.imwrite(str(path), pixels if pixels.ndim == 2 else pixels[..., ::-1])
    return path


@pytest.fixture(scope="module")
def prints(sections: list[np.ndarray]) -> list[Fingerprint]:
    return [fingerprint(one) for one in sections]


HARD = ("crop to 60 to 80 % a side", "turn by any angle", "gamma 0.55 to 1.8", "neighbouring field",
        "mirror, 0.6 the size, JPEG", "turn ± 12°, crop, gamma", "mirror, crop, grey, label")  # fmt: skip


@pytest.mark.parametrize("name", HARD)
@pytest.mark.parametrize("at", [0, 2], ids=["unetched", "etched"])
def test_a_changed_copy_is_recognised(
    name: str, at: int, sections: list[np.ndarray], prints: list[Fingerprint]
) -> None:
    """Registered textures correlate above the limit: copies reach 0.4 and more on the bench."""
    shown = first_field(sections[at]) if name == "neighbouring field" else sections[at]
    changed = CHANGES[name](sections[at], np.random.default_rng(5))
    one = fingerprint(shown) if name == "neighbouring field" else prints[at]
    other = fingerprint(changed)
    assert [(c.first, c.second) for c in find_candidates([one, other])] == [(0, 1)]
    found = register(one, other)
    assert found is not None
    assert found.mirrored == ("mirror" in name)
    (first, scale), (second, other_scale) = working(shown), working(changed)
    assert likeness(first, second, found, factors=(scale, other_scale)).mean > LEAST_LIKENESS


def test_the_registration_is_that_of_the_change(
    sections: list[np.ndarray], prints: list[Fingerprint]
) -> None:
    """Half the size, mirrored: details lie where the change put them, to a pixel of the working size."""
    changed = cv2.resize(sections[0][:, ::-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    found = register(prints[0], fingerprint(changed))
    assert found is not None
    assert (found.mirrored, found.scale) == (True, pytest.approx(2, rel=0.005))
    assert found.turn_deg == pytest.approx(0, abs=0.2)
    x, y = found.matched[:, 2] * 2, found.matched[:, 3] * 2
    away = np.hypot(sections[0].shape[1] - 1 - found.matched[:, 0] - x, found.matched[:, 1] - y)
    assert np.median(away) < 1.8


@pytest.mark.parametrize("labelled", [False, True], ids=["bare", "with one label"])
def test_twins_of_one_design_are_not_one_picture(labelled: bool, sections: list[np.ndarray]) -> None:
    """The same outlines to the micrometre, laid on each other exactly, and even one and the same label over both: only
    texture can tell, and does. Independent textures correlate by 0 ± 0.01, shading that both share adds a little."""
    twins = sections[:2]
    if labelled:
        twins = [CHANGES["bar and label redrawn"](one, np.random.default_rng(1)) for one in twins]
    same_place = Registration(np.eye(2, 3), False, np.zeros((0, 4), np.float32))
    (first, scale), (second, other) = map(working, twins)
    like = likeness(first, second, same_place, factors=(scale, other))
    assert like.tiles > 50
    assert abs(like.mean) < 0.08


def test_a_package_and_what_was_sent_before(
    sections: list[np.ndarray], files: list[Path], tmp_path: Path
) -> None:
    again = write(tmp_path / "again.png", np.ascontiguousarray(sections[1][:, ::-1]))
    copy = tmp_path / "copy.jpg"
    copy.write_bytes(files[0].read_bytes())
    package = [picture(files[0], "lot/1"), picture(files[2], "lot/3"), picture(copy, "lot/4")]
    found = find_reuse([*package, picture(again)], [picture(files[1])])
    assert [(one.first.name, one.second.name, one.how) for one in found] == [
        ("A", "copy", "the files are the same to the last byte"),
        ("again", "B", "mirrored"),
    ]
    assert not any(one.same_specimen for one in found)


def test_two_fields_of_one_weld_are_told_apart(
    files: list[Path], sections: list[np.ndarray], tmp_path: Path
) -> None:
    rng = np.random.default_rng(3)
    left = write(tmp_path / "left.png", first_field(sections[2]))
    right = write(tmp_path / "right.png", CHANGES["neighbouring field"](sections[2], rng))
    (found,) = find_reuse([picture(left, "lot/3"), picture(right, "lot/3")])
    assert found.same_specimen
    assert "in common" in found.how


def test_pictures_without_texture_take_no_part(tmp_path: Path) -> None:
    blank = [
        write(tmp_path / f"{name}.png", np.full((200, 300), level, np.uint8))
        for name, level in (("a", 9), ("b", 90))
    ]
    gone = Picture("gone", tmp_path / "gone.png", "", "")
    assert find_reuse([*map(picture, blank), gone]) == ()


def test_candidates_of_made_up_codes() -> None:
    """Random codes agree by chance only: no candidates; a copy of one among 60 is the one that is found."""
    rng = np.random.default_rng(8)

    def print_of(codes: np.ndarray) -> Fingerprint:
        points = np.column_stack(
            [rng.uniform(0, 1400, (200, 2)), rng.uniform(2, 9, 200), rng.uniform(0, 360, 200)]
        )
        return Fingerprint((1000, 1400), points.astype(np.float32), codes[0], codes[1])

    prints = [print_of(rng.integers(0, 256, (2, 200, 16), dtype=np.uint8)) for _ in range(60)]
    assert find_candidates(prints) == []
    prints.append(prints[17])
    assert [(one.first, one.second, one.votes) for one in find_candidates(prints)] == [(17, 60, 200)]
    assert find_candidates(prints, known=44) == []  # both are known: nothing new to tell


def alike(pairs: dict[str, float], specimens: dict[str, str] | None = None) -> list[Reuse]:
    """Pairs of pictures with names of one letter, "AB", and how alike they are."""
    said = specimens or {}

    def named(name: str) -> Picture:
        return Picture(name, Path(name), name, said.get(name, name))

    laid = Registration(np.eye(2, 3), False, np.zeros((0, 4), np.float32))
    return [Reuse(named(a), named(b), laid, Likeness(50, mean, 40, 1.0)) for (a, b), mean in pairs.items()]


def test_each_use_of_one_picture_is_shown_beside_one_other() -> None:
    """Four uses of one picture make six pairs, three of which tie them together; D and E are another picture's."""
    found = alike({"AB": 0.6, "AC": 0.9, "AF": 0.5, "BC": 0.8, "BF": 0.4, "CF": 0.7, "DE": 0.5})
    assert pairs_to_show(found, 10) == (1, 3, 5, 6)
    assert pairs_to_show(found, 2) == (1, 3)
    assert pairs_to_show(found, 0) == ()


def test_every_pair_apart_is_shown() -> None:
    assert pairs_to_show(alike({"AB": 0.6, "CD": 0.9, "EF": 0.5}), 10) == (0, 1, 2)


def test_two_specimens_are_shown_before_two_fields_of_one() -> None:
    found = alike({"AB": 0.9, "AC": 0.5, "BC": 0.4}, {"A": "w1", "B": "w1", "C": "w2"})
    assert pairs_to_show(found, 10) == (1, 2)
