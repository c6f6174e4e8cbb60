"""Drift of a scale: the calibrations of one objective and camera over time, with control limits."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from xsect.capture.calibration import NO_CERTIFICATE, CalibrationRecord

_D2: Final = 2 / math.sqrt(math.pi)
"""Mean range of two values of a normal distribution, in standard deviations."""

_D3: Final = math.sqrt(2 - _D2**2)
"""Standard deviation of that range: the mean square of a difference of two is 2."""

FEWEST_FOR_LIMITS: Final = 3

_LEAST_REST: Final = 0.15
"""Share of a record's uncertainty that stays, at least, when the pitch's is taken off: it is kept to two digits,
and of 1.0 that may have been 0.99 this much is left."""


@dataclass(frozen=True)
class DriftPoint:
    """One calibration of a series. Relative changes are fractions.

    ``um_per_px``: geometric mean of both axes; ``change``: against the calibration before (NaN for the first);
    ``sigma_change``: that change over its standard uncertainty, in which the pitch of one and the same micrometer does
    not count; ``moving_range``: its size in µm per px; ``outside``: whether the scale or its moving range is beyond its
    control limit.
    """

    record: CalibrationRecord
    um_per_px: float
    change: float
    sigma_change: float
    moving_range: float
    outside: bool


@dataclass(frozen=True)
class DriftSeries:
    """All calibrations of one objective, camera, binning and picture size, by date.

    ``centre``, ``lower`` and ``upper`` are limits for individual values from the mean moving range, ``range_upper``
    is that of the moving range; NaN below three calibrations. The limits are centre ± 3 · mean range / d2, and the
    range's is (1 + 3 · d3 / d2) · mean range (individuals chart: NIST/SEMATECH e-Handbook of Statistical Methods,
    6.3.2.2), with d2 and d3 reckoned for two normal values.
    """

    objective: str
    camera: str
    binning: int
    image_size: tuple[int, int]
    points: tuple[DriftPoint, ...]
    centre: float
    lower: float
    upper: float
    mean_range: float
    range_upper: float

    @property
    def title(self) -> str:
        """What the series is of, in words."""
        columns, rows = self.image_size
        binned = "" if self.binning == 1 else f", binning {self.binning}"
        return f"{self.objective}, {self.camera}{binned}, {columns} × {rows} px"


def calibration_drift(records: Iterable[CalibrationRecord]) -> tuple[DriftSeries, ...]:
    """Sort records into series, by objective, camera, binning and picture size, and reckon each one's drift."""
    groups: dict[tuple[str, str, int, tuple[int, int]], list[CalibrationRecord]] = {}
    for record in records:
        size = (record.image_width_px, record.image_height_px)
        groups.setdefault((record.objective, record.camera, record.binning, size), []).append(record)
    return tuple(_series(key, groups[key]) for key in sorted(groups))


def _series(key: tuple[str, str, int, tuple[int, int]], records: list[CalibrationRecord]) -> DriftSeries:
    records = sorted(records, key=lambda record: (record.date, record.name))
    scales = np.array([math.sqrt(record.um_per_px_x * record.um_per_px_y) for record in records])
    ranges = np.abs(np.diff(scales))
    centre = lower = upper = mean_range = range_upper = math.nan
    if len(scales) >= FEWEST_FOR_LIMITS:
        centre, mean_range = float(scales.mean()), float(ranges.mean())
        lower, upper = centre - 3 * mean_range / _D2, centre + 3 * mean_range / _D2
        range_upper = (1 + 3 * _D3 / _D2) * mean_range
    points = []
    for i, record in enumerate(records):
        change = sigma = moving = math.nan
        if i:
            moving = float(ranges[i - 1])
            change = float(scales[i] / scales[i - 1] - 1)
            sigma = change / _u_change(record, records[i - 1])
        outside = bool(scales[i] < lower or scales[i] > upper or moving > range_upper)
        points.append(DriftPoint(record, float(scales[i]), change, sigma, moving, outside))
    return DriftSeries(*key, tuple(points), centre, lower, upper, mean_range, range_upper)


def _u_change(one: CalibrationRecord, other: CalibrationRecord) -> float:
    """Return the relative standard uncertainty of the change from one calibration to another."""
    same = one.micrometer == other.micrometer and one.micrometer.certificate != NO_CERTIFICATE
    # What is wrong with the pitch of one micrometer is wrong with both scales alike, and changes nothing.
    pitch = one.micrometer.u_pitch_um / one.micrometer.pitch_um if same else 0.0
    rests = (
        max(record.u_relative**2 - pitch**2, (_LEAST_REST * record.u_relative) ** 2)
        for record in (one, other)
    )
    return math.sqrt(sum(rests))
