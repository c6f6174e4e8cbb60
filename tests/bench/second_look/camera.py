"""The camera: light, lens, sensor and file between the polished face and the pixels that are measured."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.bench.second_look.texture import Image


@dataclass(frozen=True)
class Camera:
    """How the picture was taken.

    ``gamma``: exponent from light to stored value (1 linear, 1/2.2 as screens want it). ``blur``: sigma in
    px, and ``fringe`` how much it differs between the colours. ``noise``: spread at full light, as share of
    full scale. ``tilt_light``, ``vignette``, ``stripe``: unevenness of the light as shares. ``sharpen``:
    weight of the halo.
    ``zoom``: the picture was stored at this size and blown up again (1: not). ``jpeg``: quality, 0 for none.
    ``bits``: 8, 12 (in a 16-bit file, low range) or 16.
    """

    colour: bool = True
    gamma: float = 1.0
    blur: float = 0.0
    fringe: float = 0.0
    noise: float = 0.0
    bayer: bool = False
    rows: float = 0.0
    exposure: float = 1.0
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0)
    tilt_light: tuple[float, float] = (0.0, 0.0)
    vignette: float = 0.0
    stripe: float = 0.0
    haze: float = 0.0
    sharpen: float = 0.0
    zoom: float = 1.0
    jpeg: int = 0
    bits: int = 8


GREY = np.array([0.30, 0.59, 0.11], np.float32)


def take(display: Image, camera: Camera, rng: np.random.Generator) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return the picture (rows, columns[, 3]) of a face given as display values 0 to 1 (rows, columns, 3)."""
    light = np.power(np.clip(display, 0, 1), np.float32(1 / camera.gamma))
    light = light * np.array(camera.cast, np.float32) if camera.colour else (light @ GREY)[..., None]
    light *= (_light(display.shape[:2], camera) * np.float32(camera.exposure))[..., None]
    light = _lens(light, camera) + np.float32(camera.haze)
    light = _sensor(light, camera, rng)
    values = np.power(np.clip(light, 0, 1), np.float32(camera.gamma))
    if camera.sharpen > 0:
        soft = cv2.GaussianBlur(values, (0, 0), 1.6)
        values += camera.sharpen * (values - soft.reshape(values.shape))
    if camera.zoom < 1:
        size = (values.shape[1], values.shape[0])
        # cv2.resize keeps the picture's extent, so places stay where they were.
        less = (round(size[0] * camera.zoom), round(size[1] * camera.zoom))
        small = cv2.resize(values, less, interpolation=cv2.INTER_AREA)
        values = cv2.resize(small, size, interpolation=cv2.INTER_CUBIC).reshape(values.shape)
    return _file(np.clip(values, 0, 1), camera)


def _light(shape: tuple[int, int], camera: Camera) -> Image:
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    x, y = x / shape[1] - 0.5, y / shape[0] - 0.5
    field = 1 + camera.tilt_light[0] * x + camera.tilt_light[1] * y
    field = field * (1 - camera.vignette * 2 * (x * x + y * y))
    return np.asarray(field + camera.stripe * np.sin(11 * x + 4 * y) ** 2, dtype=np.float32)


def _lens(light: Image, camera: Camera) -> Image:
    if camera.blur <= 0:
        return light
    sigmas = camera.blur * (1 + camera.fringe * np.linspace(-0.5, 1, light.shape[2]))
    planes = [cv2.GaussianBlur(light[..., i], (0, 0), float(sigma)) for i, sigma in enumerate(sigmas)]
    return np.stack(planes, axis=-1)


def _sensor(light: Image, camera: Camera, rng: np.random.Generator) -> Image:
    if camera.noise <= 0:
        return light
    spread = camera.noise * np.sqrt(np.clip(light, 0, None) * 0.9 + 0.1)
    if camera.bayer and light.shape[2] == 3:
        light = _bayer(light, spread, rng)
    else:
        light = light + rng.standard_normal(light.shape, dtype=np.float32) * spread
    if camera.rows > 0:
        light = light + rng.standard_normal((light.shape[0], 1, 1), dtype=np.float32) * np.float32(
            camera.rows
        )
    return light


def _bayer(light: Image, spread: Image, rng: np.random.Generator) -> Image:
    """Read each pixel through one colour filter, with noise, and interpolate the other two."""
    mosaic = light[..., 1].copy()
    mosaic[0::2, 0::2], mosaic[1::2, 1::2] = light[0::2, 0::2, 0], light[1::2, 1::2, 2]
    mosaic += rng.standard_normal(mosaic.shape, dtype=np.float32) * spread[..., 1]
    raw = np.clip(mosaic * 50000 + 5000, 0, 65535).astype(np.uint16)
    return (cv2.demosaicing(raw, cv2.COLOR_BayerRGGB2RGB).astype(np.float32) - 5000) / 50000


def _file(values: Image, camera: Camera) -> NDArray[np.uint8] | NDArray[np.uint16]:
    values = values if camera.colour else values[..., 0]
    if camera.bits > 8:
        return np.round(values * (2**camera.bits - 1)).astype(np.uint16)
    pixels = np.round(values * 255).astype(np.uint8)
    if camera.jpeg:
        ok, data = cv2.imencode(
            ".jpg", pixels[..., ::-1] if camera.colour else pixels, [cv2.IMWRITE_JPEG_QUALITY, camera.jpeg]
        )
        assert ok
        pixels = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
        pixels = np.ascontiguousarray(pixels[..., ::-1]) if camera.colour else pixels
    return pixels
