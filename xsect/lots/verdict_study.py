"""Verdict study: how far appraisers agree with themselves, with one another and with a reference."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from xsect.lots.study_files import StudyRow
from xsect.lots.verdict_agreement import Kappa, cohen, fleiss, table_of

Key = tuple[str, str]


@dataclass(frozen=True)
class Agreement:
    """One comparison: between whom, what kind it is, how many pairs of verdicts, and kappa."""

    between: str
    kind: str
    pairs: int
    kappa: Kappa


def verdict_study(rows: Sequence[StudyRow]) -> tuple[Agreement, ...]:
    """Return all comparisons: each appraiser's trials, appraisers in pairs, each against the reference, all together.

    Verdicts of two appraisers are paired by part and trial. Raises ValueError that names the first verdict given twice
    or missing, or a part with two references.
    """
    parts, appraisers, trials = (
        tuple(dict.fromkeys(getattr(row, name) for row in rows)) for name in ("part", "appraiser", "trial")
    )
    given: dict[tuple[str, str, str], str] = {}
    references: dict[str, str] = {}
    for row in rows:
        key = (row.appraiser, row.part, row.trial)
        if key in given:
            raise ValueError(f"part {row.part}, appraiser {row.appraiser}, trial {row.trial}: is given twice")
        given[key] = row.verdict
        if row.reference and references.setdefault(row.part, row.reference) != row.reference:
            raise ValueError(f"part {row.part}: has two references")
    for appraiser in appraisers:
        for part in parts:
            for trial in trials:
                if (appraiser, part, trial) not in given:
                    raise ValueError(f"part {part}, appraiser {appraiser}, trial {trial}: is missing")
    if references and len(references) < len(parts):
        raise ValueError(f"part {next(p for p in parts if p not in references)}: its reference is missing")
    classes = sorted({*given.values(), *references.values()})
    of = {name: [given[name, part, trial] for part in parts for trial in trials] for name in appraisers}
    found = []
    for name in appraisers:
        for one, other in combinations(trials, 2):
            first, second = ([given[name, part, trial] for part in parts] for trial in (one, other))
            found.append(_pair(f"{name}, trials {one} and {other}", "with oneself", first, second, classes))
    for one, other in combinations(appraisers, 2):
        found.append(_pair(f"{one} and {other}", "between appraisers", of[one], of[other], classes))
    if references:
        truth = [references[part] for part in parts for _ in trials]
        found += [
            _pair(f"{name} and reference", "with the reference", of[name], truth, classes)
            for name in appraisers
        ]
    if len(appraisers) > 2:
        counts = np.array(
            [
                [sum(of[name][i] == word for name in appraisers) for word in classes]
                for i in range(len(parts) * len(trials))
            ]
        )
        found.append(Agreement("all appraisers (Fleiss)", "between appraisers", len(counts), fleiss(counts)))
    if not found:
        raise ValueError("one appraiser, one trial and no reference: there is nothing to compare")
    return tuple(found)


def _pair(
    between: str, kind: str, first: Sequence[str], second: Sequence[str], classes: Sequence[str]
) -> Agreement:
    return Agreement(between, kind, len(first), cohen(table_of(first, second, classes)))


def level(kappa: float) -> str:
    """Return what a kappa means (bands common in industry, as quoted by several guides: 0.9 and 0.7)."""
    if math.isnan(kappa):
        return "cannot be told: all verdicts are alike"
    return "good" if kappa >= 0.9 else "marginal" if kappa >= 0.7 else "not good enough"
