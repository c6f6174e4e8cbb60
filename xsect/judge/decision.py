"""Decision rule: from measurements with intervals to verdicts, one a clause.

Guarded (the default): ``accept`` only if the whole 95 % interval lies inside the limits, ``reject`` only if
it lies wholly outside, else ``undecided`` (idea of ISO 14253-1; JCGM 106:2012, 8.3). Simple: by the value
alone (simple acceptance, JCGM 106:2012, 8.2). A value on its limit is inside.

Nothing is accepted that was not measured, that lacks an input, or whose section needs a look.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from xsect.capture.lot_sheet import SheetRow
from xsect.judge import wording
from xsect.judge.criteria import Clause, Criteria, InputMissing, Severity
from xsect.judge.guard import conformance_probability, guarded_interval
from xsect.quantities import Measurement, Status, not_measured

VerdictWord = Literal["accept", "reject", "undecided", "not_measured"]

GRAVITY: Final[tuple[VerdictWord, ...]] = ("reject", "undecided", "not_measured", "accept")
"""Verdicts from the gravest down."""

_NOT_MEASURED: Final[VerdictWord] = "not_measured"


@dataclass(frozen=True)
class Verdict:
    """What one clause says of one section (``segment`` None) or bond segment (1, 2, …).

    ``limit`` is the rule in words; ``at_least`` and ``at_most`` its numbers for this row, ``value``, ``u``,
    ``low`` and ``high`` the measurement's, all in the quantity's unit (µm, µm², fraction) and NaN where there
    is none. ``word`` holds the value of a quantity whose unit is a word. ``reason`` is one plain sentence.
    """

    clause: str
    quantity: str
    segment: int | None
    limit: str
    at_least: float
    at_most: float
    value: float
    u: float
    low: float
    high: float
    word: str
    verdict: VerdictWord
    severity: Severity
    reason: str
    conformance_probability: float


@dataclass(frozen=True)
class LotSummary:
    """Counts over the sections of a lot, each by verdict and with every verdict as a key.

    ``sections``: sections by their own verdict. ``clauses``: clause id to the verdicts given under it, in the
    criteria's order (a clause per segment counts each). ``minor_rejects``: rejects under minor clauses.
    """

    sections: dict[VerdictWord, int]
    clauses: dict[str, dict[VerdictWord, int]]
    minor_rejects: int


def judge_section(
    measurements: Sequence[Measurement], row: SheetRow, criteria: Criteria, section_status: Status
) -> tuple[Verdict, ...]:
    """Judge one section by every clause, in the file's order; a clause per segment gives one verdict each.

    A section that needs a look is never accepted: what would be is undecided. A section of another weld type
    than the criteria are for gets no decision at all: its verdicts are undecided.
    """
    return tuple(
        _judge(clause, found, row, criteria, section_status)
        for clause in criteria.clauses
        for found in _subjects(clause, measurements)
    )


def decide(low: float, high: float, *, at_least: float = -math.inf, at_most: float = math.inf) -> VerdictWord:
    """Decide on an interval [low, high]; simple acceptance is the same rule with low = high = value."""
    if not low <= high:
        return "not_measured"
    if at_least <= low and high <= at_most:
        return "accept"
    return "reject" if high < at_least or low > at_most else "undecided"


def summarise(verdicts: Sequence[Verdict]) -> VerdictWord:
    """Return the section's verdict: the gravest of its major clauses.

    The order is reject, undecided, not_measured, accept. Minor clauses are reported beside it and change
    nothing. Without any major verdict nothing was judged: not_measured, never accept.
    """
    major = {verdict.verdict for verdict in verdicts if verdict.severity == "major"}
    return next((word for word in GRAVITY if word in major), "not_measured")


def minor_rejects(verdicts: Iterable[Verdict]) -> tuple[Verdict, ...]:
    """Return the rejects under minor clauses, which a report must show beside the section's verdict."""
    return tuple(found for found in verdicts if found.severity == "minor" and found.verdict == "reject")


def summarise_lot(sections: Sequence[Sequence[Verdict]]) -> LotSummary:
    """Count the verdicts of a lot's sections."""
    words = [summarise(verdicts) for verdicts in sections]
    every = [verdict for verdicts in sections for verdict in verdicts]
    return LotSummary(
        sections=_counts(words),
        clauses={
            clause: _counts([found.verdict for found in every if found.clause == clause])
            for clause in dict.fromkeys(found.clause for found in every)
        },
        minor_rejects=len(minor_rejects(every)),
    )


def _counts(words: Sequence[VerdictWord]) -> dict[VerdictWord, int]:
    return {word: words.count(word) for word in reversed(GRAVITY)}


def _subjects(clause: Clause, measurements: Sequence[Measurement]) -> list[Measurement]:
    """Return what a clause judges: the whole section, or each bond segment of it where it has any."""
    mine = {found.segment: found for found in measurements if found.quantity == clause.quantity}
    segments = sorted({found.segment for found in measurements if found.segment is not None})
    subjects = segments if clause.per_segment and segments else [None]
    return [
        mine[segment]
        if segment in mine
        else not_measured(clause.quantity, "not among the measurements", segment=segment)
        for segment in subjects
    ]


def _judge(
    clause: Clause, found: Measurement, row: SheetRow, criteria: Criteria, section_status: Status
) -> Verdict:
    nan = math.nan
    try:
        at_least = clause.at_least.value(row) if clause.at_least else -math.inf
        at_most = clause.at_most.value(row) if clause.at_most else math.inf
        limit, missing = clause.limit_text(row), ""
    except InputMissing as error:
        at_least, at_most, limit, missing = nan, nan, clause.limit_text(None), str(error)
    if at_least > at_most:
        missing = "the limits leave nothing between them"

    if found.status == "not_measured" or section_status == "not_measured":
        verdict, why = _NOT_MEASURED, found.note if not found else "the section was not measured"
    elif missing:
        verdict, why = _NOT_MEASURED, missing
    elif clause.must_be:
        verdict, why = _decide_word(found.word, clause.must_be)
    else:
        verdict, why = _decide_number(found, at_least, at_most, criteria)
    if verdict != "not_measured":
        verdict, why = _restrain(verdict, why, clause, found, row, criteria, section_status)

    no_probability = missing or clause.must_be
    return Verdict(
        clause=clause.id,
        quantity=clause.quantity,
        segment=found.segment,
        limit=limit,
        at_least=at_least if math.isfinite(at_least) else nan,
        at_most=at_most if math.isfinite(at_most) else nan,
        value=found.value,
        u=found.u,
        low=found.low,
        high=found.high,
        word=found.word,
        verdict=verdict,
        severity=clause.severity,
        reason=wording.sentence(clause, found, limit, verdict, why),
        conformance_probability=nan
        if no_probability
        else conformance_probability(found.value, found.u, at_least=at_least, at_most=at_most),
    )


def _decide_word(word: str, allowed: tuple[str, ...]) -> tuple[VerdictWord, str]:
    if not word:
        return "not_measured", "no word was found for it"
    return ("accept", "") if word in allowed else ("reject", "")


def _decide_number(
    found: Measurement, at_least: float, at_most: float, criteria: Criteria
) -> tuple[VerdictWord, str]:
    if criteria.decision_rule == "simple":
        verdict = decide(found.value, found.value, at_least=at_least, at_most=at_most)
        return verdict, "by the value alone" if verdict != "not_measured" else "it has no value"
    low, high = guarded_interval(found.value, found.u, found.low, found.high, criteria.guard)
    verdict = decide(low, high, at_least=at_least, at_most=at_most)
    if verdict == "not_measured":
        return verdict, "it has no interval, which the guarded rule needs"
    return verdict, wording.ground(verdict, low, high, at_least, at_most, found.unit, criteria.guard)


def _restrain(
    verdict: VerdictWord,
    why: str,
    clause: Clause,
    found: Measurement,
    row: SheetRow,
    criteria: Criteria,
    section_status: Status,
) -> tuple[VerdictWord, str]:
    """Take back what may not be decided: by criteria for another weld, or before a person has had a look."""
    if row.weld_type != criteria.weld_type:
        return (
            "undecided",
            f"the criteria are for {criteria.weld_type} welds, the lot sheet says {row.weld_type}",
        )
    if clause.per_segment and found.segment is None and verdict != "reject":
        return "not_measured", "no bond segment was found, and the clause is for each"
    if "needs_review" in (section_status, found.status):
        if verdict == "accept":
            return "undecided", "the section needs a look before it can be accepted"
        return verdict, "; ".join(part for part in (why, "the section needs a look") if part)
    return verdict, why
