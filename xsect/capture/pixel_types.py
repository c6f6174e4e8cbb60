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


def settle(array: NDArray[Any], *, alpha: bool = False, bits: int = 0, min_is_white: bool = False) -> Decoded:
    """Return the pixels of a decoded (rows, cols) or (rows, cols, samples) array in RGB order.

    ``alpha``: the last sample is opacity. It is not blended; pixels not wholly opaque are reported as
    transparent, for what shows there depends on the viewer. ``bits``: how many the file states for a sample,
    0 where it states none. Samples of under 8 bit are stretched to 8; values of 10, 12 or 14 bit in 16-bit
    words to 16, so that the top of the range means saturation. ``min_is_white``: 0 is white. RGB pictures
    whose three samples agree everywhere become grey. ``array`` may be overwritten, to save memory. Refuses
    values that are not whole numbers from 0 to 65535.
    """
    notes: list[str] = []
    values: NDArray[Any] = whole_numbers(array)
    if 1 < bits < 8 and values.dtype == np.uint8:
        values = values * np.uint8(255 // (2**bits - 1))
    transparent = None
    if alpha:
        opacity, values = values[..., -1], values[..., :-1]
        transparent, note = _transparent(opacity)
        notes.append(note)
    if values.dtype == np.uint16:
        values, used = _fill_range(values, bits)
        if used < 16:
            notes.append(f"values of {used} bit in 16-bit words")
    if min_is_white:
        values = np.iinfo(values.dtype).max - values
        notes.append("0 means white in the file: turned round")
    if values.ndim == 3 and (values.shape[2] == 1 or _grey(values)):
        values = values[..., 0]
    return Decoded(np.ascontiguousarray(values), transparent, tuple(notes))


def orientation_note(orientation: int) -> tuple[str, ...]:
    """Return a note on an orientation tag other than 1 (upright)."""
    return () if orientation == 1 else (f"orientation {int(orientation)} of the file is not applied",)


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


def _fill_range(values: NDArray[Any], bits: int) -> tuple[NDArray[Any], int]:
    """Stretch values of fewer than 16 bits; where the file does not state fewer, the largest value tells."""
    if not 8 < bits < 16:
        bits = next(bits for bits in (8, 10, 12, 14, 16) if int(values.max()) < 2**bits)
    if bits == 8:
        return values.astype(np.uint8), 8
    if bits < 16:
        # Repeating the top bits below maps the largest value to 65535 exactly.
        repeated = values >> (2 * bits - 16)
        values <<= 16 - bits
        values |= repeated
    return values, bits


def _grey(values: NDArray[Any]) -> bool:
    """Whether red, green and blue agree everywhere; a coarse look first spares colour pictures the full
    one."""
    first, *others = cv2.split(values[::16, ::16])
    if not all(np.array_equal(first, other) for other in others):
        return False
    return all(np.array_equal(values[..., 0], values[..., band]) for band in range(1, values.shape[2]))
