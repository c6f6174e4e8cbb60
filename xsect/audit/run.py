"""The audit in one screen: a measured lot and a claim in; every check made; findings out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from xsect.audit.claim import NOTHING, Claim
from xsect.audit.copy_move import CopiedPatch
from xsect.audit.examine import ExaminedLot, Looked
from xsect.audit.reuse import Picture, Recall, Reuse, find_reuse, no_copies, specimen_of
from xsect.audit.sampling import Plan, Reach, Support, attribute_plan, code_letter, reach, support
from xsect.audit.selection import (
    Sign,
    corrected,
    crowded_at_limit,
    cut_days,
    missing_numbers,
    repeated_values,
    small_spread,
    smaller_than_measured,
    terminal_digits,
)
from xsect.audit.stated import QuantityAgreement, Verdicts, compare_quantities, compare_verdicts
from xsect.judge.decision import summarise
from xsect.quantities import QUANTITIES
from xsect.record import LotRecord, SectionRecord

SEED: Final = 1847
"""Of the samples drawn by chance behind two of the p-values: the same audit gives the same digits."""


@dataclass(frozen=True)
class Sample:
    """What the sample shows. ``decided`` sections have a verdict of ours and need no look, ``failures`` of them
    reject.

    ``plan`` and ``support`` are None where nothing of the kind is claimed, or nothing was decided; ``reaches`` pairs
    clause ids with how far the measured values reach from their limits.
    """

    sections: int
    decided: int
    failures: int
    plan: Plan | None
    support: Support | None
    reaches: tuple[tuple[str, Reach], ...]


@dataclass(frozen=True)
class Audit:
    """Everything that an audit found out, in the order of the lot sheet.

    ``known`` counts earlier pictures compared, ``by_hash`` those of them whose hash is all that is known.
    """

    lot: LotRecord
    claim: Claim
    quantities: tuple[QuantityAgreement, ...]
    verdicts: Verdicts | None
    reuse: tuple[Reuse, ...]
    looked: tuple[Looked, ...]
    sample: Sample
    signs: tuple[Sign, ...]
    known: int
    by_hash: int = 0

    @property
    def copied(self) -> tuple[tuple[SectionRecord, CopiedPatch], ...]:
        """The sections in whose picture a patch stands twice, with it."""
        return tuple(
            (record, looked.copied)
            for record, looked in zip(self.lot.sections, self.looked, strict=True)
            if looked.copied
        )


def audit_lot(
    examined: ExaminedLot,
    claim: Claim = NOTHING,
    *,
    known: Sequence[Picture] = (),
    jobs: int = 1,
    recall: Recall = no_copies,
) -> Audit:
    """Audit an examined lot against what is stated and claimed; ``known`` are earlier pictures to compare with, whose
    reduced copies ``recall`` gives where they have none.

    The result depends on nothing but its inputs.
    """
    lot = examined.lot
    quantities = compare_quantities(lot, claim)
    return Audit(
        lot=lot,
        claim=claim,
        quantities=quantities,
        verdicts=compare_verdicts(lot),
        reuse=find_reuse(pictures_of(examined), known, jobs=jobs, recall=recall),
        looked=tuple(one.looked for one in examined.sections),
        sample=_sample(lot, claim),
        signs=_signs(lot, claim, quantities),
        known=len(known),
        by_hash=sum(not (one.fingerprint or one.at_hand) for one in known),
    )


def pictures_of(examined: ExaminedLot) -> list[Picture]:
    """Return the pictures of a lot's sections, in their order."""
    return [
        Picture(
            one.record.row.section,
            one.record.row.image,
            one.record.image_sha256,
            specimen_of(one.record.row),
            one.fingerprint,
            one.small,
        )
        for one in examined.sections
    ]


def _sample(lot: LotRecord, claim: Claim) -> Sample:
    words = [summarise(one.verdicts) for one in lot.sections if lot.criteria and one.status == "measured"]
    decided = sum(word in ("accept", "reject") for word in words)
    failures = words.count("reject")
    plan = None
    if claim.aql is not None and claim.lot_size is not None:
        plan = attribute_plan(code_letter(claim.lot_size, claim.level), claim.aql)
    shown = None
    if decided:
        shown = support(decided, failures, confidence=claim.confidence, claimed=claim.reliability)
    return Sample(len(lot.sections), decided, failures, plan, shown, _reaches(lot, claim))


def _reaches(lot: LotRecord, claim: Claim) -> tuple[tuple[str, Reach], ...]:
    """Return how far measured values reach from each numeric clause's limits, where those are the same in all rows."""
    out = []
    for clause in lot.criteria.clauses if lot.criteria else ():
        found = [
            verdict
            for record in lot.sections
            for verdict in record.verdicts
            if verdict.clause == clause.id and verdict.segment is None and math.isfinite(verdict.value)
            and record.status == "measured"
        ]  # fmt: skip
        sides = {
            (_bound(one.at_least, -math.inf), _bound(one.at_most, math.inf)) for one in found if not one.word
        }
        if len(sides) != 1:
            continue
        ((low, high),) = sides
        shown = reach(
            [one.value for one in found],
            at_least=low,
            at_most=high,
            coverage=claim.reliability or 0.9,
            confidence=claim.confidence,
        )
        if shown:
            out.append((clause.id, shown))
    return tuple(out)


def _bound(value: float, none: float) -> float:
    return none if math.isnan(value) else value


def _signs(lot: LotRecord, claim: Claim, quantities: tuple[QuantityAgreement, ...]) -> tuple[Sign, ...]:
    rng = np.random.default_rng(SEED)
    rows = [record.row for record in lot.sections]
    signs = [
        missing_numbers([row.section for row in rows]),
        cut_days([row.cut_on for row in rows], days=claim.sampled_over_days),
    ]
    for one in quantities:
        stated = [row.stated[one.quantity] for row in rows if one.quantity in row.stated]
        plain = [pair for pair in one.pairs if pair.slip is None and pair.vouched]
        said, seen = [pair.stated for pair in plain], [pair.measured for pair in plain]
        of_quantity = [
            terminal_digits(stated, rng),
            repeated_values(stated, rng),
            smaller_than_measured(said, seen),
        ]
        if one.quantity in claim.process_sd:
            of_quantity.append(small_spread(stated, process_sd=claim.process_sd[one.quantity]))
        for limit, above in _limits(lot, one.quantity):
            of_quantity.append(crowded_at_limit(said, seen, limit=limit, above=above))
        signs += [_named(sign, one.quantity) for sign in of_quantity if sign]
    return corrected([sign for sign in signs if sign])


def _named(sign: Sign, quantity: str) -> Sign:
    return replace(sign, title=f"{sign.title}: {QUANTITIES[quantity].label.lower()}")


def _limits(lot: LotRecord, quantity: str) -> list[tuple[float, bool]]:
    """Return (limit, whether values above it are good) of the clauses on a whole section's quantity, where all rows
    have the same one."""
    lows: set[float] = set()
    highs: set[float] = set()
    for record in lot.sections:
        for verdict in record.verdicts:
            if verdict.quantity == quantity and verdict.segment is None:
                lows |= {verdict.at_least} if math.isfinite(verdict.at_least) else set()
                highs |= {verdict.at_most} if math.isfinite(verdict.at_most) else set()
    return [(next(iter(side)), above) for side, above in ((lows, True), (highs, False)) if len(side) == 1]
