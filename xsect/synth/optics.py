"""From reflectance to pixels: blur, light, camera, file."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.synth.look import Look
from xsect.synth.noise import Image, smooth

LUMINANCE = np.array([0.299, 0.587, 0.114], np.float32)


def blurred(image: Image, look: Look, rim: Image | None) -> Image:
    """Blur by the lens, and more where ``rim`` (0 to 1) says that a rounded edge lies out of focus."""
    if look.blur_px:
        across, along = look.blur_px * (1 + look.astigmatism), look.blur_px * (1 - look.astigmatism)
        image = np.asarray(cv2.GaussianBlur(image, (0, 0), across, sigmaY=along), np.float32)
    if rim is not None and look.rim_blur_px:
        soft = cv2.GaussianBlur(image, (0, 0), look.rim_blur_px)
        image = image + (rim if image.ndim == 2 else rim[..., None]) * (soft - image)
    return image


def lit(image: Image, look: Look, rng: np.random.Generator) -> Image:
    """Uneven illumination: a slope, a vignette, steps at the seams of a mosaic."""
    rows, columns = image.shape[:2]
    y, x = np.linspace(-1, 1, rows, dtype=np.float32)[:, None], np.linspace(-1, 1, columns, dtype=np.float32)
    light = np.ones((rows, columns), np.float32)
    if look.tilt_light:
        angle = rng.uniform(0, 2 * np.pi)
        light += np.float32(look.tilt_light) * (np.float32(np.cos(angle)) * x + np.float32(np.sin(angle)) * y)
    if look.vignette:
        cx, cy = rng.uniform(-0.25, 0.25, 2).astype(np.float32)
        light *= 1 - np.float32(look.vignette / 2) * ((x - cx) ** 2 + (y - cy) ** 2)
    if look.tiles > 1:
        light *= _seams(columns, look, rng)
    if look.tilt_light or look.vignette:
        light *= 1 + np.float32(0.15 * (look.tilt_light + look.vignette)) * smooth(
            (rows, columns), columns / 3, rng
        )
    return image * (light if image.ndim == 2 else light[..., None])


def _seams(columns: int, look: Look, rng: np.random.Generator) -> Image:
    """Each tile of a mosaic carries its own shading, so brightness steps at its seams."""
    edges = np.linspace(0, columns, look.tiles + 1).astype(int)
    row = np.empty(columns, np.float32)
    for start, stop in pairwise(edges.tolist()):
        t = np.linspace(-1, 1, stop - start)
        row[start:stop] = 1 + rng.normal(0, 0.02) + 0.05 * t * abs(rng.normal(1, 0.3))
    return row


def exposed(image: Image, look: Look, rng: np.random.Generator) -> Image:
    """Camera: exposure, white balance, shot and read noise, gamma, sharpening. 1 is full scale."""
    signal = image * np.float32(look.exposure) + np.float32(look.black_level)
    if image.ndim == 3:
        signal = signal * np.asarray(look.white_balance, np.float32)
    if look.electrons or look.read_noise:
        variance = np.maximum(signal, 0) / np.float32(look.electrons or np.inf) + np.float32(
            look.read_noise**2
        )
        signal = signal + np.sqrt(variance) * rng.standard_normal(signal.shape, dtype=np.float32)
    if look.gamma != 1:
        signal = np.clip(signal, 0, None) ** np.float32(look.gamma)
    if look.sharpen:
        signal = signal + np.float32(look.sharpen) * (signal - cv2.GaussianBlur(signal, (0, 0), 1.5))
    return signal


def quantised(signal: Image, look: Look) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Cut to the range of 8 or 16 bits, and pass through JPEG where the look asks for it."""
    full = 2**look.bits - 1
    levels = np.clip(np.rint(signal * full), 0, full)
    if look.bits == 16:
        return np.asarray(levels, np.uint16)
    pixels = np.asarray(levels, np.uint8)
    if not look.jpeg:
        return pixels
    # OpenCV's order of channels is blue, green, red.
    _, code = cv2.imencode(
        ".jpg", pixels[..., ::-1] if pixels.ndim == 3 else pixels, [cv2.IMWRITE_JPEG_QUALITY, look.jpeg]
    )
    back = np.asarray(cv2.imdecode(code, cv2.IMREAD_UNCHANGED), np.uint8)
    return np.ascontiguousarray(back[..., ::-1]) if pixels.ndim == 3 else back
