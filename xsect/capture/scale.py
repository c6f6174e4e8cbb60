"""Scale: µm per pixel in x and y, its standard uncertainty, and where it came from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Source = Literal["calibration record", "lot sheet", "image metadata", "scale bar"]


@dataclass(frozen=True)
class Scale:
    """Scale of one picture.

    ``x_um`` and ``y_um`` are µm per pixel along columns and rows; ``u_relative`` is the relative standard
    uncertainty common to both. ``source`` and ``detail`` say where the scale came from ("calibration record",
    "obj20_cam2 of 2026-03-02"); ``record_sha256`` is the hash of the calibration record where there is one.
    ``axes_deg``: angle in the object between the picture's rows and columns.
    """

    x_um: float
    y_um: float
    u_relative: float
    source: Source
    detail: str = ""
    record_sha256: str = ""
    axes_deg: float = 90.0

    @property
    def um_per_px(self) -> float:
        """Geometric mean of the two axes: the side of a square pixel of the same area."""
        return math.sqrt(self.x_um * self.y_um)

    @property
    def square(self) -> bool:
        """Whether pixels are square within 0.05 % in side and slant, too little to show in any measurement."""
        slant = abs(math.cos(math.radians(self.axes_deg)))
        return abs(self.x_um / self.y_um - 1) < 5e-4 and slant < 5e-4
