"""Remembered pictures: fingerprints in a record store, for later packages to be compared with.

A section's record holds its picture's hash, which a single changed pixel alters. Beside it the store keeps what
survives a crop, a mirror or another tone: the picture's details, and a reduced grey copy to compare textures in and to
show as evidence. Rows are only ever added.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
from sqlalchemy import select
from sqlalchemy.dialects import postgresql, sqlite

from xsect.audit.fingerprints import BITS, Fingerprint
from xsect.audit.reuse import Picture, specimen_of, with_fingerprints
from xsect.lots.database import Store
from xsect.lots.events import append, login, now
from xsect.lots.schema import pictures as table
from xsect.record import LotRecord, SectionRecord

_BATCH: Final = 500
"""Pictures looked at before what was found is kept: about 20 MB."""


def remember(
    store: Store, lot: LotRecord, pictures: Sequence[Picture], earlier: Iterable[Picture] = ()
) -> int:
    """Add a package's pictures, one for each of its sections, and ``earlier`` ones from folders to a store; return how
    many it did not have yet. Pictures without a fingerprint are left out."""
    named = [(row.supplier, row.lot, row.section) for row in (record.row for record in lot.sections)]
    shown = [*zip(named, pictures, strict=True), *((("", "", one.name), one) for one in earlier)]
    rows = [
        {
            "sha256": one.sha256, "supplier": supplier, "lot": lot_name, "section": section,
            "specimen": one.specimen,
            "rows": one.fingerprint.shape[0], "columns": one.fingerprint.shape[1],
            "points": one.fingerprint.points.astype("<f4").tobytes(), "codes": one.fingerprint.codes.tobytes(),
            "mirrored": one.fingerprint.mirrored.tobytes(), "small": one.small,
        }
        for (supplier, lot_name, section), one in shown
        if one.sha256 and one.fingerprint
    ]  # fmt: skip
    with store.writing() as connection:
        before = set(connection.execute(select(table.c.sha256)).scalars())
        fresh = {row["sha256"]: row for row in reversed(rows) if row["sha256"] not in before}
        if fresh:
            dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
            connection.execute(dialect.insert(table).on_conflict_do_nothing(), list(fresh.values()))
            append(connection, "pictures kept", at=now(), who=login(), number=len(fresh))
    return len(fresh)


def remember_lot(store: Store, lot: LotRecord, *, jobs: int = 1) -> int:
    """Add the pictures of a measured lot that a store does not have yet, from their files; return how many.

    A file that is gone, or no longer the one that was measured, is left out.
    """
    with store.reading() as connection:
        before = set(connection.execute(select(table.c.sha256)).scalars())
    first = {one.image_sha256: one for one in reversed(lot.sections)}
    missing = [one for sha256, one in first.items() if sha256 and sha256 not in before]
    kept = 0
    for at in range(0, len(missing), _BATCH):
        some = missing[at : at + _BATCH]
        shown = with_fingerprints([_as_measured(one) for one in some], jobs=jobs)
        kept += remember(store, replace(lot, sections=tuple(some)), shown)
    return kept


def _as_measured(record: SectionRecord) -> Picture:
    row = record.row
    picture = Picture(row.section, row.image, record.image_sha256, specimen_of(row))
    try:
        with row.image.open("rb") as file:
            same = hashlib.file_digest(file, "sha256").hexdigest() == record.image_sha256
    except OSError:
        same = False
    return picture if same else replace(picture, path=Path())


def pictures_in_store(store: Store, lot: LotRecord) -> list[Picture]:
    """Return the pictures that a record store knows, those of the package's own sections left out.

    They come with their fingerprints, and ``small_copies`` gives more of those that are looked at closely. Of sections
    whose pictures could not be remembered the store has the hash only, which finds a file that is sent again
    unchanged.
    """
    from xsect.lots.schema import sections
    from xsect.lots.store import current

    own = {(record.row.supplier, record.row.lot, record.row.section) for record in lot.sections}
    sent = {(record.row.section, record.image_sha256) for record in lot.sections}

    def is_own(supplier: str, lot_name: str, section: str, sha256: str) -> bool:
        # without a lot, the same section name may stand for another package's
        return (supplier, lot_name, section) in own if lot_name else (section, sha256) in sent

    with store.reading() as connection:
        columns = [column for column in table.c if column is not table.c.small]
        audited = connection.execute(select(*columns).order_by(table.c.sha256)).all()
        query = current(sections.c.supplier, sections.c.lot, sections.c.section, sections.c.image_sha256)
        measured = connection.execute(query.order_by(sections.c.id)).all()
    found = [
        Picture(
            _name(row.section, row.lot), Path(), row.sha256, row.specimen,
            Fingerprint(
                (row.rows, row.columns), np.frombuffer(row.points, "<f4").reshape(-1, 4),
                *(np.frombuffer(codes, np.uint8).reshape(-1, BITS // 8) for codes in (row.codes, row.mirrored)),
            ),
        )
        for row in audited
        if not is_own(row.supplier, row.lot, row.section, row.sha256)
    ]  # fmt: skip
    remembered = {row.sha256 for row in audited}
    return found + [
        Picture(_name(section, lot_name), Path(), sha256, "")
        for supplier, lot_name, section, sha256 in measured
        if sha256 and sha256 not in remembered and not is_own(supplier, lot_name, section, sha256)
    ]


def small_copies(store: Store, sha256s: Collection[str]) -> dict[str, bytes]:
    """Return the reduced copies that a store has of some pictures, by their hashes."""
    wanted = sorted(sha256s)
    found: dict[str, bytes] = {}
    with store.reading() as connection:
        for at in range(0, len(wanted), _BATCH):
            query = select(table.c.sha256, table.c.small).where(table.c.sha256.in_(wanted[at : at + _BATCH]))
            found |= {row.sha256: row.small for row in connection.execute(query)}
    return found


def _name(section: str, lot: str) -> str:
    return f"{section} of lot {lot} (record store)" if lot else f"{section} (record store)"
