"""Known pictures: earlier ones that a package's pictures are compared with, in folders and in the record store."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from xsect.audit.reuse import Picture
from xsect.lots.database import Store
from xsect.record import LotRecord

ENDINGS: Final = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp")


def pictures_in(folders: Iterable[Path], lot: LotRecord) -> list[Picture]:
    """Return the picture files below folders, by name; the package's own files are left out."""
    own = {record.row.image.resolve() for record in lot.sections}
    return [
        Picture(path.relative_to(folder).as_posix(), path, _sha256(path), "")
        for folder in folders
        for path in sorted(folder.rglob("*"))
        if path.suffix.lower() in ENDINGS and path.is_file() and path.resolve() not in own
    ]


def pictures_in_store(store: Store, lot: LotRecord) -> list[Picture]:
    """Return the pictures that a record store knows, by their hashes: it does not keep the pictures themselves.

    Sections of the package that the store holds already are left out.
    """
    from xsect.lots.schema import sections
    from xsect.lots.store import current

    own = {(record.row.supplier, record.row.lot, record.row.section) for record in lot.sections}
    query = current(sections.c.supplier, sections.c.lot, sections.c.section, sections.c.image_sha256)
    with store.reading() as connection:
        rows = connection.execute(query.order_by(sections.c.id)).all()
    return [
        Picture(f"{name} of lot {lot_name} (record store)", Path(), sha256, "")
        for supplier, lot_name, name, sha256 in rows
        if sha256 and (supplier, lot_name, name) not in own
    ]


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
