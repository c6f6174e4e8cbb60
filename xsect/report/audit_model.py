"""Audit report model: everything that an audit report says, as text ready to be set, shared by HTML and PDF."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from typing import Any, Final

import numpy as np

import xsect
from xsect.audit.examine import Looked
from xsect.audit.findings import GRADES, MOST_SHOWN, AuditFinding, find_all, gravest, shown_pairs
from xsect.audit.reuse import Reuse
from xsect.audit.run import Audit
from xsect.audit.sampling import accept_probability
from xsect.audit.stated import QuantityAgreement, as_stated
from xsect.quantities import QUANTITIES, Unit, shown_unit
from xsect.record import SectionRecord
from xsect.report.audit_figures import agreement_plot
from xsect.report.model import _tied
from xsect.report.section_page import short_hash
from xsect.report.standing import section_verdict
from xsect.report.style import VERDICT_STYLES
from xsect.report.wording import MISSING, fixed, shown

CAUTIONS: Final = (
    "A finding is a reason to ask, not an accusation: a picture may have been mixed up, a unit mistaken, a "
    "record renewed "
    "but not sent. Hear the supplier before anything is concluded.",
    "Measured values rest on the pictures as they were sent. Whether a lot is accepted is decided by the "
    "governing code, "
    "the contract and qualified persons.",
)
READING: Final = (
    "Major: the claim may not hold. Minor: the claim may hold, but its proof is not in order. Observation: "
    "worth knowing.",
    "Limits of agreement hold 95 % of the differences between stated and measured values (J. M. Bland and "
    "D. G. Altman, "
    "1986); bands are their 95 % intervals. The line allows for errors on both axes (Deming), in the ratio of "
    "the uncertainties of ours and of the stated values.",
    "p is the chance of as much or more if nothing but chance were at work; corrected values allow for the "
    "number of looks "
    "taken (Holm). Below 0.05 a look is told as a finding.",
    "Our verdicts accept or reject only where the whole 95 % interval lies on one side of a limit, unless "
    "the criteria say "
    "otherwise.",
)
MOST_NAMES: Final = 60
"""Sections that a finding names in the report."""

SIGNATURES: Final = ("Audited by", "Supplier heard by")


def audit_model(audit: Audit) -> dict[str, Any]:
    """Return the report as plain dictionaries, lists, text and numbers, to be set by a template."""
    findings = find_all(audit)
    counts, grades = Counter(one.grade for one in findings), gravest(findings)
    pairs = shown_pairs(audit)
    lots = sorted({record.row.lot for record in audit.lot.sections if record.row.lot})
    model = {
        "title": "Audit of cross-sections",
        "subtitle": f"Lot {', '.join(lots)}" if lots else audit.lot.sheet.path.name,
        "tool": f"xsect {xsect.__version__}",
        "facts": _facts(audit),
        "counts": [[grade, counts[grade]] for grade in GRADES],
        "findings": [_finding(one) for one in findings],
        "quantities": [_quantity(one) for one in audit.quantities],
        "verdicts": _verdicts(audit),
        "sample": _sample(audit),
        "signs": [
            {
                "title": s.title,
                "seen": s.seen,
                "against": s.against,
                "p": f"{s.p:.2g}",
                "adjusted": f"{s.adjusted:.2g}",
            }
            for s in audit.signs
        ],
        "pictures": [
            *(_pair(audit.reuse[at]) for at in pairs),
            *(_copied(record.row.section) for record, _ in audit.copied),
        ],
        "pictures_left_out": _left_out(len(pairs), len(audit.reuse)),
        "sections": [
            _section(record, looked, grades.get(record.row.section, ""), audit)
            for record, looked in zip(audit.lot.sections, audit.looked, strict=True)
        ],
        "stated": [_label(one.quantity) for one in audit.quantities[:1]],
        "cautions": list(CAUTIONS),
        "reading": list(READING),
        "signatures": list(SIGNATURES),
    }
    plots = [agreement_plot(one) if one.pairs else "" for one in audit.quantities]
    spaced = json.loads(re.sub(r"(?<=\d)%", " %", json.dumps(model)))
    return {**_tied(spaced), "plots": plots}


def _label(quantity: str) -> str:
    return QUANTITIES[quantity].label


def _facts(audit: Audit) -> list[dict[str, str]]:
    lot, claim = audit.lot, audit.claim
    suppliers = sorted({one.row.supplier for one in lot.sections if one.row.supplier})
    plan = (
        f"lot of {claim.lot_size}, level {claim.level}, AQL {claim.aql:g} %" if claim.aql is not None else ""
    )
    claimed = (
        f"at least {claim.reliability:.1%} conform, with {claim.confidence:.0%} confidence"
        if claim.reliability
        else ""
    )
    facts = {
        "Supplier": ", ".join(suppliers),
        "Sections": str(len(lot.sections)),
        "Stated": ", ".join(_label(one.quantity).lower() for one in audit.quantities) or "no values",
        "Claimed": "; ".join(filter(None, (claimed, plan))) or "nothing of the sample",
        "Source of the claim": claim.source,
        "Claim hash": short_hash(claim.sha256) if claim.sha256 else "",
        "Lot sheet": lot.sheet.path.name,
        "Sheet hash": short_hash(lot.sheet.sha256),
        "Criteria": lot.criteria.name if lot.criteria else "none: nothing was judged",
        "Earlier pictures": _known(audit),
        "Date": str(lot.settings.get("today", "")),
        "Audited with": f"xsect {xsect.__version__}; all hashes and settings in run.json",
    }
    return [{"label": label, "value": value} for label, value in facts.items() if value]


def _known(audit: Audit) -> str:
    if not audit.known:
        return "none compared"
    only = f", {audit.by_hash} of them by the file's hash only" if audit.by_hash else ""
    return f"{audit.known} compared{only}"


def _finding(one: AuditFinding) -> dict[str, Any]:
    return {
        "grade": one.grade,
        "topic": one.topic,
        "title": one.title,
        "what": one.what,
        "where": _where(one.where) or "the whole package",
        "how_sure": one.how_sure,
        "ask": one.ask,
        "figure": one.figure,
    }


def _where(names: tuple[str, ...]) -> str:
    more = len(names) - MOST_NAMES
    return ", ".join(names[:MOST_NAMES]) + (f" and {more} more, all in findings.csv" if more > 0 else "")


def _pair(one: Reuse) -> dict[str, str]:
    names = one.first.name, one.second.name
    if one.registration is None:
        told = f"Left {names[0]}, right {names[1]}: {one.how}."
    else:
        told = (
            f"Left {names[0]}; right {names[1]}, laid on its frame: {one.how}. Circles of one number mark the same "
            "detail; below, the first of them enlarged, the left picture's above the right one's. Grey is what the "
            "second picture does not show."
        )
    return {"title": " and ".join(names), "alt": f"{names[0]} beside {names[1]}, registered", "told": told}


def _left_out(shown: int, told: int) -> str:
    """Return what is said of pairs that are told and not shown, "" where there are none."""
    if shown == told:
        return ""
    return (
        f"Of {told} pairs, {shown} are shown: of pictures used more than twice each beside one other, the likest "
        f"first, {MOST_SHOWN} pairs at most. All pairs stand among the findings and in findings.csv; run.json has how "
        "each was laid on the other."
    )


def _copied(name: str) -> dict[str, str]:
    told = "The two places that agree down to the noise, framed, and both enlarged in full contrast."
    return {"title": name, "alt": f"{name} with two places framed", "told": f"{name}. {told}"}


def _quantity(one: QuantityAgreement) -> dict[str, Any]:
    facts: list[tuple[str, str]] = [("Sections compared", str(len(one.pairs)))]
    if one.unmeasured:
        facts.append(("Stated, not measured", ", ".join(one.unmeasured)))
    slips = [pair.section for pair in one.pairs if pair.slip]
    if slips:
        facts.append(("Left out, off by a known factor", ", ".join(slips)))
    if math.isfinite(one.step):
        facts.append(("Stated in steps of", as_stated(one.step, one.unit)))
    if one.limits:
        facts += [
            ("Bias", _with(one.limits.bias, one.limits.bias_interval, one.unit)),
            ("Lower limit of agreement", _with(one.limits.low, one.limits.low_interval, one.unit)),
            ("Upper limit of agreement", _with(one.limits.high, one.limits.high_interval, one.unit)),
        ]
    if one.line:
        slope, (low, high) = one.line.slope, one.line.slope_interval
        facts.append(("Slope of the line", f"{fixed(slope, 2)} ({fixed(low, 2)} to {fixed(high, 2)})"))
        facts.append(("Error ratio of the line", f"{one.error_ratio:.2g} (variance of ours over stated)"))
    if one.scatter:
        facts.append(
            (
                "Scatter about a line",
                f"{one.scatter.chi2_per_df:.2f} times what uncertainties explain, p = {one.scatter.p:.2g}",
            )
        )
    return {
        "label": _label(one.quantity),
        "facts": [{"label": name, "value": value} for name, value in facts],
    }


def _with(value: float, interval: tuple[float, float], unit: Unit) -> str:
    if unit == "um":  # differences of lengths read best in µm, whatever their size
        return f"{fixed(value, 1)} µm ({fixed(interval[0], 1)} to {fixed(interval[1], 1)})"
    factor, name = shown_unit(value, unit)
    return f"{fixed(value * factor, 2)} {name} ({fixed(interval[0] * factor, 2)} to {fixed(interval[1] * factor, 2)})"


def _verdicts(audit: Audit) -> dict[str, Any] | None:
    found = audit.verdicts
    if found is None:
        return None
    kappa = "not telling, since one side gives the same verdict throughout"
    words = np.array(found.table)
    telling = np.count_nonzero(words.sum(axis=0)) > 1 and np.count_nonzero(words.sum(axis=1)) > 1
    if telling and found.kappa and math.isfinite(found.kappa.kappa):
        low, high = found.kappa.interval
        kappa = f"{fixed(found.kappa.kappa, 2)} ({fixed(low, 2)} to {fixed(high, 2)})"
    return {"table": found.table, "undecided": found.undecided, "kappa": kappa, "flips": len(found.flips)}


def _sample(audit: Audit) -> list[dict[str, str]]:
    sample, claim = audit.sample, audit.claim
    facts = [
        ("Sections", f"{sample.sections}, of which {sample.decided} accepted or rejected by our verdicts")
    ]
    if sample.support:
        one = sample.support
        facts.append(
            ("Shown by attributes", f"reliability {one.reliability:.1%} at {one.confidence:.0%} confidence, "
             f"{one.failures} rejects in {one.n}")
        )  # fmt: skip
        if one.needed is not None:
            facts.append(
                ("Needed for the claim", f"{one.needed} sections without a reject, n = ln(1 − C) / ln R")
            )
    if sample.plan:
        plan = sample.plan
        risk = accept_probability(plan, 0.1)
        facts.append(
            ("Plan by ISO 2859-1", f"letter {plan.letter}: {plan.n} sections, accept on {plan.accept}, reject on "
             f"{plan.reject}; a lot with 10 % nonconforming passes {risk:.0%} of the time")
        )  # fmt: skip
    for clause, far in sample.reaches:
        word = "shows" if far.shown else "does not show"
        coverage = f"{far.coverage:.0%} of the welds at {far.confidence:.0%} confidence"
        facts.append(
            (f"Clause {clause} by variables", f"the nearer limit lies {far.k:.2f} standard deviations from the mean of "
             f"{far.n}; {far.needed:.2f} are needed, so it {word} {coverage}, if normally distributed")
        )  # fmt: skip
    if claim.sampled_over_days:
        facts.append(("Said to be taken over", f"{claim.sampled_over_days} days"))
    return [{"label": name, "value": value} for name, value in facts]


def _section(record: SectionRecord, looked: Looked, grade: str, audit: Audit) -> dict[str, str]:
    first = audit.quantities[0] if audit.quantities else None
    stated = measured = MISSING
    if first:
        value = record.row.stated.get(first.quantity)
        stated = MISSING if value is None else as_stated(value, first.unit)
        measured = shown(record.find(first.quantity)).sentence
    verdict = section_verdict(record)
    scale = looked.scale
    sources = ", ".join(f"{source.name} {source.um_per_px:#.4g}" for source in scale.sources) or "none"
    return {
        "name": record.row.section,
        "stated": stated,
        "measured": measured,
        "verdict": verdict,
        "verdict_label": VERDICT_STYLES[verdict].label,
        "bears": {"yes": "bears it", "badly": "bears it badly", "no": "cannot bear it"}[
            looked.evidence.bears
        ],
        "scale": sources,
        "grade": grade,
    }
