"""Scale bars of known ends, drawn over a noisy picture and stored with and without JPEG.

Tolerances: 0.2 px where every pixel is stored as drawn, 0.7 px after JPEG, which stores colour at half the
resolution (a bar of 300 px then still gives the scale to 0.2 %).
"""

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from xsect.capture.scale_bar import BarReading, read_scale_bar
from xsect.reasons import Refusal

REAL = Path(__file__).parents[3] / "shared" / "real"
Picture = NDArray[np.uint8]
INKS = {"black": (0, 0, 0), "white": (255, 255, 255), "red": (255, 0, 0), "green": (0, 255, 0)}
SIZE = 1.1
FACE = cv2.FONT_HERSHEY_SIMPLEX


def ground(seed: int = 1) -> Picture:
    """Copper-coloured metal above a dark mount, with noise, pores and a level gap that runs out of the picture."""
    rng = np.random.default_rng(seed)
    grey = np.full((420, 640), 165.0) + cv2.resize(rng.normal(0, 12, (42, 64)), (640, 420))
    for _ in range(40):
        axes = (int(rng.integers(2, 8)), int(rng.integers(1, 4)))
        cv2.ellipse(grey, (int(rng.integers(640)), int(rng.integers(420))), axes, 0, 0, 360, 0.0, -1)
    grey[250:258, :210] = 0
    grey[330:] = 18
    grey = cv2.GaussianBlur(grey, (0, 0), 1.2)
    out = grey[..., None] * (1.1, 0.85, 0.7) + rng.normal(0, 2.5, (420, 640, 3))
    return out.clip(0, 255).astype(np.uint8)


def with_bar(
    style: str, ink: tuple[int, int, int], *, x: int = 180, length: int = 300, y: int = 150
) -> Picture:
    """Draw a bar of ``length`` px that starts at ``x``, its label above it or in it."""
    out = ground()
    end, thick = x + length, 5
    if style == "in a box":
        other = (0, 0, 0) if sum(ink) > 380 else (255, 255, 255)
        cv2.rectangle(out, (x - 20, y - 50), (end + 20, y + 20), other, -1)
        cv2.rectangle(out, (x - 20, y - 50), (end + 20, y + 20), ink, 1)
    if style == "in a strip":
        out[360:] = 0 if sum(ink) > 250 else 255
        y = 395
    if style == "interrupted":
        cv2.rectangle(out, (x, y), (x + 70, y + thick - 1), ink, -1)
        cv2.rectangle(out, (end - 70, y), (end, y + thick - 1), ink, -1)
        cv2.putText(out, "50 um", (x + 90, y + 12), FACE, 1.2, ink, 2, cv2.LINE_AA)
    else:
        last = end - 1 if style == "plain" else end
        cv2.rectangle(out, (x, y), (last, y + thick - 1), ink, -1)
        cv2.putText(out, "50 um", (x + 80, y - 12), FACE, SIZE, ink, 3, cv2.LINE_AA)
    if style != "plain":
        for centre in (x, end):
            cv2.rectangle(out, (centre - 1, y - 9), (centre + 1, y + thick + 8), ink, -1)
    return out


def stored(picture: Picture, how: str) -> NDArray[np.uint8] | NDArray[np.uint16]:
    if how == "jpeg":
        data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 85])[1]
        return cv2.imdecode(data, cv2.IMREAD_COLOR_RGB).astype(np.uint8)
    if how == "16 bit":
        return picture.astype(np.uint16) * np.uint16(257)
    return picture


def check(reading: BarReading, style: str, tolerance: float) -> None:
    length = 300
    assert reading.length_px == pytest.approx(length, abs=tolerance)
    # Half a pixel outside the first and last drawn pixel, or in the middle of the ticks.
    first = 179.5 if style == "plain" else 180.0
    place = 0 if reading.horizontal else 1
    assert reading.ends[0][place] == pytest.approx(first, abs=tolerance)
    assert reading.ends[1][place] == pytest.approx(first + length, abs=tolerance)
    assert reading.um_per_px == pytest.approx(50 / reading.length_px)
    assert reading.convention.startswith("outer" if style == "plain" else "centre")


@pytest.mark.parametrize("how", ["lossless", "jpeg", "16 bit"])
@pytest.mark.parametrize("ink", INKS)
@pytest.mark.parametrize("style", ["plain", "with ticks", "interrupted", "in a box", "in a strip"])
def test_ends(style: str, ink: str, how: str) -> None:
    reading = read_scale_bar(stored(with_bar(style, INKS[ink]), how), bar_um=50)
    assert reading.horizontal
    check(reading, style, 0.7 if how == "jpeg" else 0.2)


@pytest.mark.parametrize("style", ["plain", "with ticks"])
def test_upright_bar_with_turned_label(style: str) -> None:
    reading = read_scale_bar(np.ascontiguousarray(with_bar(style, (255, 255, 255)).swapaxes(0, 1)), bar_um=50)
    assert not reading.horizontal
    check(reading, style, 0.2)


def test_ticks_make_the_convention_uncertain() -> None:
    ticked = read_scale_bar(with_bar("with ticks", (255, 255, 255)), bar_um=50)
    plain = read_scale_bar(with_bar("plain", (255, 255, 255)), bar_um=50)
    # Inner to inner or outer to outer, one tick (3 px) less or more, both lie inside the interval.
    assert 1.96 * ticked.u_relative * 300 >= 3
    assert plain.u_relative < 0.5 * ticked.u_relative


def test_scale_of_a_bar() -> None:
    scale = read_scale_bar(with_bar("with ticks", (255, 255, 255)), bar_um=50).scale
    assert scale.source == "scale bar"
    assert scale.x_um == scale.y_um == pytest.approx(50 / 300, rel=1e-3)
    assert "centre to centre" in scale.detail


@pytest.mark.parametrize("how", ["lossless", "jpeg", "16 bit"])
def test_no_bar_is_refused(how: str) -> None:
    for seed in range(8):
        with pytest.raises(Refusal, match="no scale bar was found") as caught:
            read_scale_bar(stored(ground(seed), how), bar_um=50)
        assert caught.value.finding.code == "bar_not_found"


@pytest.mark.parametrize("ink", ["black", "white", "blue"])
@pytest.mark.parametrize("how", ["lossless", "jpeg"])
def test_a_plain_bar_needs_no_label(ink: str, how: str) -> None:
    picture = ground()
    cv2.rectangle(picture, (180, 150), (479, 154), {**INKS, "blue": (0, 0, 255)}[ink], -1)
    check(read_scale_bar(stored(picture, how), bar_um=50), "plain", 0.7 if how == "jpeg" else 0.2)


@pytest.mark.parametrize("how", ["lossless", "jpeg"])
@pytest.mark.parametrize("style", ["plain", "with ticks"])
def test_a_scratch_under_an_end_is_not_taken_for_coloured_ink(style: str, how: str) -> None:
    """A dark scratch across the bar's end is as bright as red ink; it differs by its colour only."""
    picture = with_bar(style, INKS["red"])
    scratch = picture[:, 176:184]
    scratch[(scratch != INKS["red"]).any(axis=2)] = (60, 48, 40)
    check(read_scale_bar(stored(picture, how), bar_um=50), style, 0.7)


@pytest.mark.parametrize("thick", [1, 2, 3, 5])
@pytest.mark.parametrize("level", [0.0, 255.0])
def test_a_level_scratch_is_no_bar(thick: int, level: float) -> None:
    """As even and straight as a bar, among letters even, but seen through an optic: blurred over 0.8 px."""
    scratched = np.full((420, 640), 165.0)
    cv2.line(scratched, (180, 150), (480, 150), level, thick)
    picture = cv2.GaussianBlur(scratched, (0, 0), 0.8)[..., None] * np.ones(3)
    picture = (picture + np.random.default_rng(4).normal(0, 1.5, picture.shape)).clip(0, 255).astype(np.uint8)
    ink = (int(level),) * 3
    cv2.putText(picture, "50 um", (260, 138), FACE, SIZE, ink, 3, cv2.LINE_AA)
    with pytest.raises(Refusal, match="no scale bar was found"):
        read_scale_bar(picture, bar_um=50)


def test_a_broken_bar_is_refused() -> None:
    """Worn away in the middle of a line, without a label in the gap: its length is not known."""
    picture = with_bar("plain", (0, 0, 0))
    picture[:, 300:330] = ground()[:, 300:330]
    with pytest.raises(Refusal):
        read_scale_bar(picture, bar_um=50)


def test_ticks_that_lost_their_colour_are_not_overlooked() -> None:
    """JPEG stores colour at half the resolution: two thin ticks may keep brightness alone. Taken for a plain bar, it
    would be two pixels too long, from outer edge to outer edge."""
    picture = ground()
    picture[360:] = 0
    cv2.rectangle(picture, (180, 390), (481, 393), (255, 255, 5), -1)
    assert read_scale_bar(picture, bar_um=50).length_px == pytest.approx(302, abs=0.2)
    for x in (180, 480):
        for top, bottom in ((381, 389), (394, 402)):
            cv2.rectangle(picture, (x, top), (x + 1, bottom), (241, 240, 112), -1)
    with pytest.raises(Refusal, match="no scale bar was found"):
        read_scale_bar(picture, bar_um=50)


def test_two_bars_are_refused() -> None:
    picture = with_bar("with ticks", (255, 255, 255))
    picture[260:] = with_bar("with ticks", (255, 255, 255), length=200, y=300)[260:]
    with pytest.raises(Refusal, match="2 bars could be meant"):
        read_scale_bar(picture, bar_um=50)


def test_half_of_a_bar_is_refused() -> None:
    """One tick without its fellow: the rest of the bar is covered or cut off."""
    picture = with_bar("with ticks", (255, 255, 255))
    picture[:, 400:] = ground()[:, 400:]
    with pytest.raises(Refusal):
        read_scale_bar(picture, bar_um=50)


def test_generated_sections() -> None:
    synth = pytest.importorskip("xsect.synth")
    for kind in ("unetched", "etched", "plated_grey", "bse"):
        pixels = synth.draw(kind, "easy", 11, width_px=900).pixels
        try:
            reading = read_scale_bar(pixels, bar_um=100)
        except Refusal:
            continue
        assert 20 < reading.length_px < 500


def test_length_must_be_positive() -> None:
    with pytest.raises(ValueError, match="bar_um = 0"):
        read_scale_bar(ground(), bar_um=0)


@pytest.mark.parametrize(
    ("name", "bar_um", "length"),
    [
        ("polished_edge_20x.jpg", 100, 375.0),
        ("uneven_light_20x.jpg", 100, 375.0),
        ("jpeg_inside.tif", 100, 375.0),
        ("sem_se_500x.tif", 200, 343.0),
        ("sem_bse_20kx.tif", 5, 343.0),
        ("mosaic_50x.jpg", 100, None),
        ("layer_a.tif", 100, None),
        ("layer_b.tif", 100, None),
    ],
)
def test_real_pictures(name: str, bar_um: float, length: float | None) -> None:
    """Lengths between tick centres as counted by eye; the microscope files hold 0.582812 and 0.0145703 µm/px."""
    if not (REAL / name).exists():
        pytest.skip("real pictures are not here")
    if name.startswith(("sem", "layer")):
        import tifffile

        picture = tifffile.imread(REAL / name)
    else:
        picture = cv2.imdecode(np.fromfile(REAL / name, np.uint8), cv2.IMREAD_COLOR_RGB)
    if length is None:
        with pytest.raises(Refusal):
            read_scale_bar(picture, bar_um=bar_um)
        return
    reading = read_scale_bar(picture, bar_um=bar_um)
    assert reading.length_px == pytest.approx(length, abs=0.7)
    stated = {"sem_se_500x.tif": 0.582812, "sem_bse_20kx.tif": 0.0145703}.get(name)
    if stated:
        assert reading.um_per_px == pytest.approx(stated, rel=1.96 * reading.u_relative)
