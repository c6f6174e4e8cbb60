"""Pictures that audits leave in a record store: found again though changed, and shown though the file is gone."""

import dataclasses
import hashlib
from collections.abc import Collection, Mapping
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.audit.test_command import lot_of
from xsect.audit.remembered import pictures_in_store, remember, remember_lot, small_copies
from xsect.audit.reuse import Picture, find_reuse, with_fingerprints
from xsect.lots.database import open_store
from xsect.report.audit_figures import evidence_jpeg


@pytest.fixture
def store(files: list[Path], tmp_path: Path) -> Path:
    where = tmp_path / "records.db"
    package = lot_of("L1", ["A", "B"])
    shown = [Picture(path.stem, path, path.stem * 64, f"L1/{path.stem}") for path in files[:2]]
    earlier = [Picture("old.jpg", files[2], "C" * 64, "")]
    with open_store(where, create=True) as opened:
        prepared, old = with_fingerprints(shown), with_fingerprints(earlier)
        assert remember(opened, package, prepared, old) == 3
        assert remember(opened, package, prepared, old) == 0
    return where


def test_a_changed_copy_is_found_without_the_first_file(
    store: Path, sections: list[np.ndarray], tmp_path: Path
) -> None:
    changed = cv2.resize(sections[1][:, ::-1], None, fx=0.8, fy=0.8, interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(tmp_path / "new.png"), np.ascontiguousarray(changed[..., ::-1]))
    with open_store(store) as opened:
        known = pictures_in_store(opened, lot_of("L2", ["N"]))
        assert not any(one.at_hand for one in known)
        asked: list[str] = []

        def recall(sha256s: Collection[str]) -> Mapping[str, bytes]:
            asked.extend(sha256s)
            return small_copies(opened, sha256s)

        (found,) = find_reuse([Picture("N", tmp_path / "new.png", "n" * 64, "L2/N")], known, recall=recall)
    assert "B" * 64 in asked
    assert (found.second.name, found.registration and found.registration.mirrored) == (
        "B of lot L1 (record store)",
        True,
    )
    assert found.registration.scale == pytest.approx(0.8, rel=0.01)  # type: ignore[union-attr]
    assert evidence_jpeg(found).startswith(b"\xff\xd8")


def test_the_packages_own_pictures_do_not_meet_themselves(store: Path) -> None:
    with open_store(store) as opened:
        assert [one.name for one in pictures_in_store(opened, lot_of("L1", ["A", "B"]))] == [
            "old.jpg (record store)"
        ]
        # another package without a lot may call its section A, too
        assert len(pictures_in_store(opened, lot_of("", ["A"]))) == 3


def test_a_measured_lot_leaves_its_pictures(files: list[Path], tmp_path: Path) -> None:
    """Each once, of files that are still what was measured."""
    lot = lot_of("L1", ["A", "B", "C", "D"])
    gone = tmp_path / "gone.jpg"
    paths = [files[0], files[1], files[0], gone]
    same = hashlib.sha256(files[0].read_bytes()).hexdigest()
    hashes = [same, "0" * 64, same, "1" * 64]
    sections = tuple(
        dataclasses.replace(record, row=dataclasses.replace(record.row, image=path), image_sha256=sha256)
        for record, path, sha256 in zip(lot.sections, paths, hashes, strict=True)
    )
    lot = dataclasses.replace(lot, sections=sections)
    with open_store(tmp_path / "records.db", create=True) as opened:
        assert [remember_lot(opened, lot), remember_lot(opened, lot)] == [1, 0]
        (one,) = pictures_in_store(opened, lot_of("L2", []))
        assert (one.name, one.sha256) == ("A of lot L1 (record store)", hashes[0])
        assert one.fingerprint is not None
        assert len(one.fingerprint.points) > 100
