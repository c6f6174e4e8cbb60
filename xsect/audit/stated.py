"""Stated against measured: the supplier's values beside ours, quantity by quantity and verdict by verdict."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from xsect.audit.agreement import Limits, Line, Scatter, deming, limits_of_agreement, scatter
from xsect.audit.claim import Claim
from xsect.audit.multiple import holm
from xsect.audit.rounded_up import RoundedUp, find_rounded_up
from xsect.audit.slips import Slip, find_slip, rounding_step
from xsect.lots.verdict_agreement import Kappa, cohen
from xsect.quantities import QUANTITIES, Unit, shown_unit
from xsect.record import LotRecord, SectionRecord

FEWEST_FOR_LINE: Final = 5

SEED: Final = 1848
"""Of the packages drawn behind the p-value of rounding: the same audit gives the same digits."""


@dataclass(frozen=True)
class Pair:
    """One section's stated and measured value of a quantity, in its unit (µm, µm², fraction).

    ``u`` is the standard uncertainty of ours, ``u_difference`` of stated - measured. ``z`` is the difference in those;
    ``beyond``: it exceeds what they allow, corrected for the number of sections. ``vouched``: our own
    measurement needs no look.
    """

    lot: str
    section: str
    row: int
    stated: float
    measured: float
    u: float
    u_difference: float
    slip: Slip | None
    vouched: bool
    beyond: bool = False

    @property
    def difference(self) -> float:
        """Stated minus measured."""
        return self.stated - self.measured

    @property
    def z(self) -> float:
        """The difference in its standard uncertainties."""
        return self.difference / self.u_difference


@dataclass(frozen=True)
class QuantityAgreement:
    """One quantity over all sections. Lines: stated (y) on measured (x). ``step``: what stated values are rounded to.

    Pairs with a slip are listed, but left out of limits, lines and rounding: they would speak of nothing else.
    """

    quantity: str
    unit: Unit
    pairs: tuple[Pair, ...]
    unmeasured: tuple[str, ...]
    step: float
    limits: Limits | None
    line: Line | None
    error_ratio: float
    scatter: Scatter | None
    rounded_up: RoundedUp | None
    rounded_sections: tuple[str, ...]
    plainly_rounded: tuple[str, ...]


@dataclass(frozen=True)
class Flip:
    """A clause that the stated value meets and the measured one does not (``to`` "reject"), or the other way round.

    ``vouched``: our own measurement needs no look.
    """

    lot: str
    section: str
    clause: str
    severity: str
    quantity: str
    limit: str
    stated: float
    measured: float
    to: str
    vouched: bool


@dataclass(frozen=True)
class Verdicts:
    """Verdicts by stated values beside ours: ``table`` counts (stated, ours), accept before reject; ``undecided``
    are decisions that ours leave open, or that need a look, which the table leaves out."""

    table: tuple[tuple[int, int], tuple[int, int]]
    undecided: int
    kappa: Kappa | None
    flips: tuple[Flip, ...]


def compare_quantities(lot: LotRecord, claim: Claim) -> tuple[QuantityAgreement, ...]:
    """Compare every stated quantity of a lot with ours, in the order of the registry."""
    names = {name for record in lot.sections for name in record.row.stated}
    return tuple(_compare(name, lot.sections, claim) for name in QUANTITIES if name in names)


def _compare(quantity: str, sections: Sequence[SectionRecord], claim: Claim) -> QuantityAgreement:
    unit = QUANTITIES[quantity].unit
    stated = [record for record in sections if quantity in record.row.stated]
    step = rounding_step([record.row.stated[quantity] for record in stated])
    pairs, unmeasured = [], []
    for record in stated:
        pair = _pair(record, quantity, step, claim)
        if pair is None:
            unmeasured.append(record.row.section)
        else:
            pairs.append(pair)
    pairs = _marked(pairs)
    plain = [pair for pair in pairs if pair.slip is None]
    said, seen = [pair.stated for pair in plain], [pair.measured for pair in plain]
    rng = np.random.default_rng(SEED)
    rounded = find_rounded_up(said, seen, [pair.u_difference for pair in plain], rng) if plain else None
    ratio = _error_ratio(plain)
    enough = len(plain) >= FEWEST_FOR_LINE and np.std(seen) > 0 and np.cov(seen, said)[0, 1] != 0
    return QuantityAgreement(
        quantity=quantity,
        unit=unit,
        pairs=tuple(pairs),
        unmeasured=tuple(unmeasured),
        step=step,
        limits=limits_of_agreement(said, seen) if len(plain) >= 3 else None,
        line=deming(seen, said, error_ratio=ratio) if enough else None,
        error_ratio=ratio,
        scatter=scatter(
            seen, said, u_x=[pair.u for pair in plain],
            u_y=[math.sqrt(pair.u_difference**2 - pair.u**2) for pair in plain],
        ) if enough else None,
        rounded_up=rounded,
        rounded_sections=tuple(plain[at].section for at in rounded.places) if rounded else (),
        plainly_rounded=tuple(plain[at].section for at in rounded.plain) if rounded else (),
    )  # fmt: skip


def _pair(record: SectionRecord, quantity: str, step: float, claim: Claim) -> Pair | None:
    found, stated = record.find(quantity), record.row.stated[quantity]
    if not found or not (math.isfinite(found.value) and found.u > 0):
        return None
    slip = find_slip(
        stated, found.value, u_measured=found.u, u_stated=claim.u_stated, unit=QUANTITIES[quantity].unit
    )
    rounding = step / math.sqrt(12) if math.isfinite(step) else 0.0
    u_stated = math.hypot(claim.u_stated * abs(stated), rounding) or found.u
    vouched = record.status == "measured" and found.status == "measured"
    return Pair(
        record.row.lot, record.row.section, record.row.number, stated, found.value, found.u,
        math.hypot(found.u, u_stated), slip, vouched,
    )  # fmt: skip


def _marked(pairs: list[Pair]) -> list[Pair]:
    """Mark the pairs whose difference exceeds its uncertainty, at 5 % over all sections together."""
    from scipy import stats

    if not pairs:
        return pairs
    adjusted = holm([float(2 * stats.norm.sf(abs(pair.z))) for pair in pairs])
    return [replace(pair, beyond=p < 0.05) for pair, p in zip(pairs, adjusted, strict=True)]


def _error_ratio(pairs: Sequence[Pair]) -> float:
    """Return the variance of our errors over that of stated ones: both as the budgets give them."""
    ours = sum(pair.u**2 for pair in pairs)
    theirs = sum(pair.u_difference**2 - pair.u**2 for pair in pairs)
    return ours / theirs if theirs else 1.0


def as_stated(value: float, unit: Unit) -> str:
    """Return a stated value as people read it, with no digit more than was stated."""
    factor, name = shown_unit(value, unit)
    return f"{value * factor:g} {name}".rstrip()


def compare_verdicts(lot: LotRecord) -> Verdicts | None:
    """Compare what stated values would be judged, by the value alone, with our verdicts; None where none can be.

    Only clauses on a whole section whose quantity is stated take part.
    """
    counts: Counter[tuple[str, str]] = Counter()
    flips = []
    for record in lot.sections:
        for verdict in record.verdicts:
            stated = record.row.stated.get(verdict.quantity)
            bounded = math.isfinite(verdict.at_least) or math.isfinite(verdict.at_most)
            if stated is None or verdict.segment is not None or not bounded:
                continue
            word = "reject" if stated < verdict.at_least or stated > verdict.at_most else "accept"
            vouched = record.status == "measured"
            counts[word, verdict.verdict if vouched else "undecided"] += 1
            if verdict.verdict in ("accept", "reject") and verdict.verdict != word:
                flips.append(
                    Flip(
                        record.row.lot, record.row.section, verdict.clause, verdict.severity, verdict.quantity,
                        verdict.limit, stated, verdict.value, verdict.verdict,
                        vouched,
                    )
                )  # fmt: skip
    if not counts:
        return None
    words = ("accept", "reject")
    table = tuple(tuple(counts[row, column] for column in words) for row in words)
    decided = sum(map(sum, table))
    kappa = cohen(np.array(table)) if decided else None
    return Verdicts(table, sum(counts.values()) - decided, kappa, tuple(flips))  # type: ignore[arg-type]
