"""Where a graduation lies in a picture: its pitch and direction in pixels, and the band that all its lines cross.

A graduation is periodic, and nothing else in a picture of it is: its fundamental stands out in the spectrum, and
the phase of that one frequency, followed over the picture, gives pitch and direction to a few parts in ten
thousand before a single line has been looked at.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

SMALLEST_PITCH_PX = 2.4
"""Finer graduations cannot be told from their own aliases with certainty."""

SURE_PITCH_PX = 4.0
"""Below this, longer lines must keep step with the shortest ones, for those could still be an alias."""

FEWEST_LINES = 6
_COARSE_PIXELS = 16_000_000
_CANDIDATES = 8
_IN_STEP = 0.85
"""Share of a wave that must keep one phase over the band: chance periods in grains or letters drift."""

_ASTRAY = 0.3
"""Share of a wave by which it may be corrected: the spectrum gives a wave of six periods to a sixth."""


@dataclass(frozen=True)
class Graduation:
    """Pitch, direction and place of a graduation; pixel centres at whole numbers.

    ``direction``: (x, y) unit vector along the graduation, at right angles to its lines. ``pitch_px``: distance
    of neighbouring lines along it. Line ``n`` lies at u = ``origin_px`` + n * ``pitch_px``, where
    u = x * direction[0] + y * direction[1] and v = y * direction[0] - x * direction[1]. ``u_range`` and ``v_range``:
    the band, in px, in which every line is seen. ``confirmed``: whether longer lines, every fifth or tenth, keep step.
    """

    direction: tuple[float, float]
    pitch_px: float
    origin_px: float
    u_range: tuple[float, float]
    v_range: tuple[float, float]
    confirmed: bool = True


def find_graduations(grey: Floats) -> Iterator[Graduation]:
    """Yield what may be graduations in a (rows, cols) picture, the strongest period first and the finest first of
    its multiples; nothing for an empty picture.

    The whole picture is tried before its parts, in which a short graduation stands out better.
    """
    step = max(1, math.ceil(math.sqrt(grey.size / _COARSE_PIXELS)))
    coarse = grey
    if step > 1:
        size = (grey.shape[1] // step, grey.shape[0] // step)
        whole = grey[: size[1] * step, : size[0] * step]
        coarse = np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.float32)
    levels = [_levelled(coarse)]
    while min(levels[-1].shape) >= 128:
        levels.append(_halved(levels[-1]))
    seen: list[Graduation] = []
    for parts in (1, 2):
        for wave in _strong_waves(levels[0], parts):
            for graduation in _finest_first(levels, wave):
                if not any(_same(graduation, other) for other in seen):
                    seen.append(graduation)
                    if graduation.pitch_px < SURE_PITCH_PX:
                        graduation = replace(graduation, confirmed=_keeps_step(levels, graduation))
                    yield _at_full_resolution(graduation, step)


def _finest_first(levels: list[Floats], wave: tuple[float, float]) -> Iterator[Graduation]:
    """Yield what ten, five, two and one times a wave lead to.

    Every fifth and tenth line is longer: beyond the short ones only those are seen, as a coarser pitch. One that was
    followed is exact, and its own multiples are looked for once more.
    """
    for times in (10, 5, 2, 1):
        found = _follow(levels, (times * wave[0], times * wave[1]))
        if found is None:
            continue
        cos, sin = found.direction
        for again in (10, 5, 2):
            finer = _follow(levels, (again * cos / found.pitch_px, again * sin / found.pitch_px))
            if finer is not None:
                yield finer
        yield found


def _halved(level: Floats) -> Floats:
    size = (level.shape[1] // 2, level.shape[0] // 2)
    whole = level[: 2 * size[1], : 2 * size[0]]
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.float32)


def _same(one: Graduation, other: Graduation) -> bool:
    cosine = one.direction[0] * other.direction[0] + one.direction[1] * other.direction[1]
    return abs(one.pitch_px / other.pitch_px - 1) < 0.01 and abs(cosine) > 0.999


def _keeps_step(levels: list[Floats], fine: Graduation) -> bool:
    """Whether every fifth or tenth line is longer. An alias has another frequency than the lines behind it, so its
    fifth is not that of the longer lines."""
    cos, sin = fine.direction
    for times in (5, 10):
        frequency = 1 / (times * fine.pitch_px)
        longer = _follow(levels, (cos * frequency, sin * frequency))
        if longer is not None and _same(longer, replace(fine, pitch_px=times * fine.pitch_px)):
            return True
    return False


def _levelled(picture: Floats) -> Floats:
    """Take out the illumination: what varies over more than a sixth of the picture's smaller side."""
    size = max(picture.shape[0] // 6, picture.shape[1] // 6, 9) | 1
    around = cv2.blur(cv2.blur(picture, (size, size)), (size, size))
    level = picture - around
    # A few very dark or bright spots must not outshout the lines, nor may lines be cut that fill a small part.
    limit = float(np.quantile(np.abs(level[::2, ::2]), 0.998))
    return np.asarray(np.clip(level, -limit, limit), np.float32)


def _strong_waves(level: Floats, parts: int) -> list[tuple[float, float]]:
    """Return the wave vectors (cycles per px along x and y) of the strongest periods, at most two a direction.

    ``parts``: 1 for the whole picture; 2 for overlapping parts of half its sides, the strongest of which counts.
    """
    from scipy.fft import next_fast_len, rfft2

    rows, cols = (side // parts for side in level.shape)
    shape = next_fast_len(rows), next_fast_len(cols, real=True)
    fx, fy = np.arange(shape[1] // 2 + 1) / shape[1], np.fft.fftfreq(shape[0])
    window = np.outer(np.hanning(rows), np.hanning(cols)).astype(np.float32)
    power = np.zeros((shape[0], len(fx)), np.float32)
    starts = range(2 * parts - 1)
    for top, left in ((i * rows // 2, j * cols // 2) for i in starts for j in starts):
        tile = level[top : top + rows, left : left + cols] * window
        np.maximum(power, np.abs(rfft2(tile, s=shape)), out=power)
    radius = np.hypot(fx[None, :], fy[:, None])
    power[(radius < FEWEST_LINES / max(rows, cols)) | (radius > 1 / SMALLEST_PITCH_PX)] = 0
    power[:, 0][fy < 0] = 0  # the same waves as those with fy > 0
    # Light, dirt and labels are strong at low frequencies, a graduation up to high ones.
    power *= radius.astype(np.float32)
    angle = np.degrees(np.arctan2(fy[:, None], np.maximum(fx[None, :], 1e-12)))
    waves: list[tuple[float, float]] = []
    directions: list[float] = []
    highest = float(power.max())
    while highest > 0 and len(waves) < _CANDIDATES:
        i, j = (int(k) for k in np.unravel_index(int(power.argmax()), power.shape))
        if power[i, j] < 0.05 * highest:
            break
        waves.append((float(fx[j]), float(fy[i])))
        beside = np.abs((angle - angle[i, j] + 90) % 180 - 90) <= 3
        # A second wave of one direction covers the case that a harmonic outshines the fundamental.
        second = any(abs((other - angle[i, j] + 90) % 180 - 90) <= 3 for other in directions)
        power[beside if second else beside & (np.abs(radius / radius[i, j] - 1) < 0.3)] = 0
        directions.append(float(angle[i, j]))
    return waves


def _follow(levels: list[Floats], wave: tuple[float, float]) -> Graduation | None:
    """Follow a wave's phase over the picture; None where it does not hold over enough lines.

    ``levels``: the picture and its successive halves; the smallest that still has 8 px a period will do.
    """
    if math.hypot(*wave) > 1 / SMALLEST_PITCH_PX:
        return None
    halvings = int(np.clip(math.floor(math.log2(1 / (8 * math.hypot(*wave)))), 0, len(levels) - 1))
    level, step = levels[halvings], 2**halvings
    wave = wave[0] * step, wave[1] * step
    start = wave
    for _ in range(3):
        z, x, y = _demodulated(level, wave)
        region = _region(np.abs(z))
        if region is None:
            return None
        wave = _refined(z, x, y, region, wave)
        if not 2 / max(level.shape) < math.hypot(*wave) < 1 / SMALLEST_PITCH_PX:
            return None
        # Further off it is another wave: in a region without this one, five times it would end at the longer lines.
        if math.dist(wave, start) > _ASTRAY * math.hypot(*start):
            return None
    z, x, y = _demodulated(level, wave)
    region = _region(np.abs(z))
    if region is None:
        return None
    length = math.hypot(*wave)
    direction = wave[0] / length, wave[1] / length
    u = x[None, :] * direction[0] + y[:, None] * direction[1]
    v = y[:, None] * direction[0] - x[None, :] * direction[1]
    pitch = 1 / length
    v_range = _band(np.abs(z), u, v, region, pitch)
    u_range = float(u[region].min()), float(u[region].max())
    if u_range[1] - u_range[0] < (FEWEST_LINES - 2) * pitch or v_range[1] - v_range[0] < 3:
        return None
    inside = region & (v >= v_range[0]) & (v <= v_range[1])
    if not inside.any():
        return None
    total = complex(np.sum(z[inside]))
    if abs(total) < _IN_STEP * float(np.sum(np.abs(z[inside]))):
        return None
    phase = math.atan2(total.imag, total.real)
    found = Graduation(direction, pitch, -phase / (2 * math.pi) * pitch, u_range, v_range)
    return _at_full_resolution(found, step)


def _demodulated(
    level: Floats, wave: tuple[float, float]
) -> tuple[NDArray[np.complex64], NDArray[np.float64], NDArray[np.float64]]:
    """Return (z, x, y): local amplitude and phase of a wave on a grid of nodes at the places x and y."""
    rows, cols = level.shape
    pitch = 1 / math.hypot(*wave)
    along = [np.exp(-2j * math.pi * f * np.arange(n)) for f, n in ((wave[0], cols), (wave[1], rows))]
    turn_x, turn_y = (turn.astype(np.complex64) for turn in along)
    size = max(3, round(2 * pitch)) | 1
    node = max(1, int(pitch / 2))
    parts = []
    for turn in (turn_x.real, turn_x.imag):
        part = cv2.blur(level * turn[None, :], (size, 1))
        parts.append(cv2.blur(part, (size, 1))[:, node // 2 :: node])
    z = (parts[0] + 1j * parts[1]) * turn_y[:, None]
    z = cv2.blur(z.real, (1, size)) + 1j * cv2.blur(z.imag, (1, size))
    z = z[node // 2 :: node]
    x = np.arange(node // 2, cols, node, dtype=float)
    y = np.arange(node // 2, rows, node, dtype=float)
    return z.astype(np.complex64), x, y


def _region(amplitude: NDArray[np.float32]) -> NDArray[np.bool_] | None:
    """Return the largest connected part of the grid where the wave is strong; None where it is next to nothing."""
    strong = amplitude >= 0.35 * np.quantile(amplitude, 0.997)
    count, labels, _, _ = cv2.connectedComponentsWithStats(strong.astype(np.uint8))
    if count < 2:
        return None
    weight = np.bincount(labels.ravel(), weights=amplitude.ravel(), minlength=count)
    weight[0] = 0
    region = np.asarray(labels == int(weight.argmax()))
    return region if region.sum() >= 4 else None


def _refined(
    z: NDArray[np.complex64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    region: NDArray[np.bool_],
    wave: tuple[float, float],
) -> tuple[float, float]:
    """Correct a wave vector by how its phase drifts over the region, first from node to node, then overall."""
    steps = []
    for axis, place in ((1, x), (0, y)):
        ahead = np.roll(z, -1, axis=axis) * np.conj(z)
        both = region & np.roll(region, -1, axis=axis)
        index = [slice(None), slice(None)]
        index[axis] = slice(None, -1)
        total = complex(np.sum((ahead * both)[tuple(index)]))
        spacing = float(place[1] - place[0]) if len(place) > 1 else 1.0
        steps.append(math.atan2(total.imag, total.real) / spacing if total else 0.0)
    at_x, at_y = np.broadcast_to(x[None, :], z.shape)[region], np.broadcast_to(y[:, None], z.shape)[region]
    values = z[region]
    weight = np.abs(values)
    drift = np.array([0.0, *steps])
    middle = float(at_x.mean()), float(at_y.mean())
    design = np.column_stack([np.ones(len(at_x)), at_x - middle[0], at_y - middle[1]])
    for _ in range(4):
        turned = values * np.exp(-1j * (design[:, 1:] @ drift[1:]))
        rest = np.angle(turned * np.exp(-1j * np.angle(np.sum(turned))))
        fit = np.linalg.lstsq(design * weight[:, None], rest * weight, rcond=None)[0]
        drift[1:] += fit[1:]
    return wave[0] + drift[1] / (2 * math.pi), wave[1] + drift[2] / (2 * math.pi)


def _band(
    amplitude: NDArray[np.float32],
    u: NDArray[np.float64],
    v: NDArray[np.float64],
    region: NDArray[np.bool_],
    pitch: float,
) -> tuple[float, float]:
    """Return the range of v in which the wave has its full strength: the lines' common length, less its ends."""
    low, high = float(u[region].min()), float(u[region].max())
    inside = (u >= low) & (u <= high)
    start = float(v[region].min())
    row = np.floor((v[inside] - start) / (pitch / 2)).astype(int)
    good = row >= 0
    row, values = row[good], amplitude[inside][good]
    mean = np.bincount(row, weights=values) / np.maximum(np.bincount(row), 1)
    strong = mean >= 0.6 * mean.max()
    peak = int(mean.argmax())
    first = peak - int(np.argmin(strong[: peak + 1][::-1])) + 1 if not strong[: peak + 1].all() else 0
    after = strong[peak:]
    last = peak + int(np.argmin(after)) if not after.all() else len(strong)
    v0, v1 = start + first * pitch / 2, start + last * pitch / 2
    trim = 0.08 * (v1 - v0)
    return v0 + trim, v1 - trim


def _at_full_resolution(graduation: Graduation, step: int) -> Graduation:
    """Turn positions on the ``step`` × ``step`` averages into positions of the picture."""
    if step == 1:
        return graduation
    cos, sin = graduation.direction
    offset = (step - 1) / 2
    du, dv = offset * (cos + sin), offset * (cos - sin)
    return replace(
        graduation,
        pitch_px=graduation.pitch_px * step,
        origin_px=graduation.origin_px * step + du,
        u_range=(graduation.u_range[0] * step + du, graduation.u_range[1] * step + du),
        v_range=(graduation.v_range[0] * step + dv, graduation.v_range[1] * step + dv),
    )
