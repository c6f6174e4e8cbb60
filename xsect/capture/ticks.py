"""The lines of a graduation, all fitted at once: centre, strength and evenness of each.

A line is a blurred band: two error-function edges that share their blur with all other lines. Centres are fitted
to the pixels themselves, at their true places along the graduation, so that neither turning nor interpolating the
picture can shift them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from xsect.capture.graduation import FEWEST_LINES, Floats, Graduation

Array = NDArray[np.floating[Any]]

_MOST_PIXELS = 60_000
"""Pixels of the band used: more would make centres no better than the graduation itself is."""


_STRAIGHT_PX = 0.02
"""How far the ends of a line may stray from the direction that was fitted."""


_DARK = 0.3
"""Share of the mean light from which a place is lit enough to count."""

_FULL = 254.0
"""Grey level, of 255, up to which a value is surely less than the camera takes."""


@dataclass(frozen=True)
class Ticks:
    """Lines of a graduation, in order. All arrays are (k,).

    ``index``: whole number of each line; ``centre``: its place along the graduation, px (see `Graduation`);
    ``strength``: contrast, signed (negative: darker than the ground); ``good``: seen, and like the others. ``noise``:
    scatter of single pixels about the fit, the median line's; ``unevenness``: variance of the ink along the lines
    over its mean squared (0 for lines, more for letters or dots); ``half_width`` and ``blur``: of the lines, px;
    ``askew``: angle (rad) left between the lines and the direction at right angles to the graduation's;
    ``graduation``: as turned to the lines.
    """

    index: NDArray[np.int64]
    centre: Array
    strength: Array
    good: NDArray[np.bool_]
    noise: float
    unevenness: float
    half_width: float
    blur: float
    askew: float
    graduation: Graduation


def fit_ticks(grey: Floats, graduation: Graduation, *, turns: int = 2) -> Ticks | None:
    """Fit every line of a graduation; None where fewer than six are in full view or they look like no lines.

    Where the lines show that their direction was not met, it is turned and they are fitted again, ``turns`` times.
    """
    for _ in range(1 + turns):
        ticks = _fitted(grey, graduation)
        if ticks is None or abs(ticks.askew) * (graduation.v_range[1] - graduation.v_range[0]) < _STRAIGHT_PX:
            break
        graduation = _turned(graduation, -ticks.askew)
    return ticks


def _turned(graduation: Graduation, angle: float) -> Graduation:
    """Turn a graduation about the middle of its band by a small angle, rad."""
    cos, sin = graduation.direction
    length = math.hypot(1, angle)
    direction = (cos - angle * sin) / length, (sin + angle * cos) / length
    u, v = (sum(ends) / 2 for ends in (graduation.u_range, graduation.v_range))

    def moved(ends: tuple[float, float], by: float) -> tuple[float, float]:
        return ends[0] + by, ends[1] + by

    return replace(
        graduation,
        direction=direction,
        origin_px=graduation.origin_px + angle * v,
        u_range=moved(graduation.u_range, angle * v),
        v_range=moved(graduation.v_range, -angle * u),
    )


def _fitted(grey: Floats, graduation: Graduation) -> Ticks | None:
    band = band_pixels(grey, graduation)
    if band is None:
        return None
    u, v, value = band
    pitch = graduation.pitch_px
    offset, half, blur = _shape(u - graduation.origin_px, value, pitch)
    origin = graduation.origin_px + offset
    index = np.rint((u - origin) / pitch).astype(np.int64)
    first = int(index.min())
    line = index - first
    count = int(line.max()) + 1
    index = np.arange(first, first + count)
    start = origin + index * pitch
    centre, fit, rest = _centres(u, value, line, start, half, blur, pitch)
    # Uneven light multiplies: it makes one flank of a line stronger, by an amount that changes over the field.
    light, usable = _light(u, v, value, _wave(u - centre[line], half, blur, pitch), fit)
    u, v, line, value = u[usable], v[usable], line[usable], (value / light)[usable]
    centre, fit, rest = _centres(u, value, line, centre, half, blur, pitch)
    pixels = np.bincount(line, minlength=count)
    seen = pixels >= 0.6 * np.median(pixels)
    strength = fit[:, 2]
    usual = float(np.median(strength[seen]))
    if usual == 0:
        return None
    scatter = np.sqrt(np.bincount(line, weights=rest**2, minlength=count) / np.maximum(pixels, 1))
    good = seen & (strength / usual > 0.35) & (strength / usual < 2.5)
    good &= np.abs(centre - start) < 0.35 * pitch
    # Dirt and digits on a line show in what its fit leaves over.
    good &= scatter < 2.5 * np.median(scatter[seen])
    noise = float(np.median(scatter[seen]))
    if good.sum() < FEWEST_LINES:
        return None
    ink = value - fit[line, 0] - fit[line, 1] * (u - centre[line]) / pitch
    uneven = _unevenness(u - centre[line], v, ink, line, half + blur, pitch, noise)
    bend = fit[line, 2] * _slope(u - centre[line], half, blur) * (v - v.mean())
    askew = -float(bend @ rest) / max(float(bend @ bend), 1e-12)
    return Ticks(
        index[seen], centre[seen], strength[seen], good[seen], noise, uneven, half, blur, askew, graduation
    )


def _centres(
    u: Array, value: Array, line: NDArray[np.int64], start: Array, half: float, blur: float, pitch: float
) -> tuple[Array, Array, Array]:
    """Return the centres of all lines, the values of the last fit (see `_linear_fit`) and its residuals."""
    centre = start.copy()
    for _ in range(5):
        fit, rest = _linear_fit(u - centre[line], value, line, len(start), half, blur, pitch)
        with np.errstate(divide="ignore", invalid="ignore"):
            shift = np.where(fit[:, 2] * np.median(fit[:, 2]) > 0, -fit[:, 3] / fit[:, 2], 0.0)
        shift = np.clip(np.nan_to_num(shift), -0.2 * pitch, 0.2 * pitch)
        centre += shift
        if np.abs(shift).max() < 3e-4:
            break
    return centre, fit, rest


def _light(u: Array, v: Array, value: Array, ink: Array, fit: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Return the light at the pixels relative to its mean, a parabola in ``u`` and ``v``, and which of them may be
    used: those neither nearly dark nor saturated nor covered by a label or dirt.

    ``ink``: where the lines are, 0 to 1; they take away a constant share of the light, or add it. The light is ones
    where the ground is so dark that it cannot be told.
    """
    ground, strength = (float(np.median(fit[:, k])) for k in (0, 2))
    line = strength * float(ink.max())
    everywhere = np.ones(len(u), bool)
    if ground <= 20 or ground + line <= 0:
        return np.ones_like(u), everywhere
    x, y = (2 * (w - w.min()) / max(float(np.ptp(w)), 1e-9) - 1 for w in (u, v))
    surface = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    through = surface * (1 + strength / ground * ink)[:, None]
    kept = everywhere
    for _ in range(4):
        normal = through[kept].T @ through[kept]
        normal += (1e-12 * np.trace(normal) + 1e-12) * np.eye(6)
        found = np.linalg.solve(normal, through[kept].T @ value[kept])
        rest = np.abs(value - through @ found)
        scatter = 1.4826 * float(np.median(rest))
        kept = rest <= 3.5 * scatter
    light = surface @ found / ground
    # At the ends of the camera's range noise is cut off on one side, on one flank of a line more than on the other.
    darkest = min(ground, ground + line)
    usable = (light > _DARK) & (light * darkest > 2 * scatter) & (light * ground < _FULL - 2 * scatter)
    # What is as far from the light with its lines as a line is from its ground is neither of them.
    usable &= rest <= np.maximum(0.7 * abs(line) * light, 6 * scatter)
    return np.maximum(light, _DARK), usable if usable.mean() > 0.5 else everywhere


def band_pixels(grey: Floats, graduation: Graduation) -> tuple[Array, Array, Array] | None:
    """Return the places u and v and the values of the band's pixels; None where it lies outside the picture."""
    rows, cols = grey.shape
    cos, sin = graduation.direction
    corners = [(u * cos - v * sin, u * sin + v * cos) for u in graduation.u_range for v in graduation.v_range]
    left, right = (min(c[0] for c in corners), max(c[0] for c in corners))
    top, bottom = (min(c[1] for c in corners), max(c[1] for c in corners))
    left, top = max(math.floor(left), 0), max(math.floor(top), 0)
    right, bottom = min(math.ceil(right) + 1, cols), min(math.ceil(bottom) + 1, rows)
    if right - left < 2 or bottom - top < 2:
        return None
    y, x = np.mgrid[top:bottom, left:right]
    u, v = x * cos + y * sin, y * cos - x * sin
    inside = (v >= graduation.v_range[0]) & (v <= graduation.v_range[1])
    # Whole lines only: half a pitch more at either end.
    reach = 0.5 * graduation.pitch_px
    inside &= (u >= graduation.u_range[0] - reach) & (u <= graduation.u_range[1] + reach)
    if inside.sum() > _MOST_PIXELS:
        # Lines are long: every n-th row (or column) along them says the same.
        every = math.ceil(inside.sum() / _MOST_PIXELS)
        inside &= ((y if abs(cos) > abs(sin) else x) % every) == 0
    if not inside.any():
        return None
    return u[inside], v[inside], grey[top:bottom, left:right][inside].astype(float)


def _template(d: Array, half: float, blur: float) -> Array:
    """Blurred band of half width ``half`` about 0."""
    from scipy.special import ndtr

    return np.asarray(ndtr((d + half) / blur) - ndtr((d - half) / blur))


def _wave(d: Array, half: float, blur: float, pitch: float) -> Array:
    """`_template` of a line and its two neighbours."""
    return sum(_template(d + k * pitch, half, blur) for k in (-1, 0, 1))  # type: ignore[return-value]


def _looked_up(d: Array, half: float, blur: float, pitch: float) -> tuple[Array, Array]:
    """Return `_wave` and `_slope`, from a table, for they are asked for at very many places."""
    reach, nodes = 0.75 * pitch, 4096
    at = np.linspace(-reach, reach, nodes + 1)
    step = np.clip((d + reach) * (nodes / (2 * reach)), 0, nodes - 1e-6)
    low = step.astype(np.intp)
    beyond = step - low
    wave, slope = _wave(at, half, blur, pitch), _slope(at, half, blur)
    return wave[low] + beyond * np.diff(wave)[low], slope[low] + beyond * np.diff(slope)[low]


def _slope(d: Array, half: float, blur: float) -> Array:
    """Derivative of `_template` with respect to ``d``."""
    z, w = (d + half) / blur, (d - half) / blur
    return (np.exp(-0.5 * z * z) - np.exp(-0.5 * w * w)) / (blur * math.sqrt(2 * math.pi))


def _shape(u: Array, value: Array, pitch: float) -> tuple[float, float, float]:
    """Return (place, half width, blur) of the lines' common profile, folded over all of them.

    Lines and the gaps between them are the same wave: the narrower of the two is taken for the lines.
    """
    from scipy.optimize import least_squares

    turns = np.floor(u / pitch).astype(np.int64)
    line = turns - turns.min()
    ground = np.bincount(line, weights=value) / np.maximum(np.bincount(line), 1)
    d = u - turns * pitch
    bins = np.clip((d / pitch * 96).astype(int), 0, 95)
    count = np.bincount(bins, minlength=96)
    used = count > 0
    weight = count[used]
    place = np.bincount(bins, weights=d, minlength=96)[used] / weight
    level = np.bincount(bins, weights=value - ground[line], minlength=96)[used] / weight
    root = np.sqrt(weight / weight.max())
    middle = level - weight @ level / weight.sum()
    places = place[:, None] + pitch * np.arange(-2, 3)

    def left_over(p: Array) -> Array:
        half, blur, centre = p
        profile = _template(places - centre, half, blur).sum(axis=1)
        profile = profile - weight @ profile / weight.sum()
        strength = (weight * profile) @ middle / max(float((weight * profile) @ profile), 1e-12)
        return np.asarray((middle - strength * profile) * root)

    bounds = ([0.02 * pitch, 0.25, -0.5 * pitch], [0.48 * pitch, 0.4 * pitch, 1.5 * pitch])
    starts = [
        [half * pitch, float(np.clip(0.1 * pitch, 0.26, 2.0)), float(place[np.argmax(sign * level)])]
        for half in (0.08, 0.2)
        for sign in (-1, 1)
    ]
    best = min((least_squares(left_over, start, bounds=bounds) for start in starts), key=lambda fit: fit.cost)
    half, blur, centre = (float(value) for value in best.x)
    if half > pitch / 4:
        half, centre = pitch / 2 - half, centre + pitch / 2
    return centre, half, blur


def _linear_fit(
    d: Array, value: Array, line: NDArray[np.int64], count: int, half: float, blur: float, pitch: float
) -> tuple[Array, Array]:
    """Fit ground, its slope, strength and shift of every line; return (count, 4) values and the residuals."""
    basis = [np.ones_like(d), d / pitch, *_looked_up(d, half, blur, pitch)]
    normal = np.empty((count, 4, 4))
    right = np.empty((count, 4))
    for i, one in enumerate(basis):
        right[:, i] = np.bincount(line, weights=one * value, minlength=count)
        for j in range(i + 1):
            normal[:, i, j] = normal[:, j, i] = np.bincount(line, weights=one * basis[j], minlength=count)
    normal += (1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] + 1e-12) * np.eye(4)
    fit = np.linalg.solve(normal, right[..., None])[..., 0]
    rest = value - sum(one * fit[line, i] for i, one in enumerate(basis))
    return fit, rest


def _unevenness(
    d: Array, v: Array, ink: Array, line: NDArray[np.int64], reach: float, pitch: float, noise: float
) -> float:
    """Return the median over lines of the variance of the ink along a line over its mean squared, noise taken off.

    Ink is averaged over cells of an eighth of the pitch, finer than letters whose lines lie a pitch apart.
    """
    inside = np.abs(d) <= max(reach, 0.6)
    d, v, ink, line = d[inside], v[inside], ink[inside], line[inside]
    row = np.floor((v - v.min()) / max(pitch / 8, 1.0)).astype(np.int64)
    rows, lines = int(row.max()) + 1, int(line.max()) + 1
    cell = line * rows + row
    count = np.bincount(cell, minlength=lines * rows).reshape(lines, rows)
    mean = np.bincount(cell, weights=ink, minlength=lines * rows).reshape(lines, rows) / np.maximum(count, 1)
    filled = count > 0
    cells = np.maximum(filled.sum(axis=1), 1)
    middle = np.where(filled, mean, 0).sum(axis=1) / cells
    spread = np.where(filled, (mean - middle[:, None]) ** 2 - noise**2 / np.maximum(count, 1), 0)
    return float(np.median(spread.sum(axis=1) / cells / np.maximum(middle**2, 1e-12)))
