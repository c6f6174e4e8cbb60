"""Run rules: patterns of points on a chart that a process in control shows rarely, each by its origin.

All are in the form of the most recent points: a point signals where it completes a pattern, and belongs to it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

ZONE_ORIGIN: Final = "zone rules, Western Electric, Statistical Quality Control Handbook, 1956"
EIGHT_ORIGIN: Final = "eight tests, L. S. Nelson, J. Quality Technology 16(4), 1984, 237–239"


@dataclass(frozen=True)
class RunRule:
    """One rule: its code, origin, a sentence, and the test over standardised points z (value − centre) / sd."""

    code: str
    origin: str
    sentence: str
    test: Callable[[Floats], Flags]


@dataclass(frozen=True)
class Signal:
    """A point that completes a pattern: its place on the chart, the rule and the panel."""

    place: int
    rule: str
    panel: str = "mean"


def _counted(hit: Flags, of: int, need: int) -> Flags:
    """Where a hit is at least the ``need``-th among the last ``of`` points."""
    total = np.cumsum(np.concatenate(([0], hit.astype(int))))
    start = np.maximum(np.arange(1, hit.size + 1) - of, 0)
    return np.asarray(hit & (total[1:] - total[start] >= need))


def _one_side(z: Floats, beyond: float, *, of: int, need: int) -> Flags:
    return _counted(z > beyond, of, need) | _counted(z < -beyond, of, need)


def _steady(z: Floats, points: int) -> Flags:
    """Where ``points`` points in a row rise, or fall, each time."""
    step = np.concatenate(([0.0], np.sign(np.diff(z))))
    return _counted(step > 0, points - 1, points - 1) | _counted(step < 0, points - 1, points - 1)


def _alternating(z: Floats, points: int) -> Flags:
    step = np.sign(np.diff(z))
    turns = np.concatenate(([False, False], step[1:] * step[:-1] < 0))[: z.size]
    return _counted(turns, points - 2, points - 2)


def _registry(*rules: RunRule) -> dict[str, RunRule]:
    return {rule.code: rule for rule in rules}


RULES: Final = _registry(
    RunRule("zone 1", ZONE_ORIGIN, "one point beyond 3 sigma", lambda z: np.abs(z) > 3),
    RunRule("zone 2", ZONE_ORIGIN, "2 of 3 points beyond 2 sigma on one side",
            lambda z: _one_side(z, 2, of=3, need=2)),
    RunRule("zone 3", ZONE_ORIGIN, "4 of 5 points beyond 1 sigma on one side",
            lambda z: _one_side(z, 1, of=5, need=4)),
    RunRule("zone 4", ZONE_ORIGIN, "8 points in a row on one side of the centre",
            lambda z: _one_side(z, 0, of=8, need=8)),
    RunRule("test 1", EIGHT_ORIGIN, "one point beyond 3 sigma", lambda z: np.abs(z) > 3),
    RunRule("test 2", EIGHT_ORIGIN, "9 points in a row on one side of the centre",
            lambda z: _one_side(z, 0, of=9, need=9)),
    RunRule("test 3", EIGHT_ORIGIN, "6 points in a row steadily rising or falling", lambda z: _steady(z, 6)),
    RunRule("test 4", EIGHT_ORIGIN, "14 points in a row alternating up and down",
            lambda z: _alternating(z, 14)),
    RunRule("test 5", EIGHT_ORIGIN, "2 of 3 points beyond 2 sigma on one side",
            lambda z: _one_side(z, 2, of=3, need=2)),
    RunRule("test 6", EIGHT_ORIGIN, "4 of 5 points beyond 1 sigma on one side",
            lambda z: _one_side(z, 1, of=5, need=4)),
    RunRule("test 7", EIGHT_ORIGIN, "15 points in a row within 1 sigma of the centre",
            lambda z: _counted(np.abs(z) < 1, 15, 15)),
    RunRule("test 8", EIGHT_ORIGIN, "8 points in a row beyond 1 sigma on either side",
            lambda z: _counted(np.abs(z) > 1, 8, 8)),
)  # fmt: skip

RULE_SETS: Final = {
    "zone": tuple(code for code in RULES if code.startswith("zone")),
    "eight": tuple(code for code in RULES if code.startswith("test")),
    "limits": ("zone 1",),
}
"""Names of sets of rules: the four zone rules, the eight tests, or points beyond the limits alone."""


def run_signals(
    z: Floats, rules: Sequence[str], *, phase: NDArray[np.int64] | None = None
) -> tuple[Signal, ...]:
    """Return all signals of standardised points ``z`` (in order of time), by place and then by rule.

    No pattern runs across the border of two phases. Points must be finite.
    """
    if not np.isfinite(z).all():
        raise ValueError("z: holds a point that is no number")
    phase = np.zeros(z.size, dtype=np.int64) if phase is None else phase
    found = []
    for one in np.unique(phase):
        places = np.flatnonzero(phase == one)
        for code in rules:
            found += [Signal(int(place), code) for place in places[RULES[code].test(z[places])]]
    return tuple(sorted(found, key=lambda signal: (signal.place, signal.rule)))
