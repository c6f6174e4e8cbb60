"""What a drawn section truly is, so that a measurement of it can be checked."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Truth:
    """Exact values of one drawn section.

    ``quantities``: name to value (µm, µm², fraction) of the whole section; ``segments``: the same for each
    bond segment, left to right. A quantity that the section does not have is absent. ``notches``: (left,
    right) of each segment, each (x, y) in px of the picture, pixel centres at whole numbers. ``bond_kind``:
    as in the glossary. ``usable`` is False where a person would refuse to measure (hopeless blur, no section,
    saturated). ``row``: values for the lot sheet's columns (thicknesses, projection height, plating, view,
    etchant). ``flaws``: one entry a void or crack drawn into the metal, in µm, with its place in px.
    """

    um_per_px: float
    quantities: dict[str, float]
    segments: tuple[dict[str, float], ...] = ()
    notches: tuple[tuple[tuple[float, float], tuple[float, float]], ...] = ()
    bond_kind: str = "solid_state"
    usable: bool = True
    row: dict[str, str | float] = field(default_factory=dict)
    flaws: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True)
class DrawnSection:
    """A picture (rows, columns[, 3]) uint8 or uint16 and its truth; ``kind`` and ``difficulty`` say which."""

    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    truth: Truth
    kind: str
    difficulty: str
    seed: int
