"""Slips: stated values that are wrong by a known factor."""

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
