"""Remembered pictures: fingerprints that audits leave in a record store, for later packages to be compared with.

The store's own tables hold a picture's hash only, which a single changed pixel alters. The table here adds what
survives a crop, a mirror or another tone: the picture's details, and a reduced grey copy to compare textures in and to
show as evidence. Rows are only ever added.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

import numpy as np
from sqlalchemy import Column, Integer, LargeBinary, MetaData, Table, Text, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.schema import CreateTable

from xsect.audit.fingerprints import BITS, Fingerprint
from xsect.audit.reuse import Picture
from xsect.lots.database import Store
from xsect.record import LotRecord

PICTURES: Final = Table(
    "audit_pictures", MetaData(),
    Column("sha256", Text, primary_key=True),
    *(Column(name, Text, nullable=False) for name in ("supplier", "lot", "section", "specimen")),
    *(Column(name, Integer, nullable=False) for name in ("rows", "columns")),
    *(Column(name, LargeBinary, nullable=False) for name in ("points", "codes", "mirrored", "small")),
)  # fmt: skip
"""``points``: (k, 4) little-endian float32; ``codes`` and ``mirrored``: (k, 16) bytes; ``small``: a JPEG file. See
Fingerprint and Picture."""


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
        connection.execute(CreateTable(PICTURES, if_not_exists=True))
        before = set(connection.execute(select(PICTURES.c.sha256)).scalars())
        fresh = {row["sha256"]: row for row in reversed(rows) if row["sha256"] not in before}
        if fresh:
            dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
            connection.execute(dialect.insert(PICTURES).on_conflict_do_nothing(), list(fresh.values()))
    return len(fresh)


def pictures_in_store(store: Store, lot: LotRecord) -> list[Picture]:
    """Return the pictures that a record store knows, those of the package's own sections left out.

    Pictures of earlier audits come with their fingerprints; of other sections the store has the hash only, which finds
    a file that is sent again unchanged.
    """
    from xsect.lots.schema import sections
    from xsect.lots.store import current

    own = {(record.row.supplier, record.row.lot, record.row.section) for record in lot.sections}
    sent = {(record.row.section, record.image_sha256) for record in lot.sections}

    def is_own(supplier: str, lot_name: str, section: str, sha256: str) -> bool:
        # without a lot, the same section name may stand for another package's
        return (supplier, lot_name, section) in own if lot_name else (section, sha256) in sent

    with store.reading() as connection:
        there = connection.dialect.has_table(connection, PICTURES.name)
        audited = connection.execute(select(PICTURES).order_by(PICTURES.c.sha256)).all() if there else []
        query = current(sections.c.supplier, sections.c.lot, sections.c.section, sections.c.image_sha256)
        measured = connection.execute(query.order_by(sections.c.id)).all()
    found = [
        Picture(
            _name(row.section, row.lot), Path(), row.sha256, row.specimen,
            Fingerprint(
                (row.rows, row.columns), np.frombuffer(row.points, "<f4").reshape(-1, 4),
                *(np.frombuffer(codes, np.uint8).reshape(-1, BITS // 8) for codes in (row.codes, row.mirrored)),
            ),
            row.small,
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


def _name(section: str, lot: str) -> str:
    return f"{section} of lot {lot} (record store)" if lot else f"{section} (record store)"
