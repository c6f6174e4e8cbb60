"""Traces in one picture: a patch that stands twice, and lines that interpolation leaves."""

import cv2
import numpy as np
import pytest

from xsect.audit.copy_move import find_copied
from xsect.audit.resampled import find_resampling


def jpeg(picture: np.ndarray, quality: int) -> np.ndarray:
    return cv2.imdecode(
        cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_UNCHANGED
    )


@pytest.fixture(scope="module")
def grey(sections: list[np.ndarray]) -> np.ndarray:
    return cv2.cvtColor(sections[2], cv2.COLOR_RGB2GRAY)


def test_a_copied_patch_is_found_where_it_was_put(grey: np.ndarray) -> None:
    """120 × 110 px of 1.4 megapixels, saved without loss: its place to the window's size."""
    copied = grey.copy()
    copied[690:800, 800:920] = grey[581:691, 333:453]
    found = find_copied(copied)
    assert found is not None
    assert (found.twin[0] - found.box[0], found.twin[1] - found.box[1]) == (467, 109)
    assert found.box[:2] == pytest.approx((333, 581), abs=24)
    assert found.likeness > 0.8


def test_untouched_pictures_hold_no_copied_patch(sections: list[np.ndarray]) -> None:
    assert [find_copied(one) for one in sections] == [None] * 3


def test_what_is_burned_in_is_left_out(grey: np.ndarray) -> None:
    copied, covered = grey.copy(), np.zeros(grey.shape, bool)
    copied[690:800, 800:920] = grey[581:691, 333:453]
    covered[690:800, 800:920] = True
    assert find_copied(copied, burned_in=lambda: covered) is None


@pytest.mark.parametrize("factor", [1.5, 1.7])
def test_enlarged_jpegs_tell_by_how_much(factor: float, grey: np.ndarray) -> None:
    """Blocks of 8 px are then 8 · factor wide; the spectrum resolves them to about one part in a hundred."""
    large = cv2.resize(jpeg(grey, 90), None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
    found = find_resampling(jpeg(large, 92))
    assert found is not None
    assert found.blocks_px / 8 == pytest.approx(factor, rel=0.02)


def test_pictures_as_taken_show_no_trace(sections: list[np.ndarray]) -> None:
    assert [find_resampling(one) for one in sections] == [None] * 3
    assert [find_resampling(jpeg(np.ascontiguousarray(one), 85)) for one in sections] == [None] * 3


def test_small_pictures_say_nothing() -> None:
    assert find_resampling(np.zeros((100, 100), np.uint8)) is None
    assert find_copied(np.full((80, 80), 90, np.uint8)) is None
