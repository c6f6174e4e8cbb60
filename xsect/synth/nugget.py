"""The nugget's rim: a superellipse with gentle waves, as a signed depth and as an outline."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from xsect.synth.design import Nugget

Floats = NDArray[np.float64]


def outline(nugget: Nugget, points: int = 7200) -> tuple[Floats, Floats]:
    """Return the rim as (u, v), each (points,), µm."""
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    c, s = np.cos(angle), np.sin(angle)
    height = np.where(s < 0, nugget.half_height_upper, nugget.half_height_lower)
    p = nugget.squareness
    radius = _rim(nugget, angle) / (np.abs(c) ** p + np.abs(s) ** p) ** (1 / p)
    return nugget.centre_u + nugget.half_width * radius * c, nugget.centre_v + height * radius * s


def depth(
    nugget: Nugget, u: NDArray[np.float32], v: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return (relative radius: 1 on the rim, angle) of places in the weld frame."""
    x = (u - np.float32(nugget.centre_u)) / np.float32(nugget.half_width)
    y = v - np.float32(nugget.centre_v)
    y = np.where(y < 0, y / np.float32(nugget.half_height_upper), y / np.float32(nugget.half_height_lower))
    angle = np.arctan2(y, x)
    p = np.float32(nugget.squareness)
    radius = (np.abs(x) ** p + np.abs(y) ** p) ** (1 / p)
    return (radius / _rim(nugget, angle)).astype(np.float32), angle


def _rim(nugget: Nugget, angle: NDArray[np.floating]) -> NDArray[np.floating]:  # type: ignore[type-arg]
    """Radius factor of the rim at an angle: 1 plus its waves (order, relative amplitude, phase)."""
    return 1 + sum((a * np.cos(n * angle + phase) for n, a, phase in nugget.rim_waves), np.zeros_like(angle))
