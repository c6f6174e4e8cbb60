"""Known pictures: earlier ones in folders, that a package's pictures are compared with."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from xsect.audit.reuse import Picture
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


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
