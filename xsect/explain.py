"""Explain: what a quantity, a reason, advice or a clause means, from the registries that the code runs on.

``python -m xsect.explain > docs/quantities.md`` writes the page of all quantities, reasons and advice.
"""

from __future__ import annotations

import re
import sys
from difflib import get_close_matches
from textwrap import fill
from typing import Final

from xsect.judge.advice_entries import ADVICE, DEFERENCE, Entry
from xsect.judge.criteria import Clause, Criteria
from xsect.quantities import QUANTITIES, Quantity, Unit
from xsect.reasons import REASONS, Effect, Reason

UNITS: Final[dict[Unit, str]] = {
    "um": "µm (shown as mm from 100 µm up)",
    "um2": "µm² (shown as mm² from 100 000 µm² up)",
    "fraction": "fraction, 0 to 1 (shown as %)",
    "word": "a word",
}
EFFECTS: Final[dict[Effect, str]] = {
    "not_measured": "nothing of the section is measured; no clause accepts it",
    "needs_review": "the section needs a look: measured, but no clause accepts it before a person has",
    "note": "kept as a note beside the quantity or the section; nothing else changes",
}
_SEVERITIES: Final = {
    "major": "major: decides on the section",
    "minor": "minor: a failure is reported and does not reject the section",
}
_RULES: Final = {
    "guarded": "guarded: accept only with the whole 95 % interval inside, reject only with it wholly outside",
    "simple": "simple: by the value alone, its uncertainty left out",
}
_GUARDS: Final = {"interval": "", "one_sided_95": " (one-sided 95 % interval: 1.645 u)"}


def explain(term: str, criteria: Criteria | None = None) -> str:
    """Explain a quantity, a reason, advice or, with ``criteria``, a clause by its id; all that share the name.

    Capitals, spaces and hyphens do not matter, and all but a clause may be given by title as well. ValueError
    with the closest names for a term that is none of these.
    """
    clauses = criteria.clauses if criteria else ()
    key = _key(term)
    parts = [_quantity(found) for found in QUANTITIES.values() if key in (found.name, _key(found.label))]
    parts += [_reason(found) for found in REASONS.values() if key in (found.code, _key(found.title))]
    parts += [_advice(found) for found in ADVICE.values() if key in (found.code, _key(found.title))]
    parts += [_clause(found, criteria) for found in clauses if criteria and key == _key(found.id)]
    if parts:
        return "\n\n".join(parts)
    kinds = "quantity, reason, advice or clause" if criteria else "quantity, reason or advice"
    close = get_close_matches(key, [*QUANTITIES, *REASONS, *ADVICE, *(clause.id for clause in clauses)], n=3)
    hint = f", did you mean {' or '.join(close)}?" if close else ""
    raise ValueError(f"{term}: no such {kinds}{hint}")


def glossary() -> str:
    """Return the page of all quantities, reasons and advice, as Markdown."""
    lines = [
        "<!-- Written by: python -m xsect.explain > docs/quantities.md -->",
        "# Quantities, reasons and advice",
        "",
        "Files hold lengths in µm and fractions from 0 to 1; screens and reports show lengths as mm from "
        "100 µm up and fractions as %. Each value comes with its standard uncertainty and its 95 % interval.",
        "",
        "## Quantities",
    ]
    for entry in QUANTITIES.values():
        lines += [
            "",
            f"### `{entry.name}`: {entry.label}",
            "",
            f"{entry.definition}",
            "",
            f"- Unit: {UNITS[entry.unit]}",
            f"- Given for: {_scope(entry)}",
            f"- How it is measured: {entry.method}",
            f"- Source: {entry.source}",
        ]
    lines += ["", "## Reasons", "", "Why a section is put aside, or a quantity is not measured."]
    for effect, meaning in EFFECTS.items():
        lines += ["", f"### {effect}", "", f"{meaning[0].upper()}{meaning[1:]}.", ""]
        lines += ["| code | what happened | it says | what to do |", "| --- | --- | --- | --- |"]
        lines += [
            f"| `{entry.code}` | {entry.title} | {_says(entry)} | {entry.what_to_do} |"
            for entry in REASONS.values()
            if entry.effect == effect
        ]
    lines += ["", "## Advice", "", f"What the numbers of a section commonly mean. {DEFERENCE}", ""]
    lines += ["| code | given where, with the whole 95 % interval, | it says | what to change |"]
    lines += ["| --- | --- | --- | --- |"]
    lines += [
        f"| `{entry.code}` | {entry.condition} | {entry.sentence} | {entry.what_to_change} |"
        for entry in ADVICE.values()
    ]
    return "\n".join(lines) + "\n"


def _key(term: str) -> str:
    return re.sub(r"[\s_-]+", "_", term.strip().lower())


def _entry(head: str, rows: dict[str, str]) -> str:
    width = max(map(len, rows)) + 2
    texts = (
        fill(text, 100, initial_indent=f"  {name:<{width}}", subsequent_indent=" " * (width + 2))
        for name, text in rows.items()
        if text
    )
    return "\n".join([head, *texts])


def _quantity(entry: Quantity) -> str:
    rows = {"definition": entry.definition, "unit": UNITS[entry.unit], "given for": _scope(entry)}
    return _entry(f"{entry.name}: {entry.label}", rows | {"method": entry.method, "source": entry.source})


def _scope(entry: Quantity) -> str:
    return "the whole section and each bond segment" if entry.per_segment else "the whole section"


def _reason(entry: Reason) -> str:
    rows = {
        "effect": f"{entry.effect}: {EFFECTS[entry.effect]}",
        "says": _says(entry),
        "what to do": entry.what_to_do,
    }
    return _entry(f"{entry.code}: {entry.title}", rows)


def _advice(entry: Entry) -> str:
    rows = {
        "given where": f"{entry.condition}; each with its whole 95 % interval",
        "says": entry.sentence,
        "what to change": entry.what_to_change,
        "mind": DEFERENCE,
    }
    return _entry(f"{entry.code}: {entry.title}", rows)


def _says(entry: Reason) -> str:
    """Return the reason's sentence with … for the facts of a case."""
    sentence = re.sub(r"\{\w+\}", "…", entry.sentence)
    return "(the facts of the case)" if sentence == "…" else sentence


def _clause(clause: Clause, criteria: Criteria) -> str:
    entry = QUANTITIES[clause.quantity]
    each = ", for each bond segment" if clause.per_segment else ""
    rows = {
        "asks for": f"{entry.name} {clause.limit_text(None)}{each}",
        "quantity": entry.definition,
        "severity": _SEVERITIES[clause.severity],
        "decision": _RULES[criteria.decision_rule]
        + (_GUARDS[criteria.guard] if criteria.decision_rule == "guarded" else ""),
        "note": clause.note,
        "source": criteria.source,
    }
    return _entry(f"clause {clause.id} of {criteria.name} ({criteria.path.name})", rows)


if __name__ == "__main__":
    sys.stdout.buffer.write(glossary().encode())
