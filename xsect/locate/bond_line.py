"""Bond line: where the faying line runs, or ran, through a bond whose middle may have been melted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from xsect.locate.section import Located
from xsect.locate.weld_frame import Bond, WeldFrame

REACH = 0.35
"""How far beside the bond, in bond widths, the gap takes part."""

MARGIN = 0.12
"""How near to a nugget, in bond widths, the located line may already have left the joint for its rim."""

SAG = 0.012
"""Standard deviation of the line's sag over a bond, in bond widths, before anything is measured."""

GRAINY = 6.0
"""How many times less a joined station says than an open one: its line hops from grain to grain, or is gone and the
located one cuts its curve short."""

CORRELATED = 15.0
"""Neighbouring stations that share grains and roughness and count as one."""

FEWEST = 12
"""Fewest stations that carry a curve."""


def bond_line(
    located: Located, bond: Bond, frame: WeldFrame, zone: NDArray[np.float64] | None = None
) -> tuple[NDArray[np.float64], float]:
    """Return ((columns,) y of the faying line in the frame, its standard uncertainty in frame px).

    A parabola in x through the stations outside ``zone``, an outline (n, 2) in the frame: inside a nugget no line
    is left, and what was located there follows its rim or its grains. Beside the bond the gap takes part: its middle
    leaves the line by a share of its opening, which is fitted with the parabola, whichever part the projection is
    on. Outliers are weighed down.
    """
    strip, opening = located.strip, located.apart
    width = bond.right - bond.left
    station = np.arange(len(strip.points))
    near = (station > bond.left - REACH * width) & (station < bond.right + REACH * width) & opening.seen
    joined = (station >= bond.left) & (station <= bond.right)
    gap = np.where(joined, 0.0, opening.thickness)
    middle = strip.points + strip.normals * np.where(gap > 2, opening.centre, 0.0)[:, None]
    places = frame.from_picture(middle)
    columns = np.arange(frame.metal.shape[1])
    if zone is not None:
        margin = MARGIN * width / frame.step
        x = places[:, 0]
        near &= ~joined | (x < zone[:, 0].min() - margin) | (x > zone[:, 0].max() + margin)
    ends = frame.from_picture(np.array([strip.place(bond.left), strip.place(bond.right)]))
    if near.sum() < FEWEST:
        return np.interp(columns, ends[:, 0], ends[:, 1]), float(SAG * width / frame.step)
    half = width / 2 / frame.step
    x, y = (places[near, 0] - ends[:, 0].mean()) / half, places[near, 1]
    terms = np.stack([np.ones_like(x), x, x * x - 1, gap[near] / frame.step], axis=1)
    # before anything is measured the line is straight and the gap opens evenly to both sides
    prior = np.diag([0.0, 0.0, 1 / (SAG * 2 * half), 1 / 0.5])
    base = np.where(joined[near], 1 / GRAINY, 1.0)
    weights = base.copy()
    scale = 1.0
    for _ in range(8):
        system = np.vstack([terms * (weights / (scale * CORRELATED**0.5))[:, None], prior])
        seen = np.concatenate([y * weights / (scale * CORRELATED**0.5), np.zeros(4)])
        fit = np.linalg.lstsq(system, seen, rcond=None)[0]
        residual = base * (y - terms @ fit)
        scale = 1.4826 * float(np.median(np.abs(residual))) + 0.3
        weights = base / np.sqrt(1 + (residual / (1.5 * scale)) ** 2)
    place = (columns - ends[:, 0].mean()) / half
    inside = np.clip(place, -1.0, 1.0)
    line = fit[0] + fit[1] * place + fit[2] * (inside**2 - 1 + 2 * inside * (place - inside))
    middle_term = np.array([1.0, 0.0, -1.0, 0.0])
    variance = middle_term @ np.linalg.inv(system.T @ system) @ middle_term
    return line, float(np.sqrt(variance))
