"""Pictures of every kind: repeatable, of the size asked for, with a truth that agrees with itself."""

import numpy as np
import pytest

from tests.synth.test_geometry import PLAIN
from xsect.quantities import QUANTITIES
from xsect.synth import DIFFICULTIES, KINDS, Look, draw, render
from xsect.synth.design import Plating
from xsect.synth.unusable import WAYS, spoil


@pytest.mark.parametrize("difficulty", DIFFICULTIES)
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_draws_at_every_difficulty(kind: str, difficulty: str) -> None:
    drawn = draw(kind, difficulty, 3, width_px=320)
    truth = drawn.truth
    assert drawn.pixels.shape[1] == 320
    assert drawn.pixels.dtype in (np.uint8, np.uint16)
    assert set(truth.quantities) <= set(QUANTITIES)
    assert len(truth.notches) == len(truth.segments)
    assert truth.usable == (kind != "unusable")
    assert all(np.isfinite(value) for value in truth.quantities.values())
    for left, right in truth.notches:
        assert left[0] < right[0]
        assert all(0 < x < 320 and 0 < y < drawn.pixels.shape[0] for x, y in (left, right))


@pytest.mark.parametrize("kind", ["segments", "plated_residual", "no_bond"])
@pytest.mark.parametrize("seed", range(4))
def test_segments_add_up_to_the_section(kind: str, seed: int) -> None:
    truth = draw(kind, "fair", seed, width_px=160).truth
    whole, parts = truth.quantities, truth.segments
    assert whole["bond_width"] == pytest.approx(sum(part["bond_width"] for part in parts))
    assert whole["bonded_length"] == pytest.approx(sum(part["bonded_length"] for part in parts))
    assert all(0 < part["continuity"] <= 1 for part in parts)


def test_same_arguments_same_picture_other_seed_another() -> None:
    first, again, other = (draw("plated", "hard", seed, width_px=240) for seed in (5, 5, 6))
    assert np.array_equal(first.pixels, again.pixels)
    assert first.truth == again.truth
    assert first.truth != other.truth


@pytest.mark.parametrize("kind", ["etched", "bse", "steel_fusion"])
def test_width_changes_the_sampling_not_the_scene(kind: str) -> None:
    small, large = (draw(kind, "fair", 2, width_px=width).truth for width in (200, 400))
    assert small.um_per_px == pytest.approx(2 * large.um_per_px)
    # Waves of the line are summed over stations 1/16 px apart.
    assert small.quantities["bond_width"] == pytest.approx(large.quantities["bond_width"], rel=1e-4)
    assert np.allclose(np.array(small.notches) * 2, np.array(large.notches), atol=1.5)


def test_plain_look_is_coverage() -> None:
    """Gap black, metal white, nothing else: the missing light of a column is its opening."""
    pixels = render(PLAIN, Look(), 0)
    dark = 1 - pixels[:, 400].astype(float)[60:240] / 65535
    assert dark.sum() == pytest.approx(0.1 * (400 - 250 - 80), abs=0.02)


def test_blur_and_camera_keep_the_missing_light() -> None:
    """Blur moves edges but keeps their integral; noise of 1 % a pixel over 170 rows of 10 adds 0.04 px."""
    look = Look(blur_px=1.5, electrons=10000, read_noise=0.002, exposure=0.8, bits=8)
    pixels = render(PLAIN, look, 1)
    dark = 1 - pixels[60:230, 395:405].astype(float).mean(axis=1) / (0.8 * 255)
    assert dark.sum() == pytest.approx(0.1 * (399.5 - 250 - 80), abs=0.15)


def test_data_strip_is_added_below_the_picture() -> None:
    plain, strip = (render(PLAIN, Look(strip=name, bits=8), 0) for name in ("", "black"))
    assert strip.shape[0] > plain.shape[0]
    assert np.array_equal(strip[: plain.shape[0]], plain)


def test_tin_in_colour_is_paler_than_copper() -> None:
    design = PLAIN.__class__(**{**vars(PLAIN), "plating": Plating(4.0, 4.0, fill=2.0)})
    look = Look(upper=(0.9, 0.6, 0.5), lower=(0.9, 0.6, 0.5), tin=(0.8, 0.8, 0.8), grey=False, bits=8)
    pixels = render(design, look, 0)
    tin, copper = pixels[148, 430].astype(int), pixels[100, 250].astype(int)
    assert abs(int(tin[0] - tin[2])) < 12 < int(copper[0] - copper[2])


@pytest.mark.parametrize("way", WAYS)
def test_spoilt_pictures_keep_their_size(way: str) -> None:
    pixels = render(PLAIN, Look(bits=8), 0)
    assert spoil(way, pixels, np.random.default_rng(0)).shape[:2] == pixels.shape


@pytest.mark.parametrize(("kind", "difficulty"), [("riveted", "easy"), ("etched", "gentle")])
def test_unknown_names_are_refused(kind: str, difficulty: str) -> None:
    with pytest.raises(ValueError, match="must be one of"):
        draw(kind, difficulty, 0)
