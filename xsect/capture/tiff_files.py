"""TIFF in: the first full page of a TIFF, BigTIFF or OME-TIFF file, whatever its layout and compression."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from xsect.capture.lzw import lzw_is_sound
from xsect.capture.metadata_scale import Metadata, from_tiff
from xsect.capture.pixel_types import Decoded, Pixels, UnreadableError, orientation_note, settle
from xsect.reasons import Refusal

_MIN_IS_WHITE, _MIN_IS_BLACK, _RGB, _PALETTE, _YCBCR = 0, 1, 2, 3, 6
_COLOUR_MODELS = {4: "transparency mask", 5: "CMYK", 8: "CIELab", 32803: "raw colour filter array"}
_LZW = 5
_JPEG_CODES = (6, 7, 33007, 34892)
_ALPHA = (1, 2)
_BUFFER = 2**25  # bytes of packed tiles read ahead; the default of 256 MB is more than most pictures

logging.getLogger("tifffile").setLevel(logging.CRITICAL)  # what is wrong with a file is told by a refusal


def read_tiff(path: Path, *, check_size: Callable[[int, int], None]) -> tuple[Decoded, Metadata]:
    """Read the first page that is not a thumbnail; ``check_size(columns, rows)`` runs before anything is
    decoded.

    Refuses colour models other than grey, palette, RGB and YCbCr, volumes, and files in which any strip or
    tile is missing or reaches beyond the end of the file.
    """
    try:
        with tifffile.TiffFile(path) as tif:
            pages = (page.aspage() for page in tif.pages)
            page = next((page for page in pages if not page.is_reduced), tif.pages.first)
            check_size(int(page.imagewidth), int(page.imagelength))
            _check_layout(page, path.stat().st_size)
            if page.compression == _LZW:
                _check_lzw(page, path)
            decoded = _settle_page(page, page.asarray(buffersize=_BUFFER))
            orientation = page.tags.get("Orientation")
            notes = decoded.notes + orientation_note(1 if orientation is None else orientation.value)
            if len(tif.pages) > 1:
                notes = (f"page {page.index + 1} of {len(tif.pages)}", *notes)
            return Decoded(decoded.pixels, decoded.transparent, notes), from_tiff(tif, page)
    except (UnreadableError, Refusal, MemoryError):
        raise
    except Exception as error:  # damaged files raise almost anything, from struct.error to a codec's own kind
        text = " ".join(str(error).split())[:120]
        raise UnreadableError(f"damaged TIFF ({text or type(error).__name__})") from error


def _check_layout(page: Any, file_size: int) -> None:
    """Refuse what cannot be shown as one picture, and files that end too early."""
    if page.photometric not in (_MIN_IS_WHITE, _MIN_IS_BLACK, _RGB, _PALETTE, _YCBCR):
        model = _COLOUR_MODELS.get(int(page.photometric), f"photometric {int(page.photometric)}")
        raise UnreadableError(f"colours kept as {model}: save the picture as grey or RGB")
    if page.photometric == _YCBCR and int(page.compression) not in _JPEG_CODES:
        raise UnreadableError("colours kept as YCbCr without JPEG: save the picture as RGB")
    if page.axes not in ("YX", "YXS", "SYX"):
        raise UnreadableError(f"axes {page.axes}: a stack, not one picture")
    for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True):
        # Decoders fill what is missing with a constant and say nothing.
        if count == 0 or offset + count > file_size:
            raise UnreadableError("the file is cut short: some strips or tiles are missing")


def _check_lzw(page: Any, path: Path) -> None:
    with path.open("rb") as file:
        for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True):
            file.seek(offset)
            if page.fillorder != 1 or not lzw_is_sound(file.read(count)):
                raise UnreadableError("LZW data that are damaged or of the kind before TIFF 6.0")


def _settle_page(page: Any, array: NDArray[Any]) -> Decoded:
    """Bring a decoded page to grey or RGB samples last, with palette, polarity and alpha resolved."""
    if page.axes == "SYX":
        array = np.moveaxis(array, 0, -1)
    if page.photometric == _PALETTE and array.ndim == 2:
        return settle(_look_up(page.colormap, array))
    colours = 3 if page.photometric in (_RGB, _YCBCR) else 1
    samples = array.shape[2] if array.ndim == 3 else 1
    extra = samples - colours
    if extra < 0:
        raise UnreadableError(f"{samples} samples a pixel, where its colours need {colours}")
    alpha = bool(page.extrasamples) and int(page.extrasamples[0]) in _ALPHA
    dropped = extra - alpha
    if dropped:
        array = array[..., : samples - dropped]
    bits = page.bitspersample if isinstance(page.bitspersample, int) else 0
    decoded = settle(array, alpha=alpha, bits=bits, min_is_white=page.photometric == _MIN_IS_WHITE)
    if dropped:
        note = f"{dropped} extra sample{'s' if dropped > 1 else ''} a pixel dropped"
        return Decoded(decoded.pixels, decoded.transparent, (note, *decoded.notes))
    return decoded


def _look_up(colormap: NDArray[np.uint16], index: NDArray[Any]) -> Pixels:
    """Return the colours of palette indices; a palette holds 16-bit values, most of them 8-bit ones
    repeated."""
    table = (colormap >> (8 if colormap.max() > 255 else 0)).astype(np.uint8)
    colours: NDArray[np.uint8] = table.T[index]
    return colours
