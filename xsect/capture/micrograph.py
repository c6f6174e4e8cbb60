"""Micrograph: the pixels of one section's picture with its scale and what is burned into it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from xsect.capture.scale import Scale
from xsect.reasons import Finding


@dataclass(frozen=True)
class Micrograph:
    """One picture, ready to be measured.

    ``pixels`` is (rows, columns) grey or (rows, columns, 3) RGB, uint8 or uint16, with square pixels (a
    picture whose pixels are not square is resampled on reading, and ``scale`` is that of the resampled
    picture). ``burned_in`` is True where data strips, scale bars, text or arrows cover the picture, at the
    size of ``pixels``; None where there are none. ``findings`` are what reading it brought up (a scale
    without proof, an expired record).
    """

    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    scale: Scale
    sha256: str
    burned_in: NDArray[np.bool_] | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def full_scale(self) -> int:
        """Largest value the pixel type holds."""
        return int(np.iinfo(self.pixels.dtype).max)
