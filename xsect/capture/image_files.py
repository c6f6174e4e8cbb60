"""Pictures in: PNG, JPEG, BMP and TIFF files, told apart by what is inside, never by the file's name."""

from __future__ import annotations

import hashlib
import io
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.metadata_scale import NO_METADATA, Metadata, from_pillow
from xsect.capture.pixel_types import Decoded, Pixels, UnreadableError, orientation_note, settle
from xsect.reasons import Refusal

MAX_PIXELS: Final = 500_000_000
MIN_SIDE: Final = 64
_SIGNATURES: Final = (
    (b"\x89PNG\r\n\x1a\n", "PNG"), (b"\xff\xd8\xff", "JPEG"), (b"BM", "BMP"),
    (b"II*\0", "TIFF"), (b"MM\0*", "TIFF"), (b"II+\0", "TIFF"), (b"MM\0+", "TIFF"),
)  # fmt: skip
_OTHERS: Final = (
    (b"GIF8", "a GIF picture"), (b"%PDF", "a PDF document"), (b"PK\x03\x04", "a ZIP or Office file"),
    (b"\0\0\0\x0cjP", "a JPEG 2000 picture"), (b"RIFF", "a WebP picture or other RIFF file"),
    (b"<?xml", "an XML file"), (b"<svg", "an SVG drawing"), (b"%!PS", "a PostScript file"),
)  # fmt: skip

cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)  # what fails to decode is told by a refusal


@dataclass(frozen=True)
class RawImage:
    """A picture as its file holds it.

    ``pixels``: (rows, cols) grey or (rows, cols, 3) RGB, uint8 or uint16. ``transparent``: pixels that are
    not wholly opaque, None where there are none. ``metadata``: scales that the file states. ``notes``: what
    was done on reading, in plain words. ``kind`` is "PNG", "JPEG", "BMP" or "TIFF".
    """

    pixels: Pixels
    sha256: str
    kind: str
    transparent: NDArray[np.bool_] | None = None
    metadata: Metadata = NO_METADATA
    notes: tuple[str, ...] = ()


def read_image(path: str | Path, *, name: str = "", max_pixels: int = MAX_PIXELS) -> RawImage:
    """Read a picture; ``name`` is what messages call it (the path by default).

    The size is read from the header and checked before anything is decoded. The orientation tag is not
    applied: positions in the record are those of the stored rows and columns. Raises Refusal image_missing,
    image_unreadable, image_too_large (above ``max_pixels``) or image_too_small (a side under 64 px).
    """
    path = Path(path)
    name = name or str(path)

    def check_size(columns: int, rows: int) -> None:
        if columns * rows > max_pixels:
            detail = f"{columns} × {rows} px is above the limit of {max_pixels / 1e6:g} megapixels"
            raise Refusal("image_too_large", image=name, detail=detail)
        if min(columns, rows) < MIN_SIDE:
            raise Refusal(
                "image_too_small",
                image=name,
                detail=f"{columns} × {rows} px: a side must have {MIN_SIDE} px at least",
            )

    try:
        kind = _kind(path)
        if kind == "TIFF":
            from xsect.capture.tiff_files import read_tiff

            with path.open("rb") as file:
                sha256 = hashlib.file_digest(file, "sha256").hexdigest()
            decoded, metadata = read_tiff(path, check_size=check_size)
            return RawImage(decoded.pixels, sha256, kind, decoded.transparent, metadata, decoded.notes)
        data = path.read_bytes()
        sha256 = hashlib.sha256(data).hexdigest()
        header, exif = _open_header(data, kind)
        check_size(*header.size)
        decoded = _decode(data, kind, header.mode)
        notes = decoded.notes
        notes += orientation_note(exif.get(0x0112, 1))
        return RawImage(decoded.pixels, sha256, kind, decoded.transparent, from_pillow(header, exif), notes)
    except FileNotFoundError:
        raise Refusal("image_missing", image=name) from None
    except MemoryError:
        raise Refusal("image_too_large", image=name, detail="it does not fit into memory") from None
    except OSError as error:
        raise Refusal("image_unreadable", image=name, detail=error.strerror or str(error)) from error
    except UnreadableError as error:
        raise Refusal("image_unreadable", image=name, detail=str(error)) from error


def _kind(path: Path) -> str:
    if path.is_dir():
        raise UnreadableError("is a folder, not a picture")
    with path.open("rb") as file:
        start = file.read(16)
    if not start:
        raise UnreadableError("the file is empty")
    for signature, kind in _SIGNATURES:
        if start.startswith(signature):
            return kind
    found = next((what for signature, what in _OTHERS if start.startswith(signature)), "not a picture")
    raise UnreadableError(f"{found}: PNG, JPEG, BMP and TIFF are read")


def _open_header(data: bytes, kind: str) -> tuple[Any, Any]:
    """Read header and metadata with pillow. Its plugins are called directly: its own size limit warns and
    raises at sizes that are common for mosaics, and ours follows at once."""
    from PIL import BmpImagePlugin, Image, JpegImagePlugin, PngImagePlugin

    plugins: dict[str, Any] = {
        "PNG": PngImagePlugin.PngImageFile,
        "JPEG": JpegImagePlugin.JpegImageFile,
        "BMP": BmpImagePlugin.BmpImageFile,
    }
    try:
        header = plugins[kind](io.BytesIO(data))
        exif = Image.Exif()
        exif.load(header.info.get("exif", b""))  # a PNG's getexif() would decode the whole picture
        return header, exif
    except Exception as error:  # a damaged header raises SyntaxError, struct.error, ValueError and others
        raise UnreadableError(f"damaged {kind} header") from error


def _decode(data: bytes, kind: str, mode: str) -> Decoded:
    if mode in ("CMYK", "YCCK"):
        raise UnreadableError("colours kept as CMYK: save the picture as grey or RGB")
    if (kind == "PNG" and not _png_complete(data)) or (kind == "JPEG" and not _jpeg_complete(data)):
        raise UnreadableError(f"the {kind} file is damaged or cut short")
    try:
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error:  # its own limits on sides
        picture = None
    if picture is None:
        raise UnreadableError(f"the {kind} file is damaged or cut short")
    alpha = picture.ndim == 3 and picture.shape[2] == 4
    if picture.ndim == 3:
        picture = cv2.cvtColor(picture, cv2.COLOR_BGRA2RGBA if alpha else cv2.COLOR_BGR2RGB)
    return settle(picture, alpha=alpha)


def _png_complete(data: bytes) -> bool:
    """Whether every chunk up to IEND is there with its right checksum (PNG specification, 5.3)."""
    position = 8
    while position + 12 <= len(data):
        length = int.from_bytes(data[position : position + 4], "big")
        end = position + 8 + length
        if zlib.crc32(memoryview(data)[position + 4 : end]) != int.from_bytes(data[end : end + 4], "big"):
            return False
        if data[position + 4 : position + 8] == b"IEND":
            return True
        position = end + 4
    return False


def _jpeg_complete(data: bytes) -> bool:
    """Whether an end-of-image marker follows the first scan (ITU-T T.81, B.1.1); earlier ones may belong to a
    thumbnail inside the header segments."""
    position = 2
    while position + 4 <= len(data) and data[position] == 0xFF:
        marker = data[position + 1]
        if marker == 0xDA:
            return data.find(b"\xff\xd9", position) >= 0
        position += 1 if marker == 0xFF else 2 + int.from_bytes(data[position + 2 : position + 4], "big")
    return False
