"""Intermetallic layers between tin and copper: Cu6Sn5, scalloped towards the tin, and thin even Cu3Sn beneath it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from xsect.synth.design import Plating
from xsect.synth.look import Colour

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

CU3SN_SHARE = 0.2
"""Share of the intermetallic layer that is Cu3Sn in random scenes (from memory: it grows slower than Cu6Sn5)."""
CU3SN_FROM_UM = 1.5
"""Thinnest layer in µm in which random scenes draw the two compounds apart."""


def thickness(plating: Plating, u: Floats) -> Floats:
    """Thickness of both compounds on each face (n,) in µm, scalloped by three incommensurate waves."""
    mean, ripple = plating.reaction, plating.scallop
    wave = np.sin(2 * np.pi * u / 3.7) + np.sin(2 * np.pi * u / 5.9 + 1) + np.sin(2 * np.pi * u / 9.1 + 2)
    return np.asarray(mean * (1 + ripple * wave / 3))


def inner_share(
    plating: Plating, reaction: Image, face_up: Image, face_low: Image, share: Callable[[Image], Image]
) -> Image:
    """Return the share of each pixel that is Cu3Sn: next to the copper, even, and no more than there is compound.

    ``face_up``, ``face_low``: signed distances (µm) below the two base-metal faces; ``share``: coverage of a pixel by
    what lies at negative distances.
    """
    if not plating.cu3sn:
        return np.zeros_like(reaction)
    deep = np.float32(plating.cu3sn)
    inner = share(face_up - deep) - share(face_up) + share(-face_low - deep) - share(-face_low)
    return np.asarray(np.clip(inner, 0, reaction), np.float32)


def inner_colour(copper: Colour, cu6sn5: Colour) -> Colour:
    """Colour of Cu3Sn in brightfield: half-way from copper to Cu6Sn5 (from memory)."""
    return tuple(0.5 * (a + b) for a, b in zip(copper, cu6sn5, strict=True))  # type: ignore[return-value]


def inner_thickness(reaction: float) -> float:
    """Return the thickness of Cu3Sn in µm that a random scene draws in a layer of mean thickness ``reaction``."""
    return CU3SN_SHARE * reaction if reaction >= CU3SN_FROM_UM else 0.0
