"""Bond line: where the faying line runs, or ran, through a bond whose middle may have been melted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from xsect.locate.section import Located
from xsect.locate.weld_frame import Bond, WeldFrame

REACH = 0.35
"""How far beside the bond, in bond widths, the gap takes part."""

SAG = 0.012
"""Standard deviation of the line's sag over a bond, in bond widths, before anything is measured."""

BOW = 0.004
"""Standard deviation, in bond widths, of how far the line bows inside a bond without the gap beside it showing it
(learned on drawn sections)."""

CORRELATED = 40.0
"""Neighbouring stations that share grains and roughness and count as one."""

FEWEST = 12
"""Fewest stations that carry a curve."""


def chord(located: Located, bond: Bond, frame: WeldFrame) -> NDArray[np.float64]:
    """Return (columns,) y of the straight line through the notches of a bond in the frame."""
    ends = frame.from_picture(np.array([located.strip.place(one) for one in (bond.left, bond.right)]))
    return np.interp(np.arange(frame.metal.shape[1]), ends[:, 0], ends[:, 1])


def bond_line(located: Located, bond: Bond, frame: WeldFrame) -> tuple[NDArray[np.float64], float]:
    """Return ((columns,) y of the faying line in the frame, its standard uncertainty in frame px).

    A parabola in x through the gap beside the bond. Where the parts are joined nothing is read: the line hops from
    grain to grain there, or is gone and the located one cuts its curve short or follows the rim of a nugget. The
    gap's middle leaves the line by a share of its opening, which is fitted with the parabola, whichever part the
    projection is on. Outliers are weighed down.
    """
    strip, opening = located.strip, located.apart
    width = bond.right - bond.left
    station = np.arange(len(strip.points))
    near = (station > bond.left - REACH * width) & (station < bond.right + REACH * width) & opening.seen
    near &= (station < bond.left) | (station > bond.right)
    gap = opening.thickness
    middle = strip.points + strip.normals * np.where(gap > 2, opening.centre, 0.0)[:, None]
    places = frame.from_picture(middle)
    columns = np.arange(frame.metal.shape[1])
    ends = frame.from_picture(np.array([strip.place(bond.left), strip.place(bond.right)]))
    if near.sum() < FEWEST:
        return chord(located, bond, frame), float(SAG * width / frame.step)
    half = width / 2 / frame.step
    x, y = (places[near, 0] - ends[:, 0].mean()) / half, places[near, 1]
    terms = np.stack([np.ones_like(x), x, x * x - 1, gap[near] / frame.step], axis=1)
    # before anything is measured the line is straight and the gap opens evenly to both sides
    prior = np.diag([0.0, 0.0, 1 / (SAG * 2 * half), 1 / 0.5])
    weights = np.ones_like(x)
    scale = 1.0
    for _ in range(8):
        system = np.vstack([terms * (weights / (scale * CORRELATED**0.5))[:, None], prior])
        seen = np.concatenate([y * weights / (scale * CORRELATED**0.5), np.zeros(4)])
        fit = np.linalg.lstsq(system, seen, rcond=None)[0]
        residual = y - terms @ fit
        scale = 1.4826 * float(np.median(np.abs(residual))) + 0.1
        weights = 1 / np.sqrt(1 + (residual / (1.5 * scale)) ** 2)
    place = (columns - ends[:, 0].mean()) / half
    inside = np.clip(place, -1.0, 1.0)
    line = fit[0] + fit[1] * place + fit[2] * (inside**2 - 1 + 2 * inside * (place - inside))
    middle_term = np.array([1.0, 0.0, -1.0, 0.0])
    variance = middle_term @ np.linalg.inv(system.T @ system) @ middle_term
    return line, float(np.hypot(np.sqrt(variance), BOW * width / frame.step))
