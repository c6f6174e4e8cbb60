"""Standing of a section: its verdict and whether it needs a look, as words for tables and marks for plots."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from xsect.judge.decision import GRAVITY, Verdict, summarise
from xsect.quantities import Status
from xsect.record import LotRecord, SectionRecord

STATUS_LABELS: Final[dict[Status, str]] = {
    "measured": "measured",
    "needs_review": "needs a look",
    "not_measured": "not measured",
}


def worst(verdicts: Iterable[Verdict]) -> str:
    """Return the gravest verdict, "" where there is none."""
    words = {verdict.verdict for verdict in verdicts}
    return next((word for word in GRAVITY if word in words), "")


def section_verdict(record: SectionRecord) -> str:
    """Return the section's verdict, "" where no criteria judged it; "not_measured" counts as one.

    A person's decision stands above the clauses.
    """
    if record.decision:
        return record.decision
    if record.verdicts:
        return summarise(record.verdicts)
    return "not_measured" if record.status == "not_measured" else ""


def all_passed(lot: LotRecord) -> bool:
    """Whether every section was accepted; without criteria, whether each was measured and needs no look."""
    if lot.criteria is None:
        return all(record.status == "measured" for record in lot.sections)
    return all(section_verdict(record) == "accept" for record in lot.sections)
