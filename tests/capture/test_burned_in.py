"""Burned-in annotations over small drawn sections.

Tolerances: a mask may reach 10 px beyond what was drawn (3 px of growth, and a JPEG block of 8 px rings); it
need not cover the faint anti-aliased rim, hence 80 % of the drawn pixels. A section without annotation has
none.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from xsect.capture.burned_in import find_burned_in

REAL = Path(__file__).parents[3] / "shared" / "real"
Picture = NDArray[np.uint8]
INKS = {
    "black": (0, 0, 0),
    "white": (255, 255, 255),
    "red": (255, 0, 0),
    "yellow": (255, 255, 0),
    "cyan": (0, 255, 255),
}


def section(seed: int, *, saturated: bool = False, rows: int = 480, cols: int = 640) -> Picture:
    """Two copper parts with grains, pores, scratches, pits along their line, a gap; the mount clips to 0."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    line = rows / 2 + (x - cols / 2) * rng.uniform(-0.05, 0.05)
    gap = np.minimum(np.maximum(abs(x - cols / 2) - 0.2 * cols, 0) * 0.15, 14)
    metal = (abs(y - line) > gap / 2) & (abs(y - line) < 0.33 * rows)
    solid = metal.astype(np.float32)
    for _ in range(60):
        axes = (int(rng.integers(1, 9)), int(rng.integers(1, 4)))
        centre = (int(rng.integers(cols)), int(rng.integers(rows)))
        cv2.ellipse(solid, centre, axes, rng.uniform(0, 180), 0, 360, 0.0, -1)
    for k in range(14):
        cv2.circle(solid, (int(0.36 * cols) + 13 * k, rows // 2), int(rng.integers(2, 5)), 0.0, -1)
    for _ in range(8):
        a, b = (tuple(int(v) for v in rng.integers((cols, rows))) for _ in range(2))
        cv2.line(solid, a, b, 0.5, 1)
    grains = cv2.resize(rng.normal(0, 14, (rows // 10, cols // 10)).astype(np.float32), (cols, rows))
    level = (300 if saturated else 190) + grains
    grey = cv2.GaussianBlur(-12 + (level + 12) * solid, (0, 0), rng.uniform(0.8, 1.6))
    colour = grey[..., None] * np.array([1.0, 0.74, 0.58], np.float32) + rng.normal(0, 2.5, (rows, cols, 3))
    return colour.clip(0, 255).astype(np.uint8)


def jpeg(picture: Picture, quality: int = 88) -> Picture:
    data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return cv2.imdecode(data, cv2.IMREAD_COLOR_RGB).astype(np.uint8)


def drawn_over(picture: Picture, what: str, ink: tuple[int, int, int]) -> Picture:
    """Draw one annotation on the metal of a copy of ``picture``."""
    out = picture.copy()
    rows, cols = out.shape[:2]
    other = (0, 0, 0) if sum(ink) > 380 else (255, 255, 255)
    if what == "bar":
        cv2.rectangle(out, (200, 130), (360, 135), ink, -1)
        cv2.putText(out, "50 um", (230, 122), cv2.FONT_HERSHEY_SIMPLEX, 0.8, ink, 2, cv2.LINE_AA)
    elif what == "bar with end ticks":
        for a, b in (((200, 130), (360, 130)), ((200, 120), (200, 140)), ((360, 120), (360, 140))):
            cv2.line(out, a, b, ink, 3)
    elif what == "label box":
        cv2.rectangle(out, (200, 100), (330, 140), other, -1)
        cv2.putText(out, "Weld 7", (210, 130), cv2.FONT_HERSHEY_SIMPLEX, 1, ink, 2, cv2.LINE_AA)
    elif what == "text":
        cv2.putText(out, "A-1203 weld 7", (150, 140), cv2.FONT_HERSHEY_SIMPLEX, 0.9, ink, 2, cv2.LINE_AA)
    elif what == "arrow":
        cv2.arrowedLine(out, (150, 110), (330, 150), ink, 4, cv2.LINE_AA, tipLength=0.2)
    elif what == "strip":
        out[rows - 40 :] = other
        cv2.putText(
            out, "HV 20 kV   WD 10.8 mm   x500", (10, rows - 12), cv2.FONT_HERSHEY_SIMPLEX, 0.8, ink, 2
        )
    elif what == "frame":
        out[:9] = out[-9:] = ink
        out[:, :12] = out[:, -12:] = ink
    elif what == "padding":
        out[rows // 3 : rows // 2, : cols // 4] = ink
        out[rows // 2 :, : cols // 7] = ink
    return out


CASES = [
    *((what, ink) for what in ("bar", "bar with end ticks", "label box", "text") for ink in INKS),
    *(("arrow", ink) for ink in INKS),
    ("strip", "white"),
    ("frame", "white"),
    ("strip", "black"),
    ("strip", "cyan"),
    ("padding", "white"),
]  # fmt: skip


@pytest.mark.parametrize("stored", ["lossless", "jpeg"])
@pytest.mark.parametrize(("what", "ink"), CASES)
def test_annotations_are_masked_and_nothing_else(what: str, ink: str, stored: str) -> None:
    clean = section(sum(map(ord, what + ink)))
    picture = drawn_over(clean, what, INKS[ink])
    truth = (picture != clean).any(axis=2)
    found = find_burned_in(jpeg(picture) if stored == "jpeg" else picture)
    assert found is not None
    assert found.shape == truth.shape
    assert found[truth].mean() >= 0.8
    near = cv2.dilate(truth.astype(np.uint8), np.ones((21, 21), np.uint8)) > 0
    assert not (found & ~near).any()


@pytest.mark.parametrize("saturated", [False, True])
@pytest.mark.parametrize("stored", ["lossless", "jpeg", "grey", "16 bit"])
def test_clean_sections_have_no_mask(stored: str, saturated: bool) -> None:
    for seed in range(10):
        picture = section(seed, saturated=saturated)
        if stored == "jpeg":
            picture = jpeg(picture, 80)
        elif stored == "grey":
            picture = picture[..., 1].copy()
        deep = picture.astype(np.uint16) * np.uint16(257)
        assert find_burned_in(deep if stored == "16 bit" else picture) is None, f"seed {seed}"


def test_a_level_edge_of_the_mount_is_not_a_margin() -> None:
    picture = np.zeros((400, 600), np.float32)
    picture[150:] = 180
    rng = np.random.default_rng(3)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.8) + rng.normal(0, 1.5, picture.shape)
    assert find_burned_in(picture.clip(0, 255).astype(np.uint8)) is None


def test_generated_sections_have_no_mask(monkeypatch: pytest.MonkeyPatch) -> None:
    """Grains, glints, pores, scratches, stains, expelled plating; the generator's own bars are left out."""
    picture = pytest.importorskip("xsect.synth.picture")
    synth = pytest.importorskip("xsect.synth")
    monkeypatch.setattr(picture, "burned", lambda pixels, design, look: pixels)
    kinds = [kind for kind in synth.KINDS if kind != "unusable"]
    for i, kind in enumerate(kinds):
        drawn = synth.draw(kind, synth.DIFFICULTIES[i % 3], 7, width_px=800)
        assert find_burned_in(drawn.pixels) is None, kind


@pytest.mark.parametrize(
    ("name", "share", "box"),
    [
        ("polished_edge_20x.jpg", (0.005, 0.01), (1850, 1510, 2000, 1915)),
        ("uneven_light_20x.jpg", (0.005, 0.01), (1850, 1510, 2000, 1915)),
        ("sem_se_500x.tif", (0.06, 0.065), (883, 0, 943, 1024)),
        ("sem_bse_20kx.tif", (0.06, 0.065), (883, 0, 943, 1024)),
        ("mosaic_50x.jpg", None, None),
        ("layer_a.tif", None, None),
        ("layer_b.tif", None, None),
    ],
)
def test_real_pictures(
    name: str, share: tuple[float, float] | None, box: tuple[int, int, int, int] | None
) -> None:
    if not (REAL / name).exists():
        pytest.skip("real pictures are not here")
    if name.endswith("jpg"):
        picture = cv2.imread(str(REAL / name), cv2.IMREAD_COLOR_RGB)
    else:
        import tifffile

        picture = tifffile.imread(REAL / name)
    found = find_burned_in(picture)
    if share is None or box is None:
        assert found is None
        return
    assert found is not None
    assert share[0] < found.mean() < share[1]
    top, left, bottom, right = box
    assert not found[:top].any()
    assert not found[:, :left].any()
    assert not found[bottom:].any()
    assert not found[:, right:].any()
