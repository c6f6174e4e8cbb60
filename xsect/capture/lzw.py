"""A look at LZW data before it is decoded.

The decoder in use checks every code but one: a first code after a clear code that is not a literal makes it
read outside its table, and a damaged strip then ends the whole process instead of one section.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

_CLEAR, _END = 256, 257
_LONGEST_RUN: Final = 4096


def _schedule() -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return bit offset and width of the codes after a clear code (TIFF 6.0, section 13: 9 to 12 bits, one
    code early); they depend on nothing but the count."""
    known = 258 + np.maximum(np.arange(_LONGEST_RUN) - 1, 0)
    width = np.clip(np.floor(np.log2(known + 1)).astype(np.int64) + 1, 9, 12)
    return np.cumsum(width) - width, width


_OFFSET, _WIDTH = _schedule()


def lzw_is_sound(data: bytes) -> bool:
    """Whether LZW data starts with a clear code, and each clear code is followed by a literal, another clear
    code or the end."""
    padded = np.frombuffer(data + b"\0\0\0", np.uint8)
    total = len(data) * 8
    if _codes(padded, np.array([0]), np.array([9]))[0] != _CLEAR:
        return False
    start = 9
    while start + 9 <= total:
        count = int(np.searchsorted(_OFFSET + _WIDTH, total - start, side="right"))
        codes = _codes(padded, start + _OFFSET[:count], _WIDTH[:count])
        if codes[0] > _END:
            return False
        marks = np.flatnonzero((codes == _CLEAR) | (codes == _END))
        if not len(marks) or codes[marks[0]] == _END:
            return True
        start += int(_OFFSET[marks[0]] + _WIDTH[marks[0]])
    return True


def _codes(
    padded: NDArray[np.uint8], position: NDArray[np.int64], width: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return the codes at bit positions; one of up to 12 bits lies within three bytes."""
    byte = position >> 3
    first, second, third = (padded[byte + i].astype(np.int64) for i in range(3))
    window = (first << 16) | (second << 8) | third
    codes: NDArray[np.int64] = (window >> (24 - (position & 7) - width)) & ((1 << width) - 1)
    return codes
