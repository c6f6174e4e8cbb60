"""What was located in one section, in the picture's own pixels: what reports and the review page draw."""

from __future__ import annotations

from dataclasses import dataclass, field
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
class NuggetView:
    """One nugget for drawing: its ``outline`` (k, 2) and the part of the faying line inside it, ``line`` (m, 2), both
    (x, y) px; ``certain`` is False where a person should look at it."""

    outline: NDArray[np.float64]
    line: NDArray[np.float64]
    certain: bool


@dataclass(frozen=True)
class Imperfection:
    """One flaw: its ``kind`` (void, island, crack, cavity), the trade's ``term`` and reference ``number``.

    ``x``, ``y``: its place in px of the picture as analysed; ``segment``: 1, 2, …, None outside the bond; lengths in
    µm, ``area`` in µm², NaN where it has none. ``counted``: whether void fraction and largest void hold it.
    ``path``: centre line or outline, positions (x, y) in px.
    """

    kind: str
    term: str
    number: str
    x: float
    y: float
    segment: int | None
    length: float
    u_length: float
    width: float
    area: float
    counted: bool
    where: str
    path: tuple[tuple[tuple[float, float], ...], ...] = ()


@dataclass(frozen=True)
class LayerView:
    """Thickness of one layer along its length, for drawing: ``along``, ``thickness`` and ``u`` (n,) of the readings in
    ``unit`` ("µm" or "px"; along in mm where the unit is µm), and the mean with its 95 % interval.

    ``upper``, ``lower``: (n, 2) = (x, y) px of the layer's edges in the picture; empty where they are not drawn.
    ``resolved`` is False where the layer is thinner than the picture shows, and ``high`` an upper bound.
    """

    name: str
    unit: str
    along: NDArray[np.float64]
    thickness: NDArray[np.float64]
    u: NDArray[np.float64]
    mean: float
    low: float
    high: float
    resolved: bool = True
    upper: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    lower: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))


@dataclass(frozen=True)
class SectionView:
    """Geometry of one section for drawing; positions are (x, y) px of the picture as analysed.

    ``outlines``: closed polylines (k, 2) of the parts, upper first.
    ``line``: (n, 2) faying line, one point a station; ``s_um``: (n,) arc length of each station.
    ``states``: (n,) indices into STATES. ``opening_um``: (n,) photometric opening (gap, no metal) of each station.
    ``plating_um``: (n,) photometric plating thickness, NaN where the section is not plated.
    ``notches``: two for each bond segment, left before right.
    ``strip``: (m, n, 3) uint8 RGB, the picture unrolled along the faying line, row ``m // 2`` on the line;
    one column a station and one row ``pitch_um``. ``nuggets``: those found, from left to
    right; ``flaws``: voids first, the largest of each kind first; ``layers``: plating and intermetallic layer.
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
    nuggets: tuple[NuggetView, ...] = ()
    flaws: tuple[Imperfection, ...] = ()
    layers: tuple[LayerView, ...] = ()
