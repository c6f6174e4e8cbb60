"""From readings of a stage micrometer to the scale of both axes of the picture.

Repeats along one axis are pooled first; then one reading an axis, or the two sets of lines of a grid, give µm per
pixel along columns and rows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from xsect.capture.micrometer import MicrometerReading
from xsect.quantities import COVERAGE_FACTOR, Component

SQUARE_WITHIN: Final = 0.0005
"""How far pixels of a camera may be from square where only one axis was read: half width of a rectangular
distribution, an allowance without a source."""

REPEATS_WITHIN: Final = 0.02
"""Range of repeats' scales, relative, beyond which they are of no one scale but of another objective or zoom. Those of
one spread by a tenth of a percent at most; tilted ones differ further where pixels are not square."""


@dataclass(frozen=True)
class AxisScales:
    """µm per pixel along columns (x) and rows (y), with the relative standard uncertainty of the less certain one.

    ``budget``: its parts, relative. ``skew_deg``: by how much the angle between the two axes exceeds 90°, from a
    grid; None where it was not measured. ``cautions``: in plain words.
    """

    x_um: float
    y_um: float
    u_relative: float
    budget: tuple[Component, ...]
    skew_deg: float | None = None
    cautions: tuple[str, ...] = ()


def pool_readings(readings: Sequence[MicrometerReading]) -> MicrometerReading:
    """Pool repeats taken along one axis (the slide moved and refocused between them) into one reading.

    The scale is their mean. The spread between repeats, widened for their number (Student's t), replaces the
    scatter of the lines where it is the larger; certificate, temperature and line model are common to all and do
    not average out. Ticks and residuals are those of the first reading. Raises ValueError where the repeats
    differ in pitch, picture size, axis or scale (by more than REPEATS_WITHIN), or where there are none.
    """
    from scipy.special import stdtrit

    if not readings:
        raise ValueError("readings: there must be at least one")
    first = readings[0]
    for one in readings[1:]:
        same = one.image_shape == first.image_shape and one.along_x == first.along_x
        if not same or abs(one.pitch_um / first.pitch_um - 1) > 1e-3:
            raise ValueError("readings: repeats must share pitch, picture size and axis")
    if len(readings) == 1:
        return first
    scales = np.array([one.um_per_px for one in readings])
    n, mean = len(scales), float(scales.mean())
    if np.ptp(scales) > REPEATS_WITHIN * mean:
        axis = "rows" if first.along_x else "columns"
        found = ", ".join(f"{scale:.5g}" for scale in scales)
        raise ValueError(
            f"readings: repeats along {axis} must agree within {REPEATS_WITHIN:.0%}, not {found} µm/px: "
            "another objective or zoom?"
        )
    between = float(scales.std(ddof=1)) / mean / math.sqrt(n) * float(stdtrit(n - 1, 0.975)) / COVERAGE_FACTOR
    names = dict.fromkeys(part.name for one in readings for part in one.budget)
    parts = {name: _root_mean_square(name, readings) for name in names}
    within = parts.pop("scatter of the lines") / math.sqrt(n)
    budget = [
        Component(
            "spread between repeats" if between > within else "scatter of the lines", max(between, within)
        ),
        *(Component(name, u) for name, u in parts.items()),
    ]
    pooled = replace(
        first,
        um_per_px=mean,
        u_relative=math.sqrt(sum(part.u**2 for part in budget)),
        budget=tuple(budget),
        cautions=tuple(dict.fromkeys(text for one in readings for text in one.cautions)),
    )
    return pooled


def _root_mean_square(name: str, readings: Sequence[MicrometerReading]) -> float:
    squares = [sum(part.u**2 for part in one.budget if part.name == name) for one in readings]
    return math.sqrt(sum(squares) / len(squares))


DIAGONAL_DEG: Final = 30.0
"""Tilt from which a reading is taken for one across both axes: it then tells the angle between them."""


def combine_axes(readings: Sequence[MicrometerReading], *, grid: bool = False) -> AxisScales:
    """Return the scales along columns and rows from one reading, from two roughly at right angles, or from three.

    A reading along direction d with scale s says that 1 / s² is the sum of (d_x / x)² and (d_y / y)², so a
    turned micrometer needs no alignment. One reading alone gives both axes, pixels taken to be square within
    SQUARE_WITHIN. The angle between the axes (skew) comes from a third reading across both (the last one), or from a
    ``grid``: the two are then the sets of lines of one square grid. Raises ValueError for other numbers of readings,
    for two of one direction or of two picture sizes.
    """
    if len(readings) == 1:
        only = readings[0]
        budget = (*only.budget, Component("pixels taken to be square", SQUARE_WITHIN / math.sqrt(3)))
        other = "y (downwards)" if only.along_x else "x (left to right)"
        caution = f"the scale along {other} was not measured: pixels are taken to be square"
        u = math.sqrt(sum(part.u**2 for part in budget))
        return AxisScales(only.um_per_px, only.um_per_px, u, budget, None, (*only.cautions, caution))
    if len(readings) not in (2, 3) or len({reading.image_shape for reading in readings}) > 1:
        raise ValueError(f"readings: must be one to three of pictures of one size, not {len(readings)}")
    one, two = sorted(readings[:2], key=lambda reading: -abs(reading.direction[0]))
    if abs(one.direction[0] * two.direction[0] + one.direction[1] * two.direction[1]) > 0.5:
        raise ValueError("readings: the two directions must differ by 60° or more")
    x_um, y_um, skew = _solve(readings, grid)
    budget = _combined_budget(readings)
    return AxisScales(
        x_um,
        y_um,
        math.sqrt(sum(part.u**2 for part in budget)),
        budget,
        skew,
        tuple(dict.fromkeys(one.cautions + two.cautions)),
    )


def _solve(readings: Sequence[MicrometerReading], grid: bool) -> tuple[float, float, float | None]:
    """Solve q·G·q = 1 for the inverse metric G of the pixel lattice; q is the direction times the scale."""
    q = [reading.um_per_px * np.asarray(reading.direction) for reading in readings]
    if len(q) == 2 and not grid:
        inverse = np.linalg.solve(np.array([q[0] ** 2, q[1] ** 2]), np.ones(2))
        if (inverse <= 0).any():
            raise ValueError("readings: the two scales contradict each other")
        x_um, y_um = (float(value) for value in inverse**-0.5)
        return x_um, y_um, None
    pairs = [(one, one) for one in q] + ([(q[0], q[1])] if len(q) == 2 else [])
    rows = [[a[0] * b[0], a[1] * b[1], a[0] * b[1] + a[1] * b[0]] for a, b in pairs]
    right = [1.0, 1.0, 1.0 if len(q) == 3 else 0.0]
    g_xx, g_yy, g_xy = np.linalg.solve(np.array(rows), np.array(right))
    if g_xx <= 0 or g_xx * g_yy <= g_xy**2:
        raise ValueError("readings: the scales contradict each other")
    metric = np.linalg.inv(np.array([[g_xx, g_xy], [g_xy, g_yy]]))
    x_um, y_um = (math.sqrt(metric[k, k]) for k in (0, 1))
    return x_um, y_um, math.degrees(math.acos(metric[0, 1] / (x_um * y_um))) - 90


def _combined_budget(readings: Sequence[MicrometerReading]) -> tuple[Component, ...]:
    """Return the largest of the readings' parts, name by name: common to both axes, so safe for either."""
    names = dict.fromkeys(part.name for reading in readings for part in reading.budget)
    return tuple(
        Component(name, max(part.u for reading in readings for part in reading.budget if part.name == name))
        for name in names
    )
