"""Pixel types: from whatever a file decodes to, to grey or RGB pixels of 8 or 16 bit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8] | NDArray[np.uint16]


class UnreadableError(Exception):
    """A picture that cannot be read; the message says why, without the file's name."""


@dataclass(frozen=True)
class Decoded:
    """Grey (rows, cols) or RGB (rows, cols, 3) pixels, the mask of transparent ones (None where there are
    none), and what was done to them."""

    pixels: Pixels
    transparent: NDArray[np.bool_] | None = None
    notes: tuple[str, ...] = ()


def settle(array: NDArray[Any], *, alpha: bool = False, inverted_bits: int = 0) -> Decoded:
    """Return the pixels of a decoded (rows, cols) or (rows, cols, samples) array in RGB order.

    ``alpha``: the last sample is opacity. It is not blended; pixels not wholly opaque are reported as
    transparent, for what shows there depends on the viewer. ``inverted_bits``: bits of a grey picture whose 0
    is white. Values of 10, 12 or 14 bit kept in 16-bit words are stretched to 16 bit so that the top of the
    range means saturation. RGB pictures whose three samples agree everywhere become grey. Refuses values that
    are not whole numbers from 0 to 65535.
    """
    notes: list[str] = []
    values: NDArray[Any] = whole_numbers(array)
    if values.ndim == 3 and values.shape[2] == 1:
        values = values[..., 0]
    transparent = None
    if alpha:
        opacity, values = values[..., -1], values[..., :-1]
        transparent, note = _transparent(opacity)
        notes.append(note)
    if inverted_bits:
        values = (2**inverted_bits - 1) - values
        notes.append("0 was white and is turned round")
    if values.dtype == np.uint16:
        values, bits = _fill_range(values)
        if bits < 16:
            notes.append(f"values of {bits} bit in 16-bit words")
    if values.ndim == 3 and (values.shape[2] == 1 or _grey(values)):
        values = values[..., 0]
    return Decoded(np.ascontiguousarray(values), transparent, tuple(notes))


def whole_numbers(array: NDArray[Any]) -> NDArray[Any]:
    """Return an array as uint8 or uint16 without changing a value; two-level pictures become 0 and 255."""
    if array.dtype == np.uint8 or array.dtype == np.uint16:
        return array
    if array.dtype == np.bool_:
        return array.astype(np.uint8) * np.uint8(255)
    if array.dtype.kind not in "iuf":
        raise UnreadableError(f"pixels are of type {array.dtype}: save them as 8 or 16 bit")
    low, high = array.min(), array.max()
    if not (low >= 0 and high <= 65535):
        raise UnreadableError(
            f"{array.dtype} pixels reach from {low:g} to {high:g}: they must lie in 0 to 65535, "
            "save them as 8 or 16 bit"
        )
    whole = array.astype(np.uint8 if high <= 255 else np.uint16)
    if array.dtype.kind == "f" and not np.array_equal(whole, array):
        raise UnreadableError(
            "floating-point pixels that are not whole numbers: their black and white are not defined, "
            "save them as 8 or 16 bit"
        )
    return whole


def _transparent(opacity: NDArray[Any]) -> tuple[NDArray[np.bool_] | None, str]:
    """Return the mask of pixels that are not wholly opaque; an all-zero channel is one that nobody filled."""
    full = np.iinfo(opacity.dtype).max
    if not opacity.any():
        return None, "empty alpha channel dropped"
    mask = opacity < full
    if not mask.any():
        return None, "opaque alpha channel dropped"
    return mask, f"{mask.mean():.2%} of the picture is transparent"


def _fill_range(values: NDArray[Any]) -> tuple[NDArray[Any], int]:
    """Stretch values that use only the lower 8, 10, 12 or 14 bits of their words."""
    high = int(values.max())
    if high <= 255:
        return values.astype(np.uint8), 8
    bits = next(bits for bits in (10, 12, 14, 16) if high < 2**bits)
    if bits == 16:
        return values, 16
    # Repeating the top bits below maps the largest value to 65535 exactly.
    return (values << (16 - bits)) | (values >> (2 * bits - 16)), bits


def _grey(values: NDArray[Any]) -> bool:
    """Whether red, green and blue agree everywhere; a coarse look first spares colour pictures the full
    one."""
    first, *others = cv2.split(values[::16, ::16])
    if not all(np.array_equal(first, other) for other in others):
        return False
    return all(np.array_equal(values[..., 0], values[..., band]) for band in range(1, values.shape[2]))
