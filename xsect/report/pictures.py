"""Pictures for pages: a section's figures made lighter than the files that were written."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.report.page import SectionPage


@dataclass(frozen=True)
class PagePictures:
    """JPEG files of one section's figures; empty where it has none."""

    marked: bytes = b""
    thumb: bytes = b""
    strip: bytes = b""
    layers: bytes = b""


def page_pictures(page: SectionPage, out: Path) -> PagePictures:
    """Return a section's figures, read below ``out``, as JPEG for print (300 dots per inch) and a thumb."""
    if page.marked is None:
        return PagePictures()
    marked = _read(out / page.marked.path)
    strip, layers = (
        b"" if one is None else _jpeg(_read(out / one.path), longest=1600)
        for one in (page.strip, page.layers)
    )
    return PagePictures(_jpeg(marked, longest=1400), _jpeg(marked, longest=240), strip, layers)


def data_uri(jpeg: bytes) -> str:
    """Return a JPEG picture as a data URI."""
    return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode()


def _read(path: Path) -> NDArray[np.uint8]:
    pixels = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if pixels is None:
        raise OSError(f"{path}: the figure cannot be read back")
    return np.asarray(pixels, dtype=np.uint8)


def _jpeg(pixels: NDArray[np.uint8], *, longest: int) -> bytes:
    """Return a BGR picture as JPEG, at most ``longest`` px, with whole colours: thin lines stay sharp."""
    factor = longest / max(pixels.shape[:2])
    small = (
        cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA) if factor < 1 else pixels
    )
    settings = [cv2.IMWRITE_JPEG_QUALITY, 82]
    settings += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    _, data = cv2.imencode(".jpg", small, settings)
    return data.tobytes()
