"""Outcomes: one section measured, set against its truth, with the time it took."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import cv2
import numpy as np

from tests.bench.sections import Case, drawn, micrograph_of, row_of
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.locate.view import SectionView
from xsect.quantities import QUANTITIES, Measurement, Status
from xsect.reasons import Finding
from xsect.synth.truth import DrawnSection, Truth

JPEG_QUALITY = 92


class Result(Protocol):
    """What measuring one section returns."""

    @property
    def measurements(self) -> tuple[Measurement, ...]: ...
    @property
    def findings(self) -> tuple[Finding, ...]: ...
    @property
    def view(self) -> SectionView | None: ...
    @property
    def status(self) -> Status: ...


Measure = Callable[[Micrograph, SheetRow], Result]


@dataclass(frozen=True)
class Reading:
    """One true quantity and what was measured of it: µm, µm² or fractions; NaN where nothing was measured.

    ``segment`` is 0 for the whole section. ``status``: measured, needs_review (the section's flags counted
    in) or not_measured.
    """

    quantity: str
    segment: int
    truth: float
    value: float
    low: float
    high: float
    status: Status

    @property
    def error(self) -> float:
        """Measured minus true."""
        return self.value - self.truth


@dataclass(frozen=True)
class Outcome:
    """One section: readings, errors of its notches (px, outward positive), findings, and times (s)."""

    case: Case
    um_per_px: float
    usable: bool
    bonds: tuple[int, int]
    """Bond segments that there are, and that were measured."""
    readings: tuple[Reading, ...]
    notch_errors: tuple[float, ...]
    kind: tuple[str, str]
    """Bond kind that it is, and that was told."""
    status: Status
    findings: tuple[tuple[str, str], ...]
    """Code and sentence of each."""
    seconds: float
    seconds_png: float
    seconds_jpeg: float


def measure_case(case: Case, measure: Measure, cache: Path | None) -> tuple[Outcome, DrawnSection, Result]:
    """Draw (or read) one section, measure it, and set it against its truth."""
    section = drawn(case, cache)
    micrograph, row = micrograph_of(section), row_of(section, case)
    start = time.perf_counter()
    result = measure(micrograph, row)
    seconds = time.perf_counter() - start
    found = len(
        {one.segment for one in result.measurements if one.quantity == "bond_width" and one.segment and one}
    )
    words = [
        one.word for one in result.measurements if one.quantity == "bond_kind" and one.segment is None and one
    ]
    outcome = Outcome(
        case, section.truth.um_per_px, section.truth.usable, (len(section.truth.segments), found),
        readings(section.truth, result), notch_errors(section.truth, result.view),
        (section.truth.bond_kind, words[0] if words else ""),
        result.status, tuple((one.code, one.sentence) for one in result.findings),
        seconds, *decode_seconds(section.pixels),
    )  # fmt: skip
    return outcome, section, result


def readings(truth: Truth, result: Result) -> tuple[Reading, ...]:
    """Return a reading of each true quantity; of segments only where as many were found as there are."""
    made = {(one.quantity, one.segment or 0): one for one in result.measurements}
    wanted = [(name, 0, value) for name, value in truth.quantities.items()]
    if len(truth.segments) > 1 and len(truth.segments) == max((segment for _, segment in made), default=0):
        for i, segment in enumerate(truth.segments, 1):
            wanted += [(name, i, value) for name, value in segment.items()]
    return tuple(
        _reading(name, i, value, made.get((name, i)), result.status)
        for name, i, value in wanted
        if name in QUANTITIES
    )


def _reading(name: str, segment: int, truth: float, made: Measurement | None, status: Status) -> Reading:
    if made is None or not made or not math.isfinite(made.value):
        return Reading(name, segment, truth, math.nan, math.nan, math.nan, "not_measured")
    vouched = made.status == "measured" and status == "measured"
    return Reading(
        name, segment, truth, made.value, made.low, made.high, "measured" if vouched else "needs_review"
    )


def notch_errors(truth: Truth, view: SectionView | None) -> tuple[float, ...]:
    """Return how far each notch lies beyond its true place (px, outward positive), () where none pair up."""
    if view is None or not truth.notches or len(view.notches) != 2 * len(truth.notches):
        return ()
    errors = []
    for i, (left, right) in enumerate(truth.notches, 1):
        outward = np.subtract(right, left) / np.hypot(*np.subtract(right, left))
        for side, place, sign in (("left", left, -1), ("right", right, 1)):
            here = [one for one in view.notches if one.segment == i and one.side == side]
            if len(here) != 1:
                return ()
            errors.append(sign * float(np.dot((here[0].x - place[0], here[0].y - place[1]), outward)))
    return tuple(errors)


def decode_seconds(pixels: np.ndarray) -> tuple[float, float]:
    """Return the shorter of two times (s) to decode the picture stored as PNG and as 8-bit JPEG."""
    eight = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    times = []
    for suffix, picture, settings in (
        (".png", pixels, []),
        (".jpg", eight, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]),
    ):
        data = cv2.imencode(suffix, picture, settings)[1]
        trials = []
        for _ in range(2):
            start = time.perf_counter()
            cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
            trials.append(time.perf_counter() - start)
        times.append(min(trials))
    return times[0], times[1]
