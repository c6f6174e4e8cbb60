"""Pictures of a stage micrometer of known pitch and scale: what a calibration starts from."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from xsect.synth.burn import font


@dataclass(frozen=True)
class MicrometerScene:
    """One picture of a stage micrometer. Lengths µm unless named px.

    Division ``k`` lies ``k * pitch`` along the scale from ``start_px`` (x, y: where division 0 meets the
    scale's base line, pixel centres at whole numbers); the scale is turned clockwise by ``tilt_deg`` in the
    object, before the two pixel scales apply. Every fifth line is longer, every tenth longest and at times
    numbered. ``bright`` shows bright lines on dark ground (reflected light on chromium), else dark on bright.
    """

    um_per_px_x: float
    um_per_px_y: float
    width_px: int = 1600
    height_px: int = 1200
    pitch: float = 10.0
    divisions: int = 100
    line_width: float = 2.0
    lengths: tuple[float, float, float] = (60.0, 90.0, 130.0)
    start_px: tuple[float, float] = (100.0, 600.0)
    tilt_deg: float = 0.0
    both_sides: bool = False
    base_line: bool = True
    numbers: bool = True
    bright: bool = False
    contrast: float = 0.8
    blur_px: float = 1.0
    uneven: float = 0.1
    noise: float = 0.01
    dust: int = 5
    bits: int = 8


def draw_micrometer(scene: MicrometerScene, seed: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return the grey picture (rows, columns) of a scene; the same arguments give the same pixels."""
    rng = np.random.default_rng(seed)
    marks = _numbers(scene) if scene.numbers else np.zeros((scene.height_px, scene.width_px), np.float32)
    for _ in range(scene.dust):
        x, y = rng.uniform(0, 1, 2) * (scene.width_px, scene.height_px)
        cv2.circle(marks, (int(x), int(y)), int(rng.integers(1, 6)), float(rng.uniform(0.3, 1)), -1)
    if scene.blur_px:
        marks = np.asarray(cv2.GaussianBlur(marks, (0, 0), scene.blur_px), np.float32)
    ink = np.maximum(_lines(scene), marks)
    shade = 1 - scene.contrast * ink if not scene.bright else (1 - scene.contrast) + scene.contrast * ink
    y, x = np.mgrid[-1 : 1 : scene.height_px * 1j, -1 : 1 : scene.width_px * 1j].astype(np.float32)
    angle = rng.uniform(0, 2 * math.pi)
    light = 0.85 * (1 + scene.uneven * (x * math.cos(angle) + y * math.sin(angle) - 0.5 * (x**2 + y**2)))
    signal = light * shade + scene.noise * rng.standard_normal(ink.shape)
    full = 2**scene.bits - 1
    levels = np.clip(np.rint(signal * full), 0, full)
    return np.asarray(levels, np.uint8) if scene.bits == 8 else np.asarray(levels, np.uint16)


def random_scene(seed: int, *, um_per_px: float | None = None) -> MicrometerScene:
    """Return a random scene: tilt, blur, light, line styles, a scale that may run out of the picture."""
    rng = np.random.default_rng([seed, 77])
    scale = um_per_px or float(np.exp(rng.uniform(np.log(0.2), np.log(4.0))))
    size = [(1280, 960), (1600, 1200), (2048, 1536)][int(rng.integers(3))]
    # A division between 6 and 60 px, of the pitches that stage micrometers have.
    pitch = float(rng.choice([p for p in (2.0, 5.0, 10.0, 20.0, 50.0, 100.0) if 6 < p / scale < 60]))
    length = pitch * 100 / scale
    start = (
        float(rng.uniform(-0.3, 0.1)) * min(length, size[0]) + 0.05 * size[0],
        float(rng.uniform(0.35, 0.65)) * size[1],
    )
    unit = float(rng.uniform(3, 8)) * pitch
    return MicrometerScene(
        um_per_px_x=scale,
        um_per_px_y=scale * float(rng.choice([1.0, rng.uniform(0.99, 1.01)], p=[0.7, 0.3])),
        width_px=size[0],
        height_px=size[1],
        pitch=pitch,
        divisions=100,
        line_width=pitch * float(rng.uniform(0.15, 0.45)),
        lengths=(unit, 1.5 * unit, 2.1 * unit),
        start_px=start,
        tilt_deg=float(rng.uniform(-6, 6)),
        both_sides=bool(rng.random() < 0.3),
        base_line=bool(rng.random() < 0.6),
        numbers=bool(rng.random() < 0.6),
        bright=bool(rng.random() < 0.3),
        contrast=float(rng.uniform(0.35, 0.9)),
        blur_px=float(rng.uniform(0.6, 1.6)),
        uneven=float(rng.uniform(0, 0.25)),
        noise=float(rng.uniform(0.002, 0.02)),
        dust=int(rng.integers(0, 15)),
    )


def _lines(scene: MicrometerScene) -> NDArray[np.float32]:
    """Ink of the blurred lines, 0 to 1.

    The blur is built into each edge: blurring a sampled line would shift its centre by up to 0.1 px with its
    place between the pixels, which is more than a calibration is off.
    """
    along, across = _scale_frame(scene)
    nearest = np.rint(along / scene.pitch).astype(np.int32)
    ink = np.zeros_like(along)
    for step in (-1, 0, 1):
        division = nearest + step
        sort = np.where(division % 10 == 0, 2, np.where(division % 5 == 0, 1, 0))
        reach = np.asarray(scene.lengths, np.float32)[sort]
        across_line = _band(along - division * np.float32(scene.pitch), scene.line_width / 2, scene)
        foot = -reach if scene.both_sides else np.zeros_like(reach)
        along_line = _edge(reach + across, scene) * _edge(-foot - across, scene)
        ink += across_line * along_line * ((division >= 0) & (division <= scene.divisions))
    if scene.base_line:
        length = scene.divisions * scene.pitch
        base = _band(across, scene.line_width / 2, scene) * _edge(along, scene) * _edge(length - along, scene)
        ink = np.maximum(ink, base)
    return np.asarray(np.clip(ink, 0, 1), np.float32)


def _edge(distance: NDArray[np.float32], scene: MicrometerScene) -> NDArray[np.float32]:
    """Blurred step at distance 0 (µm): 1 on the positive side; a pixel's own width counts as blur."""
    from scipy.special import ndtr

    sigma = math.hypot(scene.blur_px, math.sqrt(1 / 12)) * math.sqrt(scene.um_per_px_x * scene.um_per_px_y)
    return np.asarray(ndtr(distance / np.float32(sigma)), np.float32)


def _band(distance: NDArray[np.float32], half: float, scene: MicrometerScene) -> NDArray[np.float32]:
    """Blurred band of half width ``half`` (µm) about distance 0."""
    return _edge(distance + np.float32(half), scene) - _edge(distance - np.float32(half), scene)


def _scale_frame(scene: MicrometerScene) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return each pixel's place along and across the scale, µm."""
    x = (np.arange(scene.width_px) - scene.start_px[0]) * scene.um_per_px_x
    y = ((np.arange(scene.height_px) - scene.start_px[1]) * scene.um_per_px_y)[:, None]
    c, s = math.cos(math.radians(scene.tilt_deg)), math.sin(math.radians(scene.tilt_deg))
    return np.asarray(c * x + s * y, np.float32), np.asarray(c * y - s * x, np.float32)


def _numbers(scene: MicrometerScene) -> NDArray[np.float32]:
    """Numbers at the longest lines, above their ends."""
    layer = Image.new("L", (scene.width_px, scene.height_px), 0)
    pen = ImageDraw.Draw(layer)
    size = 3.5 * scene.pitch / scene.um_per_px_x
    face = font(size)
    c, s = math.cos(math.radians(scene.tilt_deg)), math.sin(math.radians(scene.tilt_deg))
    for division in range(0, scene.divisions + 1, 10):
        along, across = division * scene.pitch, -scene.lengths[2] - 0.5 * size * scene.um_per_px_x
        x = scene.start_px[0] + (c * along - s * across) / scene.um_per_px_x
        y = scene.start_px[1] + (s * along + c * across) / scene.um_per_px_y
        pen.text((x, y), str(division // 10), 255, face, anchor="mm")
    return np.asarray(layer, np.float32) / np.float32(255)
