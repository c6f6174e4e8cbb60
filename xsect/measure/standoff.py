"""Standoff and collapse: how far apart the facing surfaces stay outside the projection."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.capture.lot_sheet import SheetRow
from xsect.locate.contacts import runs
from xsect.locate.section import Located
from xsect.quantities import Component, Measurement, measured, not_measured

LEVEL_SLOPE = 0.012
"""Rise of the opening per px of line below which a stretch is level: about 0.7 degrees."""

SMOOTHING = (10.0, 25.0)
"""Stations over which openings are smoothed before their slope is taken."""

SHORTEST = 40
"""Shortest level stretch, in px, that counts."""

FACING_SHARE = 0.8
"""Share of the largest level opening from which a level stretch is one of the facing surfaces."""

NEARLY = 0.65
"""Share of the larger of both sides' openings from which a side without a level stretch shows the same gap."""

EDGES = (0.3, 0.5, 0.3)
"""Standard uncertainty of a gap's thickness from the reference levels of its two edges: px, px to each px of blur,
and px more where the edges are those of plating. Learned from drawn sections of known standoff."""


@dataclass(frozen=True)
class Level:
    """A level stretch of the gap: first and last station, opening in px and its standard uncertainty."""

    first: int
    last: int
    opening: float
    u: float


def level_stretch(opening: NDArray[np.float64], start: int, stop: int) -> Level | None:
    """Return the level stretch of ``opening[start:stop]``, the longest one, or None."""
    piece = opening[start:stop]
    if piece.size < SHORTEST:
        return None
    # closely, for a short stretch, and widely, for rough faces have slopes of their own
    smooth, wide = (gaussian_filter1d(piece, sigma, mode="nearest") for sigma in SMOOTHING)
    slopes = [np.abs(np.gradient(one)) for one in (smooth, wide)]
    tries = []
    for limit in (LEVEL_SLOPE / 3, LEVEL_SLOPE):
        found = [run for slope in slopes for run in runs(slope < limit) if run[1] - run[0] + 1 >= SHORTEST]
        tries.append([(float(np.median(piece[run[0] : run[1] + 1])), run) for run in found])
    # the face of a projection that did not touch is level too, but nearer
    enough = FACING_SHARE * max((apart for apart, _ in (*tries[0], *tries[1])), default=0.0)
    enough = max(enough, 0.5 * float(smooth.max()))
    far = [[run for apart, run in found if apart >= enough] for found in tries]
    best = max(far[0] or far[1], key=lambda run: run[1] - run[0], default=None)
    if best is None:
        return None
    rise = abs(float(smooth[best[1]] - smooth[best[0]]))
    return _level(piece, start, best, rise, smooth)


def _level(
    piece: NDArray[np.float64], start: int, run: tuple[int, int], rise: float, smooth: NDArray[np.float64]
) -> Level:
    """Return the level of ``piece[run]``, which rises so far, ``smooth`` being its course."""
    here = slice(run[0], run[1] + 1)
    values = piece[here]
    # a short stretch that still rises may not have reached the level: as far again as the gap is high, at least
    drift = rise * max(1 / math.sqrt(12), float(np.median(values)) / values.size)
    rough = float(np.std(values - smooth[here])) / math.sqrt(values.size / 10)
    return Level(start + run[0], start + run[1], float(np.median(values)), math.hypot(drift, rough))


def nearly_level(
    opening: NDArray[np.float64], start: int, stop: int, *, outer: int, beside: float
) -> Level | None:
    """Return the outermost stretch of ``opening[start:stop]`` where it is about as far open as ``beside`` px.

    For a side too short or too rough for a level stretch while the other side, with that opening, has one: parts that
    do not lie parallel are further apart on one side. ``outer``: -1 where the side's outer end is its first station.
    """
    if stop - start < SHORTEST:
        return None
    piece = opening[start : start + SHORTEST] if outer < 0 else opening[stop - SHORTEST : stop]
    first = start if outer < 0 else stop - SHORTEST
    course = np.polynomial.Polynomial.fit(np.arange(SHORTEST), piece, 1)(np.arange(SHORTEST))
    rise = abs(float(course[-1] - course[0]))
    if rise > 3 * LEVEL_SLOPE * SHORTEST or not NEARLY * beside < float(np.median(piece)) < beside / NEARLY:
        return None
    return _level(piece, first, (0, SHORTEST - 1), rise, course)


def find_levels(located: Located) -> list[Level]:
    """Return the level stretch of the gap on each side of the bond, left before right, where there is one."""
    n = located.stations.opening.size
    segments = located.stations.segments
    sides = [(0, n)]
    if segments:
        sides = [(0, int(segments[0].left.station)), (int(segments[-1].right.station) + 1, n)]
    opening = located.surfaces.thickness
    levels = [level_stretch(opening, *side) for side in sides]
    if len(sides) == 2 and (seen := [level for level in levels if level]) and len(seen) == 1:
        bare = levels.index(None)
        levels[bare] = nearly_level(opening, *sides[bare], outer=(-1, 1)[bare], beside=seen[0].opening)
    return [level for level in levels if level]


def measure_standoff(
    levels: list[Level], blur: float, um_per_px: float, u_scale: float, row: SheetRow
) -> list[Measurement]:
    """Measure standoff and collapse from the level stretches of the gap, or say why not.

    ``blur``: standard deviation in px of the gap's edges.
    """
    if not levels:
        why = "the gap is not level anywhere in the picture"
        return [not_measured("standoff", why), not_measured("collapse", why)]
    value = float(np.mean([level.opening for level in levels])) * um_per_px
    each = math.sqrt(sum(level.u**2 for level in levels)) / len(levels) * um_per_px
    edges = math.hypot(EDGES[0], EDGES[1] * blur, EDGES[2] if row.plated else 0.0)
    parts = [
        Component("level stretch", each),
        Component("edges", edges * um_per_px),
        Component("scale", u_scale * value),
    ]
    if len(levels) == 2:
        parts.append(
            Component("sides", abs(levels[0].opening - levels[1].opening) / math.sqrt(12) * um_per_px)
        )
    standoff = measured("standoff", value, tuple(parts), method="photometric thickness of the gap")
    height = row.projection_height_um
    if height is None:
        return [standoff, not_measured("collapse", "the lot sheet gives no projection_height_um")]
    budget = tuple(Component(part.name, part.u / height) for part in parts)
    return [standoff, measured("collapse", (height - value) / height, budget)]
