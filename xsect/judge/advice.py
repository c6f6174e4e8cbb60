"""What to change: advice from a section's measurements and verdicts, only where an interval excludes chance."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from xsect.capture.lot_sheet import SheetRow
from xsect.judge.advice_entries import ADVICE, Condition, Entry
from xsect.judge.criteria import InputMissing
from xsect.judge.decision import Verdict
from xsect.judge.wording import with_interval
from xsect.quantities import QUANTITIES, Measurement, Status


@dataclass(frozen=True)
class Ground:
    """One number that triggered advice: a measurement, and the threshold that its whole interval lies beyond.

    ``relation`` is "above", "below" or "is"; ``threshold`` is in the quantity's unit, NaN for a word.
    """

    found: Measurement
    relation: str
    threshold: float
    source: str

    @property
    def sentence(self) -> str:
        """ "plating coverage 60.0 ± 2.2 %, above 25 % (clause residual_tin)"; lengths in µm."""
        name = QUANTITIES[self.found.quantity].label.lower()
        if self.found.segment is not None:
            name += f" (segment {self.found.segment})"
        if self.relation == "is":
            return f"{name}: {self.found.word.replace('_', '-')}"
        factor, unit = (100.0, "%") if self.found.unit == "fraction" else (1.0, "µm")
        limit = f"{self.threshold * factor:.4g} {unit}"
        return f"{name} {with_interval(self.found)}, {self.relation} {limit} ({self.source})"


@dataclass(frozen=True)
class Advice:
    """One entry of the registry that holds for a section, with the numbers it rests on.

    ``tentative``: the section needs a look, and the advice holds only if a person confirms what it rests on.
    """

    entry: Entry
    grounds: tuple[Ground, ...]
    tentative: bool

    @property
    def sentence(self) -> str:
        """What it means, the numbers, and what to change, as one piece of text."""
        means = self.entry.sentence
        if self.tentative:
            means = f"Only if the section stands up to the look that it needs: {means[0].lower()}{means[1:]}"
        return f"{means} Because: {'; '.join(ground.sentence for ground in self.grounds)}. {self.entry.what_to_change}"


def advise(
    measurements: Sequence[Measurement], verdicts: Sequence[Verdict], row: SheetRow, status: Status
) -> tuple[Advice, ...]:
    """Return the advice that a section's numbers ask for, in the registry's order; () for a section not measured.

    A threshold is the limit of the section's own clauses where one limits that side of the quantity, else that
    of common practice. Advice is given only where whole 95 % intervals lie beyond (idea of ISO 14253-1).
    """
    if status == "not_measured":
        return ()
    beside_centre = row.face_offset_um is not None or bool(row.plane_offset_um)
    out = []
    for entry in ADVICE.values():
        if entry.weld_type not in ("", row.weld_type) or (entry.of_centre and beside_centre):
            continue
        grounds = [_grounds(condition, measurements, verdicts, row) for condition in entry.conditions]
        if any(grounds) if entry.any_of else all(grounds):
            flat = tuple(ground for part in grounds for ground in part)
            doubtful = status == "needs_review" or any(
                ground.found.status == "needs_review" for ground in flat
            )
            out.append(Advice(entry, flat, doubtful))
    return tuple(out)


def _grounds(
    condition: Condition, measurements: Sequence[Measurement], verdicts: Sequence[Verdict], row: SheetRow
) -> list[Ground]:
    """Return the measurements that meet a condition, each with its threshold."""
    found = {one.segment: one for one in measurements if one.quantity == condition.quantity and one}
    if condition.side == "is":
        return [
            Ground(one, "is", math.nan, "")
            for one in found.values()
            if one.segment is None and one.word in condition.words
        ]
    if condition.side == "unequal":
        return _unequal(condition, [one for segment, one in found.items() if segment is not None])
    out = []
    for segment, at_least, at_most, source in _windows(condition, measurements, verdicts, row):
        one = found.get(segment)
        if one is None or not one.low <= one.high:
            continue
        if condition.side in ("above", "beside") and one.low > at_most:
            out.append(Ground(one, "above", at_most, source))
        elif condition.side in ("below", "beside") and one.high < at_least:
            out.append(Ground(one, "below", at_least, source))
    return out


def _windows(
    condition: Condition, measurements: Sequence[Measurement], verdicts: Sequence[Verdict], row: SheetRow
) -> Iterator[tuple[int | None, float, float, str]]:
    """Yield (segment, at least, at most, source) of the clauses on this side, else of common practice."""
    sides = {"above": ("at_most",), "below": ("at_least",), "beside": ("at_least", "at_most")}[condition.side]
    clauses = [
        verdict
        for verdict in verdicts
        if condition.by_clause
        and verdict.quantity == condition.quantity
        and any(math.isfinite(getattr(verdict, side)) for side in sides)
    ]
    for verdict in clauses:
        low = verdict.at_least if math.isfinite(verdict.at_least) else -math.inf
        high = verdict.at_most if math.isfinite(verdict.at_most) else math.inf
        yield verdict.segment, low, high, f"clause {verdict.clause}"
    limit, source = _common(condition, measurements, row)
    if not clauses and math.isfinite(limit):
        yield None, (-limit if condition.side == "beside" else limit), limit, source


def _common(condition: Condition, measurements: Sequence[Measurement], row: SheetRow) -> tuple[float, str]:
    """Return the threshold of common practice for this row and where it comes from; NaN where there is none."""
    if condition.limit is not None:
        try:
            rule = f"{condition.limit.text(None)}: " if condition.limit.of else ""
            return condition.limit.value(row), rule + condition.source
        except InputMissing:
            return math.nan, ""
    of = next(
        (one for one in measurements if one.quantity == condition.of and one.segment is None and one), None
    )
    if of is None or not of.value > 0:
        return math.nan, ""
    # the reference is uncertain too: its end that makes the condition harder to meet
    name = QUANTITIES[condition.of].label.lower()
    return condition.share * of.high, f"{100 * condition.share:g} % of the {name}: {condition.source}"


def _unequal(condition: Condition, segments: list[Measurement]) -> list[Ground]:
    """Compare the smallest segment with the largest one."""
    if len(segments) < 2:
        return []
    small, large = min(segments, key=lambda one: one.value), max(segments, key=lambda one: one.value)
    threshold = condition.share * large.low
    if not small.high < threshold:
        return []
    source = f"{100 * condition.share:g} % of segment {large.segment}'s: {condition.source}"
    return [Ground(small, "below", threshold, source)]
