"""Corrections: what a person set beside what was measured, or decided on a section.

A value holds for the picture it was set on, a decision for the picture and the criteria, however often that is
measured again; a new picture leaves both behind. The last one for a quantity holds. Nothing measured is changed.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal

from sqlalchemy import insert, select

from xsect.judge.criteria import Criteria, CriteriaError, parse_criteria
from xsect.judge.decision import Verdict, judge_section, summarise
from xsect.lots.database import Store, StoreError
from xsect.lots.events import append, now
from xsect.lots.schema import corrections, criteria, runs, sections
from xsect.lots.store import Kept, Name, find
from xsect.quantities import BOND_KINDS, QUANTITIES, Component, Measurement, measured, show, word
from xsect.reasons import Finding
from xsect.record import SectionRecord

Kind = Literal["value", "decision", "withdrawn"]

DECISIONS: Final = ("accept", "reject", "undecided")
BY_HAND: Final = "set by hand"
"""Method of values that a person set."""
_EVENTS: Final[dict[Kind, str]] = {"value": "corrected", "decision": "decided", "withdrawn": "withdrawn"}
_MAY_BE_NEGATIVE: Final = ("bond_offset", "collapse")


@dataclass(frozen=True)
class Correction:
    """One correction: who set what, when and why.

    ``kind`` "value": ``value`` with standard uncertainty ``u`` in the quantity's unit, or ``word``, of a quantity
    (``segment`` None: the whole section). "decision": ``word`` is the section's verdict, ``quantity`` is "".
    "withdrawn": takes back what was set before for the same quantity and segment, or decided.
    """

    kind: Kind
    quantity: str
    segment: int | None
    value: float
    u: float
    word: str
    at: str
    who: str
    why: str
    image_sha256: str
    criteria_sha256: str


def set_value(
    store: Store, name: Name, quantity: str, value: str, *,
    who: str, why: str, u: float | None = None, segment: int | None = None,
) -> Correction:  # fmt: skip
    """Set a quantity of a section by hand: a number as text with its standard uncertainty, or a word.

    Raises StoreError where the section, quantity or segment is not there, or the value breaks a rule.
    """
    kept = _section(store, name)
    if quantity not in QUANTITIES:
        guess = difflib.get_close_matches(quantity, QUANTITIES, n=1)
        raise StoreError(
            f"quantity = {quantity}: not a quantity of xsect"
            + "".join(f"; did you mean {one}?" for one in guess)
        )
    if kept.record.find(quantity, segment) is None:
        part = "the whole section" if segment is None else f"segment = {segment}"
        raise StoreError(f"{store.name}: {name}: {quantity}, {part}: the section has no such measurement")
    number, said = math.nan, ""
    if QUANTITIES[quantity].unit == "word":
        said = value
        if value not in BOND_KINDS or u is not None:
            raise StoreError(f"{quantity} = {value}: must be {' or '.join(BOND_KINDS)}, without uncertainty")
    else:
        number = _number(quantity, value)
        if u is None or not (math.isfinite(u) and u > 0):
            raise StoreError(f"{quantity}, u = {u}: must be the value's standard uncertainty, > 0")
    signed = _signed(store, kept, who, why)
    u = math.nan if u is None else u
    return _add(store, name, kept, Correction("value", quantity, segment, number, u, said, *signed))


def decide(store: Store, name: Name, decision: str, *, who: str, why: str) -> Correction:
    """Set the verdict of a section: accept, reject or undecided. Raises StoreError where it is another word."""
    if decision not in DECISIONS:
        raise StoreError(f"decision = {decision}: must be {', '.join(DECISIONS)}")
    kept = _section(store, name)
    signed = _signed(store, kept, who, why)
    return _add(store, name, kept, Correction("decision", "", None, math.nan, math.nan, decision, *signed))


def withdraw(
    store: Store, name: Name, quantity: str, *, who: str, why: str, segment: int | None = None
) -> Correction:
    """Take back what was set for a quantity, or the decision where ``quantity`` is "".

    Raises StoreError where nothing is set.
    """
    kept = _section(store, name)
    if (quantity, segment) not in [(one.quantity, one.segment) for one in corrections_holding(store, name)]:
        raise StoreError(
            f"{store.name}: {name}: {quantity or 'decision'}: nothing is set that could be withdrawn"
        )
    signed = _signed(store, kept, who, why)
    return _add(
        store, name, kept, Correction("withdrawn", quantity, segment, math.nan, math.nan, "", *signed)
    )


def corrections_of(store: Store, name: Name) -> tuple[Correction, ...]:
    """Return all corrections of a section, in order."""
    named = [corrections.c[part] == getattr(name, part) for part in ("supplier", "lot", "section")]
    with store.reading() as connection:
        rows = connection.execute(select(corrections).where(*named).order_by(corrections.c.id)).mappings()
        return tuple(
            Correction(
                row["kind"], row["quantity"], row["segment"],
                math.nan if row["value"] is None else row["value"], math.nan if row["u"] is None else row["u"],
                row["word"], row["at"], row["who"], row["why"], row["image_sha256"], row["criteria_sha256"],
            )
            for row in rows
        )  # fmt: skip


def holding(given: Iterable[Correction], image_sha256: str, criteria_sha256: str) -> tuple[Correction, ...]:
    """Return the corrections that hold for a picture and criteria: the last of each quantity, if not withdrawn."""
    last: dict[tuple[str, int | None], Correction] = {}
    for one in given:
        if one.image_sha256 == image_sha256 and (one.quantity or one.criteria_sha256 == criteria_sha256):
            last[one.quantity, one.segment] = one
    return tuple(one for one in last.values() if one.kind != "withdrawn")


def corrections_holding(store: Store, name: Name) -> tuple[Correction, ...]:
    """Return the corrections of a section that hold for the version that holds."""
    kept = _section(store, name, any_picture=True)
    return holding(corrections_of(store, name), kept.record.image_sha256, _criteria_sha(store, kept))


def left_behind(given: Iterable[Correction], image_sha256: str) -> bool:
    """Whether corrections were made on another picture of the section, and none on this one."""
    pictures = {one.image_sha256 for one in given}
    return bool(pictures) and image_sha256 not in pictures


def corrected(
    record: SectionRecord, given: Iterable[Correction], judged_by: Criteria | None
) -> SectionRecord:
    """Return a record with its corrections applied, each told in a finding; judged again where a value changed.

    Only what was set changes: no other quantity is computed from it. Where a section has a single bond segment, its
    value is the section's own and follows it.
    """
    given = tuple(given)
    holds = holding(given, record.image_sha256, judged_by.sha256 if judged_by else "")
    findings = list(record.findings)
    values = [one for one in holds if one.kind == "value"]
    measurements = record.measurements
    for one in values:
        old = record.find(one.quantity, one.segment)
        if old is None:
            continue
        measurements = _replaced(measurements, one)
        findings.append(Finding("corrected", _facts(one, old)))
    verdicts: tuple[Verdict, ...] = record.verdicts
    if values and judged_by:
        verdicts = judge_section(measurements, record.row, judged_by, record.status)
    decision = next((one for one in holds if one.kind == "decision"), None)
    if decision:
        clauses = summarise(verdicts).replace("_", " ") if verdicts else "not judged"
        findings.append(
            Finding(
                "decided",
                {"decision": decision.word, "who": decision.who, "on": decision.at[:10], "why": decision.why,
                 "clauses": clauses},
            )
        )  # fmt: skip
    if left_behind(given, record.image_sha256):
        last = list(given)[-1]
        findings.append(Finding("correction_left_behind", {"who": last.who, "on": last.at[:10]}))
    return replace(
        record,
        measurements=measurements,
        findings=tuple(findings),
        verdicts=verdicts,
        decision=decision.word if decision else "",
    )


def told(store: Store, name: Name) -> tuple[str, ...]:
    """Return the corrections that hold of a section in short: what was set, instead of what, by whom."""
    kept = _section(store, name, any_picture=True)
    said = []
    for one in corrections_holding(store, name):
        old = kept.record.find(one.quantity, one.segment)
        what = (
            "{what} {value} (measured {measured})".format(**_facts(one, old))
            if old
            else f"decided {one.word}"
        )
        said.append(f"{what}, {one.who} {one.at[:10]}")
    return tuple(said)


def corrected_sections(store: Store) -> tuple[Name, ...]:
    """Return the sections that persons have ever corrected, by name."""
    named = [corrections.c[part] for part in ("supplier", "lot", "section")]
    with store.reading() as connection:
        return tuple(Name(*row) for row in connection.execute(select(*named).distinct().order_by(*named)))


def criteria_of(store: Store, sha256: str) -> Criteria | None:
    """Return criteria that the store holds, None for "" (nothing was judged).

    Raises StoreError where they were kept by a version of xsect whose criteria this one cannot read.
    """
    with store.reading() as connection:
        row = connection.execute(select(criteria).where(criteria.c.sha256 == sha256)).first()
    try:
        return parse_criteria(row.content.encode(), Path(row.name)) if row else None
    except CriteriaError as error:
        why = str(error).splitlines()[0]
        raise StoreError(f"{store.name}: criteria of another version of xsect: {why}") from error


def as_it_stands(store: Store, name: Name) -> SectionRecord:
    """Return the version of a section that holds, with its corrections applied.

    Raises StoreError where the store has no such section.
    """
    kept = _section(store, name, any_picture=True)
    return corrected(kept.record, corrections_of(store, name), criteria_of(store, _criteria_sha(store, kept)))


def _section(store: Store, name: Name, *, any_picture: bool = False) -> Kept:
    kept = find(store, name)
    if kept is None:
        raise StoreError(f"{store.name}: {name}: no such section in the store")
    if not kept.record.image_sha256 and not any_picture:
        raise StoreError(f"{store.name}: {name}: was not measured (no picture), so nothing can be set")
    return kept


def _criteria_sha(store: Store, kept: Kept) -> str:
    joined = sections.join(runs, sections.c.run_id == runs.c.id)
    with store.reading() as connection:
        query = select(runs.c.criteria_sha256).select_from(joined).where(sections.c.id == kept.id)
        return str(connection.execute(query).scalar_one())


def _signed(store: Store, kept: Kept, who: str, why: str) -> tuple[str, str, str, str, str]:
    """Return the last fields of a correction made now: when, who, why, on which picture, under which criteria."""
    who, why = (" ".join(text.split()) for text in (who, why))
    if not (who and why):
        raise StoreError("who and why must be given: a correction needs a person and a reason")
    return now(), who, why, kept.record.image_sha256, _criteria_sha(store, kept)


def _add(store: Store, name: Name, kept: Kept, made: Correction) -> Correction:
    row = {
        **vars(made),
        "supplier": name.supplier, "lot": name.lot, "section": name.section,
        "value": _or_none(made.value), "u": _or_none(made.u),
    }  # fmt: skip
    told = {
        key: row[key] for key in ("quantity", "segment", "value", "u", "word") if row[key] not in (None, "")
    }
    with store.writing() as connection:
        connection.execute(insert(corrections), row)
        append(
            connection, _EVENTS[made.kind], at=made.at, who=made.who, why=made.why, section_id=kept.id, **told
        )  # fmt: skip
    return made


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value


def _number(quantity: str, text: str) -> float:
    rule = "must be a plain number in µm, µm² or as a fraction"
    try:
        value = float(text)
    except ValueError:
        raise StoreError(f"{quantity} = {text}: {rule}") from None
    if not math.isfinite(value):
        raise StoreError(f"{quantity} = {text}: {rule}")
    if quantity not in _MAY_BE_NEGATIVE and value < 0:
        raise StoreError(f"{quantity} = {text}: must be ≥ 0")
    if QUANTITIES[quantity].unit == "fraction" and value > 1:
        raise StoreError(f"{quantity} = {text}: must be a fraction, at most 1")
    return value


def _replaced(measurements: tuple[Measurement, ...], one: Correction) -> tuple[Measurement, ...]:
    """Return the measurements with one value set, in its place; a lone segment goes with its section."""
    lone = len({found.segment for found in measurements if found.segment is not None}) == 1
    return tuple(
        _by_hand(one, found)
        if found.quantity == one.quantity and (found.segment == one.segment or lone)
        else found
        for found in measurements
    )


def _by_hand(one: Correction, old: Measurement) -> Measurement:
    facts = _facts(one, old)
    note = f"set by {one.who} on {facts['on']}: {one.why}; measured: {facts['measured']}"
    if one.word:
        return replace(word(one.quantity, one.word, segment=old.segment, note=note), method=BY_HAND)
    budget = (Component(BY_HAND, one.u),)
    return measured(one.quantity, one.value, budget, segment=old.segment, note=note, method=BY_HAND)


def _facts(one: Correction, old: Measurement) -> dict[str, str]:
    unit = QUANTITIES[one.quantity].unit
    part = "" if one.segment is None else f" of segment {one.segment}"
    return {
        "what": QUANTITIES[one.quantity].label.lower() + part,
        "value": one.word or show(one.value, unit, digits_from=one.u),
        "measured": (old.word or show(old.value, unit, digits_from=old.u)) if old else "not measured",
        "who": one.who,
        "on": one.at[:10],
        "why": one.why,
    }
