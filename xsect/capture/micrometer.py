"""Stage micrometer: µm per pixel from a picture of one, with its uncertainty and what speaks against it.

All lines are fitted at once, so the scale rests on the whole graduation and not on two lines picked by eye.
Practice of ASTM E1951 (calibrating reticles and light microscope magnifications): a certified stage micrometer,
read in both directions of the picture, repeated, with the spread of the repeats in the uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from xsect.capture.graduation import FEWEST_LINES, SURE_PITCH_PX, Floats, Graduation, find_graduations
from xsect.capture.grid_lines import at_true_pitch
from xsect.capture.ticks import Array, Ticks, fit_ticks
from xsect.capture.unresolved import finer_lines_unresolved
from xsect.quantities import COVERAGE_FACTOR, Component
from xsect.reasons import Refusal

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

GLASS_EXPANSION_PER_K: Final = 8.5e-6
"""Linear thermal expansion of soda-lime glass; value from memory."""

REFERENCE_C: Final = 20.0
"""Temperature to which lengths on certificates refer (ISO 1)."""

U_FIT_PX: Final = 0.003
"""Standard uncertainty of the distance between the end lines that the line model may leave undetected, px: found
on generated micrometers of known pitch, where errors beyond the scatter of the lines stayed below it."""

_RMS_OF_PITCH = 0.025
_GOOD_SHARE = 0.75
_UNBROKEN_SHARE = 0.5
_FEW = f"fewer than {FEWEST_LINES} evenly spaced lines"
_UNEVEN = 0.05
_SQUARE_GRID = 0.2
"""Logarithm of the ratio of a square grid's two pitches up to which pixels may be to blame for it."""

_COARSER = ": take a micrometer of coarser pitch or a stronger objective"


@dataclass(frozen=True)
class Thermal:
    """Temperature of the micrometer (°C) with its standard uncertainty, and its linear expansion per K."""

    celsius: float
    u_celsius: float
    expansion_per_k: float = GLASS_EXPANSION_PER_K


@dataclass(frozen=True)
class Tick:
    """One line: its number, its middle (x, y) px, its residual against an even graduation (px), whether used."""

    index: int
    x: float
    y: float
    residual_px: float
    used: bool


@dataclass(frozen=True)
class Distortion:
    """How the scale changes along the graduation, from polynomials fitted to the residuals.

    ``end_to_end``: relative change of the scale from the first to the last line (quadratic term);
    ``middle_to_ends``: relative change from the middle to the ends (cubic term). ``significance``: each term over
    its standard error; a term counts from 4 on, for two terms are looked at in every picture.
    """

    end_to_end: float
    middle_to_ends: float
    significance: tuple[float, float]

    @property
    def found(self) -> bool:
        """Whether either term is beyond the scatter of the lines."""
        return max(map(abs, self.significance)) >= 4


@dataclass(frozen=True)
class MicrometerReading:
    """One reading of a stage micrometer.

    ``um_per_px`` is the scale along ``direction`` (x, y; at right angles to the lines); ``u_relative`` its relative
    standard uncertainty, for use with k = 1.96, with ``budget`` in relative terms. ``tilt_deg`` is the angle of
    that direction with the nearest axis of the picture, clockwise as seen. ``pitch_um`` is the certified pitch,
    corrected for temperature where one was given; ``pitch_px`` the fitted one. ``lines``: how many were used, of
    ``lines_expected``; ``rms_px``: root mean square of their residuals. ``cautions``: in plain words.
    """

    um_per_px: float
    u_relative: float
    budget: tuple[Component, ...]
    direction: tuple[float, float]
    tilt_deg: float
    pitch_um: float
    pitch_px: float
    lines: int
    lines_expected: int
    rms_px: float
    ticks: tuple[Tick, ...]
    distortion: Distortion
    band: tuple[tuple[float, float], tuple[float, float]]
    """Ends (v0, v1) and (u0, u1) of the band that was read, px (see `Graduation`)."""
    image_shape: tuple[int, int]
    cautions: tuple[str, ...] = ()

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval of the scale, µm per px."""
        half = COVERAGE_FACTOR * self.u_relative * self.um_per_px
        return self.um_per_px - half, self.um_per_px + half

    @property
    def along_x(self) -> bool:
        """Whether the graduation lies nearer to the picture's rows than to its columns."""
        return abs(self.direction[0]) >= abs(self.direction[1])


def read_micrometer(
    pixels: Pixels, *, pitch_um: float, u_pitch_um: float = 0.0, thermal: Thermal | None = None
) -> MicrometerReading:
    """Read the graduation in a picture of a stage micrometer.

    ``pixels``: (rows, cols) grey or (rows, cols, 3) RGB, 8 or 16 bit; ``pitch_um``: distance of neighbouring
    (shortest) lines on the certificate, with its standard uncertainty. The graduation may be turned, cut off by
    the picture's border, unevenly lit or dirty, its lines dark or bright. Raises Refusal
    graduation_not_found where no six evenly spaced straight lines are seen, and ValueError for a pitch that is
    not positive or an uncertainty below 0.
    """
    _check_pitch(pitch_um, u_pitch_um)
    grey = _grey(pixels)
    seen = ""
    for graduation in find_graduations(grey):
        ticks, why = _verified(grey, graduation)
        if ticks is not None:
            return _reading(grey, ticks, pitch_um, u_pitch_um, thermal)
        seen = why if seen in ("", _FEW) or why.endswith(_COARSER) else seen
    raise Refusal("graduation_not_found", detail=seen or "nothing in the picture repeats evenly")


def read_grid(
    pixels: Pixels, *, pitch_um: float, u_pitch_um: float = 0.0, thermal: Thermal | None = None
) -> tuple[MicrometerReading, MicrometerReading]:
    """Read both sets of lines of a square grid: the one nearer to the rows first.

    Raises Refusal graduation_not_found where two sets roughly at right angles are not seen.
    """
    _check_pitch(pitch_um, u_pitch_um)
    grey = _grey(pixels)
    seen = (_verified(grey, graduation, crossed=True)[0] for graduation in find_graduations(grey))
    # An overtone may lead to a few lines of a set, another wave to all of them.
    longest = sorted((ticks for ticks in seen if ticks is not None), key=_length, reverse=True)
    sets: list[Ticks] = []
    for ticks in longest:
        if all(abs(_cosine(ticks.graduation.direction, one.graduation.direction)) <= 0.2 for one in sets):
            sets.append(ticks)
    if len(sets) < 2:
        detail = f"a grid needs two sets of lines at right angles, {len(sets)} found"
        raise Refusal("graduation_not_found", detail=detail)
    first, second = sorted(
        (_reading(grey, ticks, pitch_um, u_pitch_um, thermal) for ticks in sets[:2]),
        key=lambda one: -abs(one.direction[0]),
    )
    if abs(math.log(first.pitch_px / second.pitch_px)) > _SQUARE_GRID:
        apart = f"{first.pitch_px:.1f} and {second.pitch_px:.1f} px"
        detail = f"two sets of lines, {apart} apart, are no square grid"
        raise Refusal("graduation_not_found", detail=detail)
    return first, second


def _length(ticks: Ticks) -> float:
    return float(ticks.good.sum()) * ticks.graduation.pitch_px


def _check_pitch(pitch_um: float, u_pitch_um: float) -> None:
    if not 0 < pitch_um < math.inf:
        raise ValueError(f"pitch_um = {pitch_um}: must be > 0 and finite")
    if not 0 <= u_pitch_um < math.inf:
        raise ValueError(f"u_pitch_um = {u_pitch_um}: must be >= 0 and finite")


def _grey(pixels: Pixels) -> Floats:
    """Return grey levels from 0 to 255, float32."""
    grey = pixels if pixels.ndim == 2 else pixels.mean(axis=2)
    return np.asarray(grey, np.float32) * np.float32(255 / np.iinfo(pixels.dtype).max)


def _cosine(one: tuple[float, float], other: tuple[float, float]) -> float:
    return one[0] * other[0] + one[1] * other[1]


def _verified(grey: Floats, graduation: Graduation, *, crossed: bool = False) -> tuple[Ticks | None, str]:
    """Return the lines of a graduation if that is what it is, else None and why it is not.

    ``crossed``: other lines run across (a grid), so the ink along a line need not be even.
    """
    if crossed:
        graduation = at_true_pitch(grey, graduation)
    ticks = fit_ticks(grey, graduation)
    if ticks is None:
        return None, _FEW
    # Half the true pitch can be fitted to the flanks of wide lines; twice the pitch then leaves no more over, while
    # twice the true pitch leaves every other line over.
    doubled = replace(ticks.graduation, pitch_px=2 * graduation.pitch_px)
    coarser = None if crossed else fit_ticks(grey, doubled, turns=0)
    if coarser is not None and coarser.noise < 1.02 * ticks.noise:
        return _verified(grey, doubled, crossed=crossed)
    rms = float(np.std(_residuals(ticks, degree=3)[ticks.good]))  # distortion is smooth, and reported
    # A label may cover a stretch of lines, but lines that are missing evenly never were there.
    both_sides = ticks.good[1:-1] & ticks.good[:-2] & ticks.good[2:]
    unbroken = both_sides.sum() >= 0.8 * ticks.good.sum()
    if ticks.good.mean() < (_UNBROKEN_SHARE if unbroken else _GOOD_SHARE):
        apart = f"{graduation.pitch_px:.1f} px apart"
        why = f"only {ticks.good.sum()} of {len(ticks.good)} evenly spaced lines, {apart}, are there"
        return None, why + (_COARSER if graduation.pitch_px < SURE_PITCH_PX else "")
    if rms > _RMS_OF_PITCH * graduation.pitch_px:
        return None, f"what repeats strays by {rms / graduation.pitch_px:.1%} of its spacing"
    if not (_crossed_lines_stand_out(ticks) if crossed else _stand_out(ticks)):
        return None, "what repeats hardly stands out from what lies between"
    if not crossed and ticks.unevenness > _UNEVEN:
        return None, "what repeats is broken up, as letters or dots are, not straight lines"
    if not graduation.confirmed:
        return (
            None,
            f"lines only {graduation.pitch_px:.1f} px apart could be an illusion of still finer ones{_COARSER}",
        )
    if not crossed and finer_lines_unresolved(grey, ticks):
        return (
            None,
            f"the shortest lines are not resolved, only those {graduation.pitch_px:.1f} px apart{_COARSER}",
        )
    return ticks, ""


def _stand_out(ticks: Ticks) -> bool:
    return abs(float(np.median(ticks.strength))) >= 2.2 * ticks.noise


def _crossed_lines_stand_out(ticks: Ticks) -> bool:
    """Whether what repeats is a grid's lines: they stand out from the scatter that the lines across them make, while
    the diagonals of its meshes, which repeat as well, are a shallow wave in it."""
    peak = math.erf(ticks.half_width / (math.sqrt(2) * ticks.blur))
    return peak * abs(float(np.median(ticks.strength))) >= 1.2 * ticks.noise


def _residuals(ticks: Ticks, *, degree: int) -> Array:
    """Return centres less a polynomial in the line number, fitted to the good lines; outliers do not count."""
    good = ticks.good
    middle, scale = ticks.index[good].mean(), max(float(np.ptp(ticks.index[good])) / 2, 1.0)
    t = (ticks.index - middle) / scale
    fit = np.polynomial.polynomial.polyfit(t[good], ticks.centre[good], degree)
    return np.asarray(ticks.centre - np.polynomial.polynomial.polyval(t, fit))


def _reading(
    grey: Floats,
    ticks: Ticks,
    pitch_um: float,
    u_pitch_um: float,
    thermal: Thermal | None,
) -> MicrometerReading:
    used = _without_outliers(ticks)
    graduation = ticks.graduation
    index, centre = ticks.index[used].astype(float), ticks.centre[used]
    n = len(index)
    span = float(np.ptp(index))
    t = 2 * (index - index.min()) / span - 1
    fit, u_fit = _line(t, centre)
    u_fit *= math.sqrt(n / _independent(index, _residuals(replace(ticks, good=used), degree=3)[used]))
    pitch_px = float(2 * fit[1] / span)
    distortion = _distortion(t, centre, fit[1])
    warm = 0.0 if thermal is None else thermal.expansion_per_k * (thermal.celsius - REFERENCE_C)
    pitch = pitch_um * (1 + warm)
    budget = [
        Component("scatter of the lines", float(u_fit / fit[1])),
        Component("line model", float(U_FIT_PX / (2 * fit[1]))),
        # Lines askew by a small angle lie closer along the direction that was fitted than at right angles to them.
        Component("tilt", ticks.askew**2 / 2),
        Component("certified pitch", u_pitch_um / pitch_um),
    ]
    if thermal is not None:
        budget.append(Component("temperature", thermal.expansion_per_k * thermal.u_celsius))
    if distortion.found:
        # The scale of a part of the field differs from the mean by up to half the change; rectangular.
        change = math.hypot(distortion.end_to_end / 2, distortion.middle_to_ends * 2 / 3)
        budget.append(Component("change of scale over the field", change / math.sqrt(3)))
    rest = ticks.centre - (fit[0] + fit[1] * (2 * (ticks.index - index.min()) / span - 1))
    rms = float(np.sqrt(np.mean(rest[used] ** 2)))
    cos, sin = graduation.direction
    middle_v = sum(graduation.v_range) / 2
    drawn = tuple(
        Tick(int(k), float(c * cos - middle_v * sin), float(c * sin + middle_v * cos), float(r), bool(g))
        for k, c, r, g in zip(ticks.index, ticks.centre, rest, used, strict=True)
    )
    angle = math.degrees(math.atan2(sin, cos))
    reading = MicrometerReading(
        um_per_px=pitch / pitch_px,
        u_relative=math.sqrt(sum(part.u**2 for part in budget)),
        budget=tuple(budget),
        direction=(float(cos), float(sin)),
        tilt_deg=(angle + 45) % 90 - 45,
        pitch_um=pitch,
        pitch_px=pitch_px,
        lines=n,
        lines_expected=len(ticks.index),
        rms_px=rms,
        ticks=drawn,
        distortion=distortion,
        band=(graduation.v_range, graduation.u_range),
        image_shape=(grey.shape[0], grey.shape[1]),
    )
    return replace(reading, cautions=_cautions(reading))


def _without_outliers(ticks: Ticks) -> NDArray[np.bool_]:
    """Return which good lines lie within five robust standard deviations of a cubic through them all."""
    used = ticks.good.copy()
    for _ in range(3):
        rest = _residuals(replace(ticks, good=used), degree=3)
        limit = 5 * 1.4826 * float(np.median(np.abs(rest[used]))) + 0.005
        kept = ticks.good & (np.abs(rest) <= limit)
        if kept.sum() < FEWEST_LINES or (kept == used).all():
            break
        used = kept
    return used


def _line(t: Array, centre: Array) -> tuple[Array, float]:
    """Return a straight line's coefficients and the standard uncertainty of its slope, widened for few lines so
    that k = 1.96 covers 95 %."""
    from scipy.special import stdtrit

    design = np.column_stack([np.ones_like(t), t])
    fit = np.linalg.lstsq(design, centre, rcond=None)[0]
    free = len(t) - 2
    variance = float(np.sum((centre - design @ fit) ** 2)) / free
    u = math.sqrt(variance * float(np.linalg.inv(design.T @ design)[1, 1]))
    return fit, u * float(stdtrit(free, 0.975)) / COVERAGE_FACTOR


def _independent(index: Array, rest: Array) -> float:
    """Return how many independent lines there are: as many as lines, but fewer where neighbours stray together, by the
    correlation of neighbours r, (1 - r) / (1 + r) of them (as in a first-order autoregressive series)."""
    n = len(rest)
    neighbours = np.diff(index) == 1
    together = float(np.mean((rest[1:] * rest[:-1])[neighbours])) if neighbours.any() else 0.0
    r = min(together / max(float(np.mean(rest**2)), 1e-12), 0.95)
    # Chance alone gives r a standard deviation of one over the square root of n.
    return n * (1 - r) / (1 + r) if r > 2 / math.sqrt(n) else n


def _distortion(t: Array, centre: Array, half_length: float) -> Distortion:
    """Fit second and third Legendre polynomials in t = -1..1; their slopes at the ends are 3 and 6."""
    design = np.polynomial.legendre.legvander(t, 3)
    fit = np.linalg.lstsq(design, centre, rcond=None)[0]
    free = max(len(t) - 4, 1)
    variance = float(np.sum((centre - design @ fit) ** 2)) / free
    u = np.sqrt(variance * np.diag(np.linalg.inv(design.T @ design)))
    # Centres further apart mean fewer µm a px: the signs turn.
    return Distortion(
        end_to_end=float(-6 * fit[2] / half_length),
        middle_to_ends=float(-7.5 * fit[3] / half_length),
        significance=(float(fit[2] / max(u[2], 1e-12)), float(fit[3] / max(u[3], 1e-12))),
    )


def _cautions(reading: MicrometerReading) -> tuple[str, ...]:
    """Return what a person should know before relying on a reading."""
    found = []
    across = reading.image_shape[1] if reading.along_x else reading.image_shape[0]
    length = reading.lines * reading.pitch_px
    if length < 0.5 * across:
        found.append(f"the graduation covers only {length / across:.0%} of the picture")
    missing = reading.lines_expected - reading.lines
    if missing > 0.1 * reading.lines_expected:
        found.append(f"{missing} of {reading.lines_expected} lines are missing or spoiled")
    change = max(abs(reading.distortion.end_to_end), abs(reading.distortion.middle_to_ends))
    if reading.distortion.found and change >= 5e-4:
        found.append(f"the scale changes by {change:.2%} over the field: distortion, or a tilted slide")
    if reading.pitch_px < 6:
        found.append(f"lines lie only {reading.pitch_px:.1f} px apart: use a coarser graduation")
    if abs(reading.tilt_deg) > 10:
        found.append(f"the graduation is turned by {abs(reading.tilt_deg):.0f}°: align it with the picture")
    if not any(part.name == "certified pitch" and part.u > 0 for part in reading.budget):
        found.append("no uncertainty of the certified pitch was given")
    return tuple(found)
