"""Rim: the closed outline at which the structure of the metal changes, drawn from a coarse guess ever closer."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.locate.structure import Structure
from xsect.locate.tone import Floats
from xsect.locate.weld_frame import SPAN

POINTS = 144
"""Number of points of an outline, evenly spaced along it."""

GRID = 5
"""Frame px to one px of the grid on which the coarse guess is found."""

SQUARENESS = 2.2
"""Exponent of the superellipse guessed: nuggets are a little fuller than ellipses (common practice)."""

HALVES = np.array([0.07, 0.1, 0.14, 0.2, 0.28, 0.38, 0.46])
"""Half widths guessed, in bond widths."""

HEIGHTS = (0.12, 0.25, 0.45, 0.7, 1.0)
"""Half heights guessed, in half widths."""

LOWEST = 8.0
"""Smallest half width or height in frame px that shows a structure of its own."""

Outline = NDArray[np.float64]
"""(POINTS, 2) places (x, y) of a closed outline in frame px, clockwise on the picture from its right end."""


def ellipse(x: float, y: float, half: float, up: float, down: float) -> Outline:
    """Return a superellipse of half width ``half`` that reaches ``up`` and ``down`` from (x, y)."""
    turn = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    c, s = np.cos(turn), np.sin(turn)
    power = 2 / SQUARENESS
    height = np.where(s < 0, up, down)
    return even(
        np.column_stack([
            x + half * np.sign(c) * np.abs(c) ** power, y + height * np.sign(s) * np.abs(s) ** power
        ])
    )  # fmt: skip


def even(outline: NDArray[np.float64]) -> Outline:
    """Return a closed polyline (n, 2) resampled to POINTS evenly spaced points."""
    closed = np.vstack([outline, outline[:1]])
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.linspace(0, arc[-1], POINTS, endpoint=False)
    return np.column_stack([np.interp(at, arc, closed[:, axis]) for axis in (0, 1)])


def smoothed(outline: Outline, orders: int) -> Outline:
    """Return the outline with only its first ``orders`` waves along it."""
    waves = np.fft.fft(outline[:, 0] + 1j * outline[:, 1])
    waves[orders + 1 : -orders] = 0
    places = np.fft.ifft(waves)
    return even(np.column_stack([places.real, places.imag]))


def normals(outline: Outline) -> NDArray[np.float64]:
    """Return the outward unit normals (POINTS, 2)."""
    along = np.roll(outline, -2, axis=0) - np.roll(outline, 2, axis=0)
    out = np.column_stack([along[:, 1], -along[:, 0]])
    return np.asarray(out / np.maximum(np.hypot(*out.T), 1e-9)[:, None])


def size(outline: Outline) -> float:
    """Return the length in px over which the outline may be moved: its half height, or half width if less."""
    width, height = np.ptp(outline, axis=0) / 2
    return float(min(width, 1.2 * height))


def guesses(line: NDArray[np.float64], structure: Structure, count: int = 3) -> list[Outline]:
    """Return the superellipses across whose rims the structure changes most steadily, best first.

    They lie about the middle of the bond on the faying ``line`` (y of each column) of a frame whose bond is SPAN
    wide. No two of them are alike.
    """
    share = _gridded(structure.weights, structure.weights)[..., 0]
    seen = share > 0.5
    if seen.sum() < 100:
        return []
    grid = np.concatenate([_gridded(plane, structure.weights) for plane in structure.planes], axis=-1)
    grid /= share[..., None] + np.float32(1e-3)
    grid /= _spread(grid, seen)
    middle = line.size / 2
    base = float(line[line.size // 2])
    starts = []
    for half in SPAN * HALVES:
        aside = min(0.3 * SPAN, 0.55 * SPAN - half)
        shapes = np.array([
            (middle + x * aside, base + shift * height * half, half, height * half, height * half)
            for x in np.linspace(-1, 1, 7) for height in HEIGHTS for shift in (-0.5, 0.0, 0.5)
            if height * half > LOWEST
        ])  # fmt: skip
        starts.append(shapes)
    scores = np.split(_changes(np.vstack(starts), grid, seen), np.cumsum([len(one) for one in starts])[:-1])
    best = [int(one.argmax()) for one in scores]
    found = _climbed(
        np.array([one[k] for one, k in zip(starts, best, strict=True)]),
        np.array([one[k] for one, k in zip(scores, best, strict=True)]),
        grid,
        seen,
    )
    found.sort(key=lambda one: -one[1])
    kept: list[NDArray[np.float64]] = []
    for shape, score in found:
        if score > 0 and all(np.abs(np.log(shape[2:] / other[2:])).max() > 0.2 for other in kept):
            kept.append(shape)
    return [ellipse(*shape) for shape in kept[:count]]


def _gridded(image: Floats, weights: Floats) -> Floats:
    """Return an image (rows, columns[, k]) of a frame, weighted, averaged about each px of the frame's grid."""
    seen = weights
    if image.shape[1] < weights.shape[1]:
        seen = np.asarray(cv2.resize(weights, image.shape[1::-1], interpolation=cv2.INTER_AREA), np.float32)
    weighted = image if image is weights else image * (seen if image.ndim == 2 else seen[..., None])
    size = (weights.shape[1] // GRID, weights.shape[0] // GRID)
    small = cv2.resize(weighted, size, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), 1.0).reshape(*small.shape[:2], -1), np.float32)


def _climbed(
    shapes: NDArray[np.float64], best: NDArray[np.float64], grid: Floats, seen: NDArray[np.bool_]
) -> list[tuple[NDArray[np.float64], float]]:
    """Move and stretch each of the (n, 5) shapes in ever smaller steps while that makes its change stronger."""
    shapes, best = shapes.copy(), best.copy()
    for scale in (0.3, 0.15, 0.08):
        going = np.arange(len(shapes))
        for _ in range(4):
            now = shapes[going]
            unit = np.column_stack([now[:, 2], now[:, 3:].mean(axis=1), now[:, 2:]])
            moves = np.vstack([np.eye(5), -np.eye(5)])[None] * scale * unit[:, None]
            tried = now[:, None] + moves
            tried[..., 2:] = np.maximum(tried[..., 2:], LOWEST)
            scores = _changes(tried.reshape(-1, 5), grid, seen).reshape(len(going), -1)
            top = scores.argmax(axis=1)
            most = scores[np.arange(len(going)), top]
            better = most > best[going]
            shapes[going[better]] = tried[np.arange(len(going)), top][better]
            best[going[better]] = most[better]
            going = going[better]
            if not going.size:
                break
    return [(shape, float(score)) for shape, score in zip(shapes, best, strict=True)]


def _changes(shapes: NDArray[np.float64], grid: Floats, seen: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return (n,) how steadily the structure changes across the rims of (n, 5) shapes, over and under each."""
    turn = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    x, y, half, up, down = (shapes[:, k : k + 1] for k in range(5))
    c, s = (np.sign(one) * np.abs(one) ** (2 / SQUARENESS) for one in (np.cos(turn), np.sin(turn)))
    off_x, off_y = half * c, np.where(s < 0, up, down) * s
    total = np.zeros(len(shapes))
    steps, both = None, np.ones(off_x.shape, bool)
    for sign, ring in ((1, 0.8), (-1, 1.22)):
        columns, rows = (np.floor((a + ring * b) / GRID).astype(np.intp) for a, b in ((x, off_x), (y, off_y)))
        both &= (rows >= 0) & (columns >= 0) & (rows < seen.shape[0]) & (columns < seen.shape[1])
        rows, columns = np.clip(rows, 0, seen.shape[0] - 1), np.clip(columns, 0, seen.shape[1] - 1)
        both &= seen[rows, columns]
        values = sign * grid[rows, columns]
        steps = values if steps is None else steps + values
    assert steps is not None
    for part in (slice(0, turn.size // 2), slice(turn.size // 2, None)):
        mine, step = both[:, part, None], steps[:, part]
        number = np.maximum(mine.sum(axis=1), 1)
        mean = (step * mine).sum(axis=1) / number
        spread = (np.square(step - mean[:, None]) * mine).sum(axis=1) / number
        strength = np.sqrt((mean**2 / (0.25 + spread / 4)).sum(axis=1))
        total += np.where(number[:, 0] >= 0.6 * turn.size / 2, strength, -99.0)
    # small rims are steady by chance more easily than large ones
    return total * np.minimum(1.0, shapes[:, 2] / SPAN / 0.2) ** 0.5


def _spread(grid: Floats, seen: NDArray[np.bool_]) -> Floats:
    """Return by how much each feature differs between places as far apart as two rings: a robust deviation."""
    lag = 8
    pair = seen[:, lag:] & seen[:, :-lag]
    off = (grid[:, lag:] - grid[:, :-lag])[pair]
    return np.asarray(1.4826 * np.median(np.abs(off), axis=0) + 0.01, np.float32)


@dataclass(frozen=True)
class Band:
    """The features along an outline's normals: ``values`` (m, POINTS, k), ``seen`` (m, POINTS) weights, at the
    ``offsets`` (m,) px outward; ``upper`` (POINTS,): over the faying line."""

    offsets: NDArray[np.float64]
    values: Floats
    seen: Floats
    upper: NDArray[np.bool_]


def band(outline: Outline, line: NDArray[np.float64], structure: Structure, reach: float) -> Band:
    """Return the band of ``reach`` px to either side of the outline."""
    offsets = np.linspace(-reach, reach, 2 * max(12, round(reach / PITCH)) + 1)
    places = (outline[None] + offsets[:, None, None] * normals(outline)[None]).astype(np.float32)
    x, y = np.ascontiguousarray(places[..., 0]), np.ascontiguousarray(places[..., 1])
    seen = cv2.remap(structure.weights, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    upper = outline[:, 1] < np.interp(outline[:, 0], np.arange(line.size), line)
    return Band(offsets, structure.at(x, y), np.asarray(seen, np.float32), upper)


PITCH = 1.0
"""Largest step in px along a normal."""

REST = 1.5
"""Distance in px from the rim within which its blur leaves neither side pure."""


def direction(one: Band, width: float, points: NDArray[np.bool_]) -> NDArray[np.float64] | None:
    """Return the direction (k,) in which the features at ``points`` differ most between the ``width`` px inside and
    those outside the rim, against their own spread (Fisher's linear discriminant), scaled so that they differ by 1;
    None where too little is seen."""
    sides = []
    for sign in (-1, 1):
        near = (sign * one.offsets >= REST) & (sign * one.offsets <= width + REST)
        where = near[:, None] & points[None, :] & (one.seen > 0.5)
        if where.sum() < 40:
            return None
        sides.append(one.values[where])
    means = [side.mean(axis=0) for side in sides]
    difference = (means[0] - means[1]).astype(np.float64)
    off = [side - mean for side, mean in zip(sides, means, strict=True)]
    within = sum((one.T @ one).astype(np.float64) / (len(one) - 1) for one in off) / 2
    within += np.diag(0.1 * np.diag(within) + 1e-4)
    axis = np.linalg.solve(within, difference)
    scale = float(axis @ difference)
    return np.asarray(axis / scale) if scale > 1e-9 else None


def tone(one: Band, width: float) -> Floats:
    """Return one number (m, POINTS) that is 1 higher inside than outside, over and under the line by its own
    direction: the two parts may be of different metals."""
    out = np.zeros(one.seen.shape, np.float32)
    few = min(int(one.upper.sum()), int((~one.upper).sum())) < POINTS // 5
    for half in [np.ones(POINTS, bool)] if few else [one.upper, ~one.upper]:
        axis = direction(one, width, half)
        if axis is not None:
            out[:, half] = one.values[:, half] @ axis.astype(np.float32)
    return out


def refine(
    outline: Outline,
    line: NDArray[np.float64],
    structure: Structure,
    *,
    reach: float,
    width: float,
    orders: int,
) -> Outline:
    """Return the closed outline within ``reach`` px of the given one along which the structure changes most.

    ``width``: px of the windows on either side that are compared; ``orders``: waves that the outline may have.
    """
    one = band(outline, line, structure, reach + 1.5 * width)
    strength = steps(tone(one, 1.5 * width), one, width)
    strength[np.abs(one.offsets) > reach] = -9.0
    pitch = float(one.offsets[1] - one.offsets[0])
    spacing = float(np.hypot(*(outline[1] - outline[0])))
    path = closed_path(strength, bend=BEND * (pitch / spacing) ** 2)
    return smoothed(outline + one.offsets[path][:, None] * normals(outline), orders)


BEND = 1.2
"""What it costs the outline to leave its course by 45 degrees, in steps of a nugget's contrast."""


def steps(values: Floats, one: Band, width: float) -> Floats:
    """Return at each place along each normal by how much the mean ``width`` px inside exceeds that outside it."""
    pitch = float(one.offsets[1] - one.offsets[0])
    n, rest = max(2, round(width / pitch)), max(1, round(REST / pitch))
    weight = gaussian_filter1d(one.seen, 1.5, axis=1, mode="wrap") + 1e-6
    smooth = gaussian_filter1d(values * one.seen, 1.5, axis=1, mode="wrap")
    zero = np.zeros((1, POINTS))
    sums, counts = (np.vstack([zero, np.cumsum(part, axis=0)]) for part in (smooth, weight))
    place = np.arange(len(one.offsets))
    last = len(place)

    def window(start: NDArray[np.intp], stop: NDArray[np.intp]) -> tuple[Floats, Floats]:
        start, stop = np.clip(start, 0, last), np.clip(stop, 0, last)
        number = counts[stop] - counts[start]
        return (sums[stop] - sums[start]) / np.maximum(number, 1e-6), number

    inner, before = window(place - n - rest + 1, place - rest + 1)
    outer, after = window(place + rest, place + n + rest)
    enough = (before > 0.4 * n) & (after > 0.4 * n)
    return np.where(enough, inner - outer, 0.0).astype(np.float32)


def closed_path(strength: Floats, *, bend: float, most: int = 3) -> NDArray[np.intp]:
    """Return for each column of ``strength`` (rows, columns) the row of the strongest path that closes on itself.

    A change of one row from a column to the next costs ``bend``, of two rows four times as much.
    """
    start = strength.shape[1] // 2
    doubled = np.ascontiguousarray(np.concatenate([strength, strength], axis=1).T, np.float64)
    columns, rows = doubled.shape
    moves = np.arange(-most, most + 1)
    cost = (bend * moves**2.0)[:, None]
    totals = np.full((columns, rows + 2 * most), -1e9)
    # row k of a column's view holds what lies k - most rows further on
    before = sliding_window_view(totals, rows, axis=1)
    choices = np.empty((len(moves), rows))
    totals[0, most:-most] = doubled[0]
    for column in range(1, columns):
        np.subtract(before[column - 1], cost, out=choices)
        np.add(choices.max(axis=0), doubled[column], out=totals[column, most:-most])
    path = np.empty(columns, np.intp)
    path[-1] = row = int(totals[-1].argmax()) - most
    cost = cost[:, 0]
    for column in range(columns - 1, 0, -1):
        row += int((totals[column - 1, row : row + len(moves)] - cost).argmax()) - most
        path[column - 1] = row
    # the middle of two rounds knows of both its neighbours
    return np.roll(path[start : start + strength.shape[1]], start)
