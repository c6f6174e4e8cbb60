"""LZW data that would lead the decoder outside its table are told before they are decoded."""

from collections.abc import Sequence

import imagecodecs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from xsect.capture.lzw import lzw_is_sound


def pack(codes: Sequence[int]) -> bytes:
    """Write codes with the widths of TIFF 6.0, section 13, by a plain walk through the table's growth."""
    bits, width, following = "", 9, 0
    for code in codes:
        bits += f"{code:0{width}b}"
        if code == 256:
            width, following = 9, 0
            continue
        following += 1
        # The table holds 258 + following - 1 entries now; the width grows one entry early.
        if 258 + following - 1 in (511, 1023, 2047):
            width += 1
    bits += "0" * (-len(bits) % 8)
    return int(bits, 2).to_bytes(len(bits) // 8, "big")


LONG = [256, *([65] * 3800)]


@pytest.mark.parametrize(
    ("codes", "sound"),
    [
        ([256, 65, 66, 257], True),
        ([256, 257], True),
        ([256, 256, 65, 257], True),
        ([256, 65], True),
        ([65, 66, 257], False),
        ([256, 300, 257], False),
        ([256, 258, 257], False),
        ([256, 65, 66, 256, 65, 257], True),
        ([256, 65, 66, 256, 475, 257], False),
        ([*LONG, *LONG, 257], True),
        ([*LONG, *LONG, 256, 258], False),
        ([*LONG, 257, 256, 475], True),  # nothing is read beyond the end
    ],
)  # fmt: skip
def test_the_first_code_after_each_clear_must_be_a_literal(codes: list[int], sound: bool) -> None:
    assert lzw_is_sound(pack(codes)) == sound


@given(seed=st.integers(0, 99), length=st.integers(0, 40_000), levels=st.sampled_from([1, 2, 16, 256]))
@settings(max_examples=25, deadline=None)
def test_what_an_encoder_writes_is_sound(seed: int, length: int, levels: int) -> None:
    data = np.random.default_rng(seed).integers(0, levels, length, dtype=np.uint8).tobytes()
    packed = imagecodecs.lzw_encode(data)
    assert lzw_is_sound(packed)
    assert imagecodecs.lzw_decode(packed) == data


def test_data_too_short_for_a_code() -> None:
    assert not lzw_is_sound(b"")
    assert not lzw_is_sound(b"\x7f")
