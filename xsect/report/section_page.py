"""Section page: build what the report says of one section."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Final

from xsect.capture.lot_sheet import SheetRow
from xsect.judge.criteria import Clause, Criteria
from xsect.judge.decision import Verdict
from xsect.quantities import COVERAGE_FACTOR, QUANTITIES, Measurement, show, shown_unit
from xsect.record import SectionRecord
from xsect.report.guidance import advice_lines
from xsect.report.page import (
    BudgetLine,
    ContactLine,
    Fact,
    FindingLine,
    FlawLine,
    MeasurementLine,
    Picture,
    SectionPage,
    VerdictLine,
)
from xsect.report.standing import STATUS_LABELS, section_verdict
from xsect.report.style import VERDICT_STYLES
from xsect.report.wording import MISSING, given_length, in_mm, label, shown, shown_part

EFFECT_LABELS: Final = {"not_measured": "not measured", "needs_review": "needs a look", "note": "note"}
FLAWS_SHOWN: Final = 8
"""Flaws listed on a section's page, the largest first; all are in its own table."""

GROUPS: Final = {
    "Bond": (
        "bond_width", "bonded_length", "continuity", "largest_opening", "weld_diameter", "bond_kind",
    ),
    "Form": (
        "bond_offset", "standoff", "collapse", "indentation_upper", "indentation_lower", "upper_thickness",
        "lower_thickness",
    ),
    "Plating and intermetallic layer": (
        "plating_in_bond_mean", "plating_in_bond_max", "plating_coverage", "plating_free_thickness",
        "expelled_plating_area", "imc_mean", "imc_max",
    ),
    "Nugget and flaws": (
        "nugget_width", "nugget_height", "penetration_upper", "penetration_lower", "void_fraction", "largest_void",
        "crack_length",
    ),
}  # fmt: skip
"""Headings of the table of measurements and the quantities under each: every one of the registry under one."""

SMALLEST_PART: Final = 0.01
"""Share of the combined standard uncertainty under which a part of a budget is not printed."""

_ALWAYS_BUDGETED: Final = ("bond_width", "standoff", "nugget_width", "plating_in_bond_mean", "imc_mean")


def section_page(record: SectionRecord, criteria: Criteria | None, out: Path) -> SectionPage:
    """Build one section's page; its figures are looked for below ``out``."""
    verdict = section_verdict(record)
    marked, strip, layers = _pictures(record, out)
    flaws, more_flaws = _flaws(record, out)
    measurements = _without_repeats(record)
    return SectionPage(
        anchor=f"row{record.row.number}",
        name=record.row.section,
        lot=record.row.lot,
        verdict=verdict,
        verdict_label=VERDICT_STYLES[verdict].label,
        status=record.status,
        status_label=STATUS_LABELS[record.status],
        bond_width=shown(record.find("bond_width")).sentence,
        in_brief=in_brief(record),
        facts=_facts(record),
        scale=_scale(record),
        findings=tuple(
            FindingLine(
                finding.reason.title,
                EFFECT_LABELS[finding.effect],
                sentence_case(finding.sentence),
                finding.reason.what_to_do,
            )
            for finding in record.findings
        ),
        marked=marked,
        strip=strip,
        layers=layers,
        flaws=flaws,
        more_flaws=more_flaws,
        measurements=_in_groups(found for found in measurements if found and found.segment is None),
        contacts=contact_lines(record),
        contact_notes=_contact_notes(record),
        not_measured=_not_measured(measurements),
        verdicts=tuple(_verdict(verdict, record, criteria) for verdict in record.verdicts),
        budget=_budget(record),
        advice=advice_lines(record),
    )


def in_brief(record: SectionRecord) -> str:
    """Return the main findings on one line: why a look is needed, clauses not passed, an odd bond kind."""
    parts = [finding.reason.title for finding in record.findings if finding.effect != "note"]
    if record.status == "not_measured":
        return "; ".join(dict.fromkeys(parts))
    for word in ("reject", "undecided", "not_measured"):
        major = (v for v in record.verdicts if v.verdict == word and v.severity == "major")
        clauses = dict.fromkeys(verdict.clause for verdict in major)
        if clauses:
            parts.append(f"{VERDICT_STYLES[word].label}: {', '.join(clauses)}")
    for word, says in (("reject", "failed"), ("undecided", "undecided"), ("not_measured", "not measured")):
        if word == "undecided" and record.status == "needs_review":
            continue  # they all are, and why is said already
        minor = dict.fromkeys(
            v.clause for v in record.verdicts if v.verdict == word and v.severity == "minor"
        )
        if minor:
            parts.append(f"minor clause {says}: {', '.join(minor)}")
    kind = record.find("bond_kind")
    if kind and kind.word not in ("", "solid_state"):
        parts.append(f"bond kind {shown(kind).value}")
    if record.decision:
        parts.append("decided by a person")
    return "; ".join(dict.fromkeys(parts))


def sentence_case(text: str) -> str:
    """Return a sentence with a full stop, and a capital unless it begins with a file's or column's name."""
    if re.match(r"[a-z]+[ ,;:]", text):
        text = text[0].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _pictures(record: SectionRecord, out: Path) -> list[Picture | None]:
    """Return the marked-up picture, the strip and the layers' profile, each None where there is none."""
    from PIL import Image

    name = record.row.section
    width, standoff = (shown(record.find(quantity)).sentence for quantity in ("bond_width", "standoff"))
    layer = shown(record.find("plating_free_thickness")).sentence
    alts = {
        "marked": f"Marked-up picture of section {name}: bond width {width}, standoff {standoff}",
        "strip": f"Strip of section {name}: the picture unrolled along the faying line, states, opening beneath",
        "layers": f"Layers of section {name} along the faying line, with histograms: free plating {layer}",
    }
    pictures: list[Picture | None] = []
    for kind, alt in alts.items():
        path = next((one for one in record.figures if one.endswith(f"-{kind}.png")), None)
        if path is None:
            pictures.append(None)
            continue
        with Image.open(out / path) as image:
            pictures.append(Picture(path, *image.size, alt))
    return pictures


def _flaws(record: SectionRecord, out: Path) -> tuple[tuple[FlawLine, ...], str]:
    """Return the first flaws of the section's own list, and how many more it holds."""
    path = next((one for one in record.figures if one.endswith("-flaws.csv")), None)
    if path is None:
        return (), ""
    with (out / path).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    lines = tuple(
        FlawLine(
            str(number),
            f"{row['term']} ({row['reference']})",
            row["where"],
            show(float(row["length_um"]), "um", digits_from=float(row["u_length_um"] or "nan")),
            show(float(row["area_um2"]), "um2") if row["area_um2"] else "",
        )
        for number, row in enumerate(rows[:FLAWS_SHOWN], 1)
    )
    more = len(rows) - len(lines)
    return lines, f"{more} more in {path}." if more else ""


def _facts(record: SectionRecord) -> tuple[Fact, ...]:
    row = record.row
    rows, columns = record.image_shape
    plating = (
        f"{row.plating}, {given_length(row.plating_um)}" if row.plated and row.plating_um else row.plating
    )
    given = {
        "Image": row.image_as_written,
        "Size": f"{columns} × {rows} px" if rows else "",
        "Image hash": short_hash(record.image_sha256),
        "Weld": row.weld,
        "Weld type": row.weld_type.replace("_", "-"),
        "Upper part": _part(row.upper_material, row.upper_thickness_um),
        "Lower part": _part(row.lower_material, row.lower_thickness_um),
        "Projection": _projection(row),
        "Plating": plating,
        "View": row.view,
        "Etchant": row.etchant,
        "Cut off centre by": given_length(row.plane_offset_um),
        "Cut below the face": given_length(row.face_offset_um),
        "u of the cut's place": given_length(row.u_offset_um),
        "Cut leans by": _angle(row.cut_tilt_deg, row.u_cut_tilt_deg),
        **{f"Stated {label(name).lower()}": _given(name, value) for name, value in row.stated.items()},
        **row.extra,
    }
    return tuple(Fact(name, value) for name, value in given.items() if value)


def _angle(degrees: float | None, u: float | None) -> str:
    if degrees is None:
        return ""
    return f"{degrees:g}°" + (f", standard uncertainty {u:g}°" if u else "")


def _part(material: str, thickness_um: float | None) -> str:
    return ", ".join(part for part in (material, given_length(thickness_um)) if part)


def _projection(row: SheetRow) -> str:
    parts = (
        ("height", row.projection_height_um), ("diameter", row.projection_diameter_um),
        ("electrode face", row.electrode_face_um),
    )  # fmt: skip
    return ", ".join(f"{name} {given_length(value)}" for name, value in parts if value)


def _given(quantity: str, value: float, *, digits: int = 6) -> str:
    factor, unit = shown_unit(value, QUANTITIES[quantity].unit)
    return f"{value * factor:.{digits}g} {unit}".rstrip().replace("-", "\N{MINUS SIGN}")


def short_hash(sha256: str) -> str:
    """Return the first 16 digits of a hash; run.json holds it whole."""
    return f"{sha256[:16]}…" if sha256 else ""


def _scale(record: SectionRecord) -> tuple[Fact, ...]:
    scale = record.scale
    if scale is None:
        return (Fact("Scale", "none"),)
    if scale.square:
        per_px = f"{scale.um_per_px:.5g} µm/px"
    else:
        per_px = f"{scale.x_um:.5g} µm/px along x, {scale.y_um:.5g} along y"
    expanded = f" ± {100 * COVERAGE_FACTOR * scale.u_relative:.2g} %"
    facts = [Fact("Scale", per_px + expanded), Fact("Scale from", scale.source)]
    if scale.detail:
        facts.append(Fact("Scale detail", scale.detail))
    if scale.record_sha256:
        facts.append(Fact("Record hash", short_hash(scale.record_sha256)))
    return tuple(facts)


def _several_segments(record: SectionRecord) -> bool:
    return len({found.segment for found in record.measurements if found.segment is not None}) > 1


def _without_repeats(record: SectionRecord) -> tuple[Measurement, ...]:
    """Return the measurements; of a section with a single bond segment, each quantity once."""
    if _several_segments(record):
        return record.measurements
    whole = {found.quantity for found in record.measurements if found.segment is None}
    return tuple(
        replace(found, segment=None)
        for found in record.measurements
        if found.segment is None or found.quantity not in whole
    )


def _in_groups(measurements: Iterable[Measurement]) -> tuple[MeasurementLine, ...]:
    """Return the rows of the table of measurements, those of one group together, else in the registry's order."""
    given = list(measurements)
    return tuple(
        _measurement(found, group)
        for group, names in GROUPS.items()
        for found in given
        if found.quantity in names
    )


def contact_lines(record: SectionRecord) -> tuple[ContactLine, ...]:
    """Return the quantities of each bond segment side by side; () for a section with fewer than two."""
    if not _several_segments(record):
        return ()
    segments = sorted({found.segment for found in record.measurements if found.segment is not None})
    lines = []
    for name, quantity in QUANTITIES.items():
        values = tuple(shown(record.find(name, segment)).sentence for segment in segments)
        if quantity.per_segment and any(value != MISSING for value in values):
            lines.append(ContactLine(quantity.label, values))
    return tuple(lines)


def _contact_notes(record: SectionRecord) -> tuple[str, ...]:
    widths = (found for found in record.measurements if found.quantity == "bond_width" and found.segment)
    return tuple(sentence_case(f"segment {found.segment}: {found.note}") for found in widths if found.note)


def _measurement(found: Measurement, group: str) -> MeasurementLine:
    parts = shown(found)
    note = found.note if found.status == "measured" else "; ".join(("needs a look", found.note)).strip("; ")
    return MeasurementLine(
        group,
        label(found.quantity, found.segment),
        parts.value,
        parts.expanded,
        parts.interval,
        parts.unit,
        note,
    )


def _not_measured(measurements: Iterable[Measurement]) -> tuple[Fact, ...]:
    """Gather quantities that were not measured for the same reason, so that the reason is said once."""
    by_note: dict[str, list[str]] = {}
    for found in measurements:
        if not found:
            by_note.setdefault(found.note, []).append(label(found.quantity, found.segment))
    return tuple(Fact(", ".join(names), sentence_case(note)) for note, names in by_note.items())


def _verdict(verdict: Verdict, record: SectionRecord, criteria: Criteria | None) -> VerdictLine:
    found = record.find(verdict.quantity, verdict.segment)
    clause = criteria.clause(verdict.clause) if criteria else None
    derived = clause and any(limit and limit.of for limit in (clause.at_least, clause.at_most))
    # a multiple has endless digits; the rule that gives it exactly stands beside it
    digits = 4 if derived else 6
    ends = [_given(verdict.quantity, limit, digits=digits) for limit in (verdict.at_least, verdict.at_most)]
    low, high = math.isfinite(verdict.at_least), math.isfinite(verdict.at_most)
    limit = (
        f"{ends[0]} to {ends[1]}" if low and high else f"at least {ends[0]}" if low else f"at most {ends[1]}"
    )
    return VerdictLine(
        clause=verdict.clause,
        label=label(verdict.quantity, verdict.segment if _several_segments(record) else None),
        limit=limit if low or high else verdict.limit.replace("_", "-"),
        rule=_rule(clause) if clause and derived and (low or high) else "",
        measured=shown(found).sentence,
        verdict=verdict.verdict,
        verdict_label=VERDICT_STYLES[verdict.verdict].label,
        severity=verdict.severity,
        ground=ground(verdict.reason),
    )


def _rule(clause: Clause) -> str:
    """Return how a clause's limit is reckoned; a single end without "at least", which stands above it."""
    words = clause.limit_text(None)
    return words if clause.at_least and clause.at_most else re.sub("^at (least|most) ", "", words)


def ground(reason: str) -> str:
    """Return why the verdict fell, without value, limit and word, which stand beside it; lengths in mm."""
    _, found, tail = reason.partition(": ")
    why = tail.partition(", ")[2] if found else reason
    return sentence_case(in_mm(why.replace("the whole interval is", "whole interval"))) if why else ""


def _budget(record: SectionRecord) -> tuple[BudgetLine, ...]:
    """Return the budgets of the main quantities and of those that a clause judges, of the whole section."""
    wanted = {*_ALWAYS_BUDGETED, *(verdict.quantity for verdict in record.verdicts)}
    return tuple(
        BudgetLine(
            label(found.quantity),
            tuple(
                Fact(part.name, shown_part(part.u, found))
                for part in found.budget
                if part.u >= SMALLEST_PART * found.u
            ),
            shown_part(found.u, found),
            f"{shown(found).expanded} {shown(found).unit}"
            if shown(found).expanded != MISSING
            else "see interval",
        )
        for found in record.measurements
        if found.quantity in wanted and found.segment is None and found.budget
    )
