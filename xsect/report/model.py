"""Report model: everything that a report says, as text ready to be set, shared by HTML and PDF."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import xsect
from xsect.judge.advice_entries import DEFERENCE
from xsect.judge.criteria import Criteria
from xsect.quantities import QUANTITIES
from xsect.reasons import REASONS
from xsect.record import LotRecord
from xsect.report.guidance import projection_blocks, weld_lines
from xsect.report.lot_plot import lot_plot
from xsect.report.page import Fact, ProjectionBlock, SectionPage, WeldLine
from xsect.report.section_page import EFFECT_LABELS, section_page, sentence_case, short_hash
from xsect.report.standing import section_verdict
from xsect.report.style import STATE_STYLES, VERDICT_STYLES
from xsect.report.wording import printable

CAUTIONS: Final = (
    "Etchants and specimen preparation can injure: follow each chemical's safety data sheet and the "
    "laboratory's own rules.",
    "Whether a weld is accepted is decided by the governing code, the contract and qualified persons. The "
    "verdicts here apply the named criteria to what the pictures show, no more.",
)
SIGNATURES: Final = ("Measured by", "Reviewed by")
RULES: Final = {
    "guarded": "guarded: accept only where the whole 95 % interval lies inside the limits, reject only where "
    "it lies wholly outside, else undecided",
    "simple": "simple: by the value alone, its uncertainty left out",
}
STATES: Final = {
    "joined": "base metal to base metal",
    "fused": "inside the nugget: no faying line left",
    "plating": "a residual layer between the parts",
    "filled": "gap outside the bond filled with expelled plating",
    "open": "gap or void",
    "unknown": "could not be told",
}
LAYERS_CAPTION: Final = (
    "Layers: readings along the faying line, and how often each thickness occurs. "
    "How they are stated is said in the appendix."
)
READING: Final = (
    "Values are followed by their expanded uncertainty at 95 % coverage (k = 1.96); where the interval is "
    "cut at a bound such as 0, its two ends are given instead.",
    "Lengths are shown in mm from 100 µm up, else in µm.",
    "Layer thickness is stated as coating thickness on cross-sections is (after the idea of ISO 1463 and ASTM B487): "
    "the mean of several readings along the section, with their number, standard deviation and extremes beside it. It "
    "is corrected for an oblique cut only where the lot sheet gives its lean (cut_tilt_deg).",
    "In uncertainty budgets, parts below a hundredth of the whole are left out.",
    "Hashes are the first 16 digits of SHA-256; run.json holds them whole.",
)


@dataclass(frozen=True)
class Definition:
    """One quantity of the appendix."""

    label: str
    name: str
    definition: str
    method: str
    source: str


@dataclass(frozen=True)
class ReasonLine:
    """One entry of the appendix of reasons."""

    title: str
    effect: str
    what_to_do: str


@dataclass(frozen=True)
class Report:
    """The whole report; ``plot`` is an SVG element, ``counts`` are (verdict key, word, sections)."""

    title: str
    subtitle: str
    facts: tuple[Fact, ...]
    counts: tuple[tuple[str, str, int], ...]
    looks: int
    remarks: tuple[str, ...]
    plot: str
    plot_alt: str
    sections: tuple[SectionPage, ...]
    welds: tuple[WeldLine, ...]
    projections: tuple[ProjectionBlock, ...]
    deference: str
    layers_caption: str
    cautions: tuple[str, ...]
    signatures: tuple[str, ...]
    reading: tuple[str, ...]
    states: tuple[Fact, ...]
    definitions: tuple[Definition, ...]
    reasons: tuple[ReasonLine, ...]
    tool: str

    def as_json(self) -> dict[str, Any]:
        """Return the report as plain dictionaries, lists, text and numbers, to be set by a template.

        Numbers are tied to their units by no-break spaces; signs that steer a terminal are taken out.
        """
        tied: dict[str, Any] = _tied(asdict(self))
        return tied


def build_report(lot: LotRecord, out: Path) -> Report:
    """Build the report of a run whose figures stand below ``out``."""
    verdicts = Counter(section_verdict(record) for record in lot.sections)
    looks = sum(record.status == "needs_review" for record in lot.sections)
    lots = _joined(record.row.lot for record in lot.sections)
    return Report(
        title="Weld cross-sections",
        subtitle=f"Lot {lots}" if lots else lot.sheet.path.name,
        facts=_facts(lot),
        counts=tuple(
            (key, style.label, verdicts[key])
            for key, style in VERDICT_STYLES.items()
            if verdicts[key] or (lot.criteria and key)
        ),
        looks=looks,
        remarks=_remarks(lot),
        plot=lot_plot(lot),
        plot_alt="Bond width of every section with its 95 % interval against the limits; the same values "
        "stand in the table of sections.",
        sections=tuple(section_page(record, lot.criteria, out) for record in lot.sections),
        welds=weld_lines(lot),
        projections=projection_blocks(lot),
        deference=DEFERENCE,
        layers_caption=LAYERS_CAPTION,
        cautions=CAUTIONS,
        signatures=SIGNATURES,
        reading=READING,
        states=tuple(Fact(style.label, STATES[name]) for name, style in STATE_STYLES.items()),
        definitions=_definitions(lot),
        reasons=tuple(
            ReasonLine(reason.title, EFFECT_LABELS[reason.effect], reason.what_to_do)
            for reason in REASONS.values()
        ),
        tool=f"xsect {xsect.__version__}",
    )


def _tied(part: Any) -> Any:
    if isinstance(part, str):
        return re.sub(r"(?<=\d) (?=(?:%|mm²?|µm²?|px)(?!\w))", "\N{NO-BREAK SPACE}", printable(part))
    if isinstance(part, dict):
        return {name: inner if name in ("path", "plot") else _tied(inner) for name, inner in part.items()}
    return [_tied(inner) for inner in part] if isinstance(part, (list, tuple)) else part


def _facts(lot: LotRecord) -> tuple[Fact, ...]:
    rows = [record.row for record in lot.sections]
    given = {
        "Lot": _joined(row.lot for row in rows),
        "Supplier": _joined(row.supplier for row in rows),
        "Made on": _span(row.made_on for row in rows),
        "Cut on": _span(row.cut_on for row in rows),
        "Operator": _joined(row.operator for row in rows),
        "Sections": str(len(rows)),
        "Lot sheet": lot.sheet.path.name,
        "Sheet hash": short_hash(lot.sheet.sha256),
        **_criteria_facts(lot.criteria),
        "Measured with": f"xsect {xsect.__version__}; versions, settings and all hashes in run.json",
    }
    return tuple(Fact(name, value) for name, value in given.items() if value)


def _criteria_facts(criteria: Criteria | None) -> dict[str, str]:
    if criteria is None:
        return {"Criteria": "none: nothing was judged"}
    guard = "; guard band for one side, 1.645 u" if criteria.guard == "one_sided_95" else ""
    simple = criteria.decision_rule == "simple"
    return {
        "Criteria": criteria.name,
        "Source of the values": criteria.source,
        "Criteria hash": short_hash(criteria.sha256),
        "Decision rule": RULES[criteria.decision_rule] + ("" if simple else guard),
    }


def _joined(values: Iterable[str]) -> str:
    """Return distinct values in order; the first three and how many more there are."""
    distinct = list(dict.fromkeys(value for value in values if value))
    more = len(distinct) - 3
    return ", ".join(distinct[:3]) + (f" and {more} more" if more > 0 else "")


def _span(dates: Iterable[str]) -> str:
    given = sorted(date for date in dates if date)
    if not given or given[0] == given[-1]:
        return given[0] if given else ""
    return f"{given[0]} to {given[-1]}"


def _remarks(lot: LotRecord) -> tuple[str, ...]:
    """Return notes of the sheet, and findings that all sections share and that the table need not repeat."""
    shared: set[str] = set()
    if lot.sections:
        each = [{f.code for f in record.findings if f.effect == "note"} for record in lot.sections]
        shared = set.intersection(*each)
    titles = [
        f"All sections: {REASONS[code].title.lower()}. {REASONS[code].what_to_do}" for code in sorted(shared)
    ]
    return (*(sentence_case(f"{lot.sheet.path.name}: {note}") for note in lot.sheet.notes), *titles)


def _definitions(lot: LotRecord) -> tuple[Definition, ...]:
    """Return the registry's entries of the quantities that this report names, in the registry's order."""
    used = {found.quantity for record in lot.sections for found in record.measurements}
    used |= {verdict.quantity for record in lot.sections for verdict in record.verdicts}
    return tuple(
        Definition(entry.label, entry.name, entry.definition, entry.method, sentence_case(entry.source))
        for entry in QUANTITIES.values()
        if entry.name in used
    )
