"""Section records as rows of the store, and back without loss.

What a report draws from pixels (``SectionRecord.view``) is not kept: the figures stand in the report's folder.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any, Final

from xsect.capture.lot_sheet import SheetRow
from xsect.capture.scale import Scale
from xsect.judge.decision import Verdict, summarise
from xsect.quantities import Component, Measurement, effective_dof
from xsect.reasons import Finding
from xsect.record import SectionRecord

Row = dict[str, Any]

_NOT_RESULT: Final = ("id", "run_id", "section_id", "version", "at", "figures", "key", "digest")
"""Columns that say when and where a result was kept, not what it is."""


to_json: Final = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode
"""Return compact JSON; NaN and infinity are refused, since JSON has neither."""


def section_row(record: SectionRecord) -> Row:
    """Return a record's row of the table of sections, without what only the store knows."""
    row = record.row
    unjudged = "not_measured" if record.status == "not_measured" else ""
    return {
        "supplier": row.supplier,
        "lot": row.lot,
        "section": row.section,
        "line": row.extra.get("line", ""),
        "made_on": row.made_on,
        "cut_on": row.cut_on,
        "weld_type": row.weld_type,
        "image": row.image_as_written,
        "image_sha256": record.image_sha256,
        "image_rows": record.image_shape[0],
        "image_columns": record.image_shape[1],
        "calibration_sha256": record.scale.record_sha256 if record.scale else "",
        "status": record.status,
        "verdict": summarise(record.verdicts) if record.verdicts else unjudged,
        "row": to_json(plain_row(row)),
        "scale": to_json(record.scale and asdict(record.scale)),
        "findings": to_json(
            [
                {
                    "code": found.code,
                    "facts": dict(found.facts),
                    "effect": found.effect,
                    "sentence": found.sentence,
                }
                for found in record.findings
            ]
        ),
    }


def plain_row(row: SheetRow) -> Row:
    """Return a lot sheet's row as plain values; its picture's path as written, not as found on this machine."""
    return {name: value for name, value in asdict(row).items() if name != "image"}


def measurement_rows(record: SectionRecord) -> list[Row]:
    """Return a record's rows of the table of measurements."""
    return [{"place": place, **measurement_row(found)} for place, found in enumerate(record.measurements)]


def measurement_row(found: Measurement) -> Row:
    """Return a measurement's columns of a table."""
    return {
        "quantity": found.quantity,
        "segment": found.segment,
        "status": found.status,
        **_numbers(found, "value", "u", "low", "high"),
        "u_scale": _scale_part(found),
        "word": found.word,
        "note": found.note,
        "method": found.method,
        "budget": to_json([_part(one) for one in found.budget]),
        "dof": _dof(effective_dof(found.budget)),
    }


def verdict_rows(record: SectionRecord) -> list[Row]:
    """Return a record's rows of the table of verdicts."""
    return [
        {
            "place": place,
            "clause": found.clause,
            "quantity": found.quantity,
            "segment": found.segment,
            "limit_text": found.limit,
            **_numbers(found, "at_least", "at_most", "value", "u", "low", "high"),
            "word": found.word,
            "verdict": found.verdict,
            "severity": found.severity,
            "reason": found.reason,
            **_numbers(found, "conformance_probability"),
        }
        for place, found in enumerate(record.verdicts)
    ]


def digest(section: Mapping[str, Any], measured: Sequence[Row] = (), judged: Sequence[Row] = ()) -> str:
    """Return the SHA-256 of a result (a section's, or a weld's one row): of all its rows, without what says when and
    where they were kept. Infinite degrees of freedom are left out, as from results of the schemas before they were
    kept.
    """
    parts = [
        {
            name: row[name]
            for name in row
            if name not in _NOT_RESULT and not (name == "dof" and row[name] is None)
        }
        for row in (section, *measured, *judged)
    ]
    text = json.dumps(parts, sort_keys=True, allow_nan=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def decode(
    section: Mapping[str, Any], measured: Iterable[Mapping[str, Any]], judged: Iterable[Mapping[str, Any]]
) -> SectionRecord:
    """Return the record of a section's rows, without its view; the picture's path is as written.

    Raises ValueError where another version of xsect named a quantity or reason that this one does not know.
    """
    scale = json.loads(section["scale"])
    return SectionRecord(
        row=sheet_row(json.loads(section["row"])),
        image_sha256=section["image_sha256"],
        image_shape=(section["image_rows"], section["image_columns"]),
        scale=Scale(**scale) if scale else None,
        findings=tuple(Finding(one["code"], one["facts"]) for one in json.loads(section["findings"])),
        measurements=tuple(_measurement(one) for one in measured),
        verdicts=tuple(_verdict(one) for one in judged),
        view=None,
        figures=tuple(name for name, _ in figures_of(section)),
    )


def sheet_row(plain: Mapping[str, Any]) -> SheetRow:
    """Return a lot sheet's row from plain values; its picture's path is as written."""
    return SheetRow(image=Path(plain["image_as_written"]), **plain)


def figures_of(section: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """Return (name, SHA-256) of a section's figures."""
    return tuple((name, sha256) for name, sha256 in json.loads(section["figures"]))


def _measurement(row: Mapping[str, Any]) -> Measurement:
    given = {field.name: row[field.name] for field in fields(Measurement) if field.name != "budget"}
    given |= {name: _nan(row[name]) for name in ("value", "u", "low", "high")}
    budget = tuple(Component(name, _nan(u), *dof) for name, u, *dof in json.loads(row["budget"]))
    return Measurement(**given, budget=budget)


def _verdict(row: Mapping[str, Any]) -> Verdict:
    given = {field.name: row[field.name] for field in fields(Verdict) if field.name != "limit"}
    numbers = ("at_least", "at_most", "value", "u", "low", "high", "conformance_probability")
    return Verdict(**given | {name: _nan(row[name]) for name in numbers}, limit=row["limit_text"])


def _scale_part(found: Measurement) -> float | None:
    """Return what the scale adds to a measurement's standard uncertainty, None where it has no budget."""
    parts = [part.u for part in found.budget if part.name == "scale"]
    return number(math.hypot(*parts)) if found.budget else None


def _part(one: Component) -> list[Any]:
    """Return a part of a budget as the store keeps it: its degrees of freedom only where they are finite."""
    dof = _dof(one.dof)
    return [one.name, number(one.u), *([] if dof is None else [dof])]


def _dof(dof: float) -> float | None:
    return number(dof) if math.isfinite(dof) else None


def _numbers(of: Any, *names: str) -> dict[str, float | None]:
    return {name: number(getattr(of, name)) for name in names}


def number(value: float) -> float | None:
    """Return a finite number as plain float (never -0.0, whose sign SQLite drops), None for NaN.

    Raises ValueError for infinity, which no part of a record may be.
    """
    if math.isinf(value):
        raise ValueError(f"{value} cannot be kept: must be finite")
    return None if math.isnan(value) else float(value) + 0.0


def _nan(value: float | None) -> float:
    return math.nan if value is None else value
