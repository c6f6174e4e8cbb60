"""Slips: stated values that are wrong by a known factor, or rounded up to a coarse step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

LENGTH_SLIPS: Final = (
    (1000.0, "stated in mm where µm are asked for"),
    (1 / 1000.0, "a thousand times too large: mm turned into µm twice"),
    (25.4, "stated in thousandths of an inch (mil)"),
    (1 / 25.4, "mil turned into µm twice"),
    (25400.0, "stated in inch"),
    (10.0, "a decimal place too small"),
    (0.1, "a decimal place too large"),
    (2.0, "half the size: a radius for a diameter, or a scale half as large as it should be"),
    (0.5, "twice the size: a diameter for a radius, or a scale twice as large as it should be"),
    (2.5, "another objective's scale (2.5 to 1)"),
    (0.4, "another objective's scale (1 to 2.5)"),
    (4.0, "another objective's scale (4 to 1)"),
    (0.25, "another objective's scale (1 to 4)"),
    (5.0, "another objective's scale (5 to 1)"),
    (0.2, "another objective's scale (1 to 5)"),
)  # fmt: skip
"""What measured / stated is, and what then happened."""

SHARE_SLIPS: Final = ((100.0, "a percentage divided by 100 twice"), (10.0, "a decimal place too small"))

_FAR, _NEAR = 4.0, 2.5
"""Standard uncertainties from a factor of 1 and from the slip's own: far from the one, near to the other."""


@dataclass(frozen=True)
class Slip:
    """A factor by which a value is off, and its name."""

    factor: float
    name: str


def find_slip(
    stated: float, measured: float, *, u_measured: float, u_stated: float, unit: str
) -> Slip | None:
    """Return the slip that turns a stated value into the measured one, None where none does or none is needed.

    ``u_stated`` is relative. A slip is named where the value as stated is off by more than 4 combined standard
    uncertainties and the corrected one within 2.5 of them; areas are off by the square of a length's factor.
    """
    if not (stated > 0 and measured > 0):
        return None
    if abs(measured - stated) <= _FAR * math.hypot(u_measured, u_stated * stated):
        return None
    slips = SHARE_SLIPS if unit == "fraction" else LENGTH_SLIPS
    power = 2 if unit == "um2" else 1
    off = [
        (abs(measured - factor**power * stated) / math.hypot(u_measured, u_stated * measured), factor, name)
        for factor, name in slips
    ]
    distance, factor, name = min(off)
    return Slip(factor**power, name) if distance <= _NEAR else None


def rounding_step(values: Sequence[float]) -> float:
    """Return the coarsest step 1, 2 or 5 times a power of ten of which all values are whole multiples.

    NaN where there is none down to 10⁻⁶, or no value but 0.
    """
    largest = max((abs(value) for value in values), default=0.0)
    if not largest:
        return math.nan
    for power in range(math.ceil(math.log10(largest)), -7, -1):
        for lead in (5, 2, 1):
            step = lead * 10.0**power
            if step <= largest * (1 + 1e-9) and all(is_multiple(value, step) for value in values):
                return step
    return math.nan


def is_multiple(value: float, step: float) -> bool:
    """Return whether a value is a whole multiple of a step, within the accuracy of written decimals."""
    return abs(value / step - round(value / step)) < 1e-6 * max(1.0, abs(value / step))


@dataclass(frozen=True)
class RoundedUp:
    """Stated values that are the next multiple of ``step`` above the measured one: their places, and the chance of
    so many or more if values were read without a preference."""

    step: float
    places: tuple[int, ...]
    p: float


def find_rounded_up(
    stated: Sequence[float], measured: Sequence[float], u: Sequence[float]
) -> RoundedUp | None:
    """Return the values rounded up to a step coarser than the others', None where fewer than three are.

    (n,) each, ``u`` the combined standard uncertainty of a difference. A value counts where it lies above the measured
    one by more than 1.64 u, by less than the step, and on a multiple of it. The chance of one is 5 % of the share of
    values that fall on such a multiple.
    """
    from scipy import stats

    finest = rounding_step(stated)
    if not math.isfinite(finest):
        return None
    best: RoundedUp | None = None
    for factor in (5.0, 10.0, 20.0, 50.0, 100.0):
        step = factor * finest
        places = tuple(
            at
            for at, (said, seen, spread) in enumerate(zip(stated, measured, u, strict=True))
            if is_multiple(said, step) and 1.64 * spread < said - seen < step
        )
        p = float(stats.binom.sf(len(places) - 1, len(stated), 0.05 / factor))
        if len(places) >= 3 and p < 0.01 and (best is None or p < best.p):
            best = RoundedUp(step, places, p)
    return best
