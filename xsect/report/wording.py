"""Wording of numbers in reports: value, expanded uncertainty and interval with the same decimals and unit."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from xsect.quantities import QUANTITIES, Measurement, decimals, shown_unit

MISSING = "–"

_UNPRINTABLE = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
"""Signs that steer a terminal or turn the direction of writing; a line's end is left alone."""


@dataclass(frozen=True)
class Shown:
    """A measurement as people read it; parts that it does not have are "–" (``unit``: "")."""

    value: str
    expanded: str
    interval: str
    unit: str

    @property
    def sentence(self) -> str:
        """Value and uncertainty in one piece: "1.230 ± 0.021 mm", or "3.1 (0.0 to 7.4) µm" where lopsided."""
        if self.expanded != MISSING:
            return f"{self.value} ± {self.expanded} {self.unit}".rstrip()
        bounds = f" ({self.interval})" if self.interval != MISSING else ""
        return f"{self.value}{bounds} {self.unit}".rstrip()


def shown(found: Measurement | None) -> Shown:
    """Return a measurement as people read it: U (95 %) with two significant digits, and the value to match.

    ``expanded`` is half the interval, "–" where the interval is lopsided (cut at 0 or 1) and the two ends
    must speak for themselves.
    """
    if found is None or not found:
        return Shown(MISSING, MISSING, MISSING, "")
    if found.unit == "word":
        return Shown(found.word.replace("_", "-") or MISSING, MISSING, MISSING, "")
    if not math.isfinite(found.value):
        return Shown(MISSING, MISSING, MISSING, "")
    factor, unit = shown_unit(found.value, found.unit)
    down, up = (found.value - found.low) * factor, (found.high - found.value) * factor
    # an interval of no width would read as "± 0.0": nothing is known that well
    if not (math.isfinite(down) and math.isfinite(up)) or down == up == 0:
        return Shown(
            fixed(found.value * factor, decimals(found.value * factor, None)), MISSING, MISSING, unit
        )
    places = decimals(found.value * factor, max(down, up))
    value, low, high = (fixed(end * factor, places) for end in (found.value, found.low, found.high))
    even = math.isclose(down, up, rel_tol=0.01, abs_tol=1e-9)
    return Shown(value, fixed(up, places) if even else MISSING, f"{low} to {high}", unit)


def shown_part(u: float, of: Measurement) -> str:
    """Return a part of the uncertainty of ``of``; all parts have the decimals that give u three digits."""
    factor, name = shown_unit(of.u, of.unit)
    # One digit more than the total, or the small parts of a budget all read alike.
    return f"{fixed(u * factor, decimals(of.u * factor, of.u * factor) + 1)} {name}".rstrip()


def fixed(value: float, places: int) -> str:
    """Return a number with fixed decimals and a true minus sign; never "-0"."""
    text = f"{value:.{places}f}"
    if float(text) == 0:
        return text.lstrip("-")
    return text.replace("-", "\N{MINUS SIGN}")


def given_length(um: float | None) -> str:
    """Return a length as it was given, all its digits, in mm from 100 µm up; "" for None."""
    if um is None:
        return ""
    factor, unit = shown_unit(um, "um")
    return f"{um * factor:.6g} {unit}"


def in_mm(text: str) -> str:
    """Return a text with every "812 µm" from 100 µm up as "0.812 mm", no digit lost, and true minus signs."""

    def shift(match: re.Match[str]) -> str:
        number, decimals = match[1], len(match[1].partition(".")[2])
        return f"{float(number) / 1000:.{decimals + 3}f} mm" if float(number) >= 100 else match[0]

    text = re.sub(r"(?<![\d.])(\d+(?:\.\d+)?) µm(?!²|/)", shift, text)
    return re.sub(r"(?<!\S)-(?=\d)", "\N{MINUS SIGN}", text)


def printable(text: str) -> str:
    """Return a text with a question mark for each sign that steers a terminal: names are other people's."""
    return _UNPRINTABLE.sub("?", text)


def label(quantity: str, segment: int | None = None) -> str:
    """Return the registry's label of a quantity, with its segment where there is one."""
    name = QUANTITIES[quantity].label
    return name if segment is None else f"{name}, segment {segment}"
