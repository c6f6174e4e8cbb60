"""Rounded up: stated values that were raised to the next multiple of a coarse step, among others that were not.

One such value proves little, since readers differ by about as much. Together they show in two ways: more values than
chance puts there stand on multiples of the step, and those lie above what is measured, by less than the step.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from xsect.audit.slips import rounding_step

Vector = NDArray[np.float64]

FEWEST: Final = 3
LARGEST_P: Final = 0.01
PLAINLY: Final = 1.64
"""Standard uncertainties above the measured value from which a value speaks for itself (one-sided 95 %)."""

DRAWS: Final = 2000
"""Honest packages drawn for the p-value: the smallest p is 1 in this many."""

SURELY: Final = 3.0
"""How many times likelier a value must be to be rounded up than read for it to be named."""

_FACTORS: Final = (5, 10, 20, 50, 100)
_SHARES: Final = np.linspace(0.0, 0.95, 20)


@dataclass(frozen=True)
class RoundedUp:
    """Stated values that were likelier rounded up to a multiple of ``step`` than read: their ``places``.

    ``plain`` are those of them that differ from the measured value by more than its uncertainty allows; the others are
    told by the company they keep. ``p`` is the chance of as much if values were read and rounded without preference.
    """

    step: float
    places: tuple[int, ...]
    plain: tuple[int, ...]
    p: float


def find_rounded_up(
    stated: Sequence[float], measured: Sequence[float], u: Sequence[float], rng: np.random.Generator
) -> RoundedUp | None:
    """Return the values rounded up to a step coarser than the others', None where fewer than three are.

    (n,) each, ``u`` the standard uncertainty of a difference. A share of the values is taken to be rounded up to the
    next multiple, the rest to be read and rounded to the nearest finest step; the likeliest share, and what each value
    then more likely is, follow from the values. p comes from packages drawn without rounding up, over all steps.
    """
    finest = rounding_step(stated)
    said, seen, spread = (np.asarray(values, float) for values in (stated, measured, u))
    if len(said) < FEWEST or not math.isfinite(finest):
        return None
    steps = [factor * finest for factor in _FACTORS]
    odds = [_odds(said[None], seen, spread, finest, step)[0] for step in steps]
    scores = [_score(one[None])[0] for one in odds]
    best = int(np.argmax(scores))
    # few values leave the share open: none is named for the share's sake alone
    share = min(float(_SHARES[int(np.argmax(_fits(odds[best][None])[:, 0]))]), 0.5)
    likely = share * odds[best] > SURELY * (1 - share)
    places = tuple(int(at) for at in np.flatnonzero(likely))
    if len(places) < FEWEST:
        return None
    honest = np.rint(rng.normal(seen, spread, (DRAWS - 1, len(said))) / finest) * finest
    chance = np.max([_score(_odds(honest, seen, spread, finest, step)) for step in steps], axis=0)
    p = float((1 + (chance >= scores[best]).sum()) / DRAWS)
    if p >= LARGEST_P:
        return None
    plain = tuple(at for at in places if said[at] - seen[at] > PLAINLY * spread[at])
    return RoundedUp(steps[best], places, plain, p)


def _odds(said: Vector, seen: Vector, spread: Vector, finest: float, step: float) -> Vector:
    """Return how much likelier (m, n) stated values are if rounded up to a multiple of ``step`` than if rounded to the
    nearest of ``finest``: 0 for those on no multiple."""
    from scipy import special

    def below(value: Vector) -> Vector:
        return np.asarray(special.ndtr((value - seen) / spread), float)

    multiple = said / step
    on = np.abs(multiple - np.rint(multiple)) < 1e-6 * np.maximum(1.0, np.abs(multiple))
    # few values of thousands of packages stand on a multiple: only those are worked out
    rows, columns = np.nonzero(on)
    said, seen, spread = said[rows, columns], seen[columns], spread[columns]
    up = below(said) - below(said - step)
    near = below(said + finest / 2) - below(said - finest / 2)
    odds = np.zeros(on.shape)
    odds[rows, columns] = up / np.maximum(near, 1e-12)
    return odds


def _fits(odds: Vector) -> Vector:
    """Return the log likelihood ratio of each share of values rounded up against none, (shares, m)."""
    rows, columns = np.nonzero(odds)
    weighed = odds[rows, columns]
    plain = odds.shape[1] - np.bincount(rows, minlength=len(odds))
    # share by share: all at once would fill the memory for a package of thousands
    fits = [
        np.bincount(rows, np.log(1 - share + weighed * share), len(odds)) + plain * np.log1p(-share)
        for share in _SHARES
    ]
    return np.asarray(fits, float)


def _score(odds: Vector) -> Vector:
    return np.asarray(_fits(odds).max(axis=0), float)
