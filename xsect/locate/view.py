"""What was located in one section, in the picture's own pixels: what reports and the review page draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

STATES: Final = ("joined", "plating", "open", "filled", "fused", "unknown")
"""Station states; ``SectionView.states`` and ``Stations.states`` hold indices into this tuple."""

JOINED, PLATING, OPEN, FILLED, FUSED, UNKNOWN = range(6)


@dataclass(frozen=True)
class NotchView:
    """One notch: its bond segment (1, 2, …), its side ("left" or "right"), its position (x, y) in px, and the
    standard uncertainty of its place along the faying line in µm."""

    segment: int
    side: str
    x: float
    y: float
    u_um: float


@dataclass(frozen=True)
class SectionView:
    """Geometry of one section for drawing; positions are (x, y) px of the picture as analysed.

    ``outlines``: closed polylines (k, 2) of the parts, upper first.
    ``line``: (n, 2) faying line, one point a station; ``s_um``: (n,) arc length of each station.
    ``states``: (n,) indices into STATES. ``opening_um``: (n,) photometric opening (gap, no metal) of each station.
    ``plating_um``: (n,) photometric plating thickness, NaN where the section is not plated.
    ``notches``: two for each bond segment, left before right.
    ``strip``: (m, n, 3) uint8 RGB, the picture unrolled along the faying line, row ``m // 2`` on the line;
    one column a station and one row ``pitch_um``.
    """

    outlines: tuple[NDArray[np.float64], ...]
    line: NDArray[np.float64]
    s_um: NDArray[np.float64]
    states: NDArray[np.int8]
    opening_um: NDArray[np.float64]
    plating_um: NDArray[np.float64]
    notches: tuple[NotchView, ...]
    strip: NDArray[np.uint8]
    pitch_um: float
