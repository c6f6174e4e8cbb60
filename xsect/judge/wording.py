"""Wording of verdicts: one plain sentence each, lengths in µm and fractions in %."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from xsect.judge.criteria import Clause
from xsect.judge.guard import Guard
from xsect.quantities import Measurement, Unit, decimals

if TYPE_CHECKING:
    from xsect.judge.decision import VerdictWord

_SHOWN: dict[Unit, tuple[float, str]] = {
    "um": (1.0, "µm"),
    "um2": (1.0, "µm²"),
    "fraction": (100.0, "%"),
    "word": (1.0, ""),
}


def sentence(clause: Clause, found: Measurement, limit: str, verdict: VerdictWord, why: str) -> str:
    """Return "bond_width 812 ± 14 µm, at least 800 µm required: undecided, the interval reaches 798 µm"."""
    segment = "" if found.segment is None else f" (segment {found.segment})"
    value = found.word if clause.must_be else with_interval(found)
    asked = limit if clause.must_be else f"{limit} {'required' if clause.at_least else 'allowed'}"
    decided = "not judged" if verdict == "not_measured" and value else verdict.replace("_", " ")
    return f"{clause.quantity}{segment}{value and ' '}{value}, {asked}: {decided}{why and ', '}{why}"


def with_interval(found: Measurement) -> str:
    """Return "812 ± 14 µm" (95 %), "3.1 (0.0 to 7.4) µm" for a lopsided interval, or "" without a value."""
    if not math.isfinite(found.value):
        return ""
    factor, unit = _SHOWN[found.unit]
    value, low, high = (number * factor for number in (found.value, found.low, found.high))
    if not low < high:  # no interval, or one of no width, which would read as "± 0.0"
        return f"{value:.{decimals(value, None)}f} {unit}"
    places = decimals(value, (high - low) / 2)
    if math.isclose(value - low, high - value, rel_tol=0.01, abs_tol=1e-9):
        return f"{value:.{places}f} ± {high - value:.{places}f} {unit}"
    return f"{value:.{places}f} ({low:.{places}f} to {high:.{places}f}) {unit}"


def ground(
    verdict: VerdictWord, low: float, high: float, at_least: float, at_most: float, unit: Unit, guard: Guard
) -> str:
    """Return why the guarded rule decided as it did on the interval [low, high]."""
    interval = "interval" if guard == "interval" else "one-sided 95 % interval"
    if verdict != "undecided":
        return f"the whole {interval} is {'inside' if verdict == 'accept' else 'outside'}"
    # An interval wider than the window straddles both limits: name each end that lies outside.
    ends = [_end(low, at_least, high - low, unit)] if low < at_least else []
    ends += [_end(high, at_most, high - low, unit)] if high > at_most else []
    return f"the {interval} reaches {' and '.join(ends)}"


def _end(end: float, limit: float, width: float, unit: Unit) -> str:
    """Write one end of an interval with as many decimals as it takes to tell it from the limit."""
    factor, name = _SHOWN[unit]
    first = decimals(end * factor, width * factor / 2)
    texts = [f"{end * factor:.{places}f}" for places in range(first, 9)]
    told = (
        text
        for text in texts
        if float(text) != limit * factor and (float(text) < limit * factor) == (end < limit)
    )
    return f"{next(told, texts[-1])} {name}"
