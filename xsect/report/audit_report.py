"""Audit report: HTML, PDF, evidence pictures, table of sections and run file, written all together or not at all."""

from __future__ import annotations

import json
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any

from xsect.audit.findings import find_all, shown_pairs
from xsect.audit.run import Audit
from xsect.report.audit_figures import copied_jpeg, evidence_jpeg
from xsect.report.audit_model import audit_model
from xsect.report.run_file import run
from xsect.report.setting import not_written, set_html, set_pdf, write_whole
from xsect.report.tables import csv_bytes

FINDING_COLUMNS = ("grade", "topic", "title", "what", "where", "how_sure", "ask")


def write_audit(audit: Audit, out: Path) -> tuple[Path, ...]:
    """Write audit.html, audit.pdf, findings.csv, run.json and the evidence pictures into ``out``; return their paths.

    Same inputs, same bytes. Raises OSError with one line that names the folder.
    """
    try:
        return write_whole(audit_files(audit), out)
    except OSError as error:
        raise not_written(out, error) from error


def audit_files(audit: Audit) -> dict[str, bytes]:
    """Return the files of an audit's report by name."""
    from markupsafe import Markup

    model = audit_model(audit)
    shown = [evidence_jpeg(audit.reuse[at]) for at in shown_pairs(audit)]
    shown += [copied_jpeg(record.row.image, patch) for record, patch in audit.copied]
    pictures = {f"picture-{at}.jpg": one for at, one in enumerate(shown)}
    return {
        "audit.html": set_html(
            "audit.html.j2",
            report=model,
            plots=[Markup(plot) for plot in model["plots"]],
            pictures=list(pictures),
        ),
        "audit.pdf": set_pdf("audit.typ", model, pictures),
        "findings.csv": csv_bytes(FINDING_COLUMNS, _finding_rows(audit)),
        "run.json": (json.dumps(_run(audit), indent=2, ensure_ascii=False) + "\n").encode(),
        **pictures,
    }


def _finding_rows(audit: Audit) -> list[tuple[str | float | int | None, ...]]:
    return [
        (one.grade, one.topic, one.title, one.what, ", ".join(one.where), one.how_sure, one.ask)
        for one in find_all(audit)
    ]


def _run(audit: Audit) -> dict[str, Any]:
    """Return all that the audit rests on and found: inputs with hashes, settings, and every number behind a finding."""
    claim = {name: value for name, value in asdict(audit.claim).items() if value not in ("", None, {})}
    found = {
        "claim": claim,
        "agreement": audit.quantities,
        "verdicts": audit.verdicts,
        "reuse": [
            {
                "first": one.first.name, "second": one.second.name, "how": one.how, "same_specimen": one.same_specimen,
                "sha256": [one.first.sha256, one.second.sha256], "likeness": one.likeness,
                "matrix": one.registration and one.registration.matrix.tolist(),
                "mirrored": one.registration and one.registration.mirrored,
                "details": one.registration and len(one.registration.matched),
            }
            for one in audit.reuse
        ],
        "earlier_pictures": audit.known,
        "sections_looked_at": audit.looked,
        "sample": audit.sample,
        "signs": audit.signs,
        "findings": find_all(audit),
    }  # fmt: skip
    return {**run(audit.lot), "audit": _plain(found)}


def _plain(part: Any) -> Any:
    """Return dataclasses as dictionaries and numbers that JSON cannot hold as null."""
    if is_dataclass(part) and not isinstance(part, type):
        return {name: _plain(value) for name, value in vars(part).items()}
    if isinstance(part, dict):
        return {name: _plain(value) for name, value in part.items()}
    if isinstance(part, (list, tuple)):
        return [_plain(value) for value in part]
    if isinstance(part, float) and part - part != 0:
        return None
    return part.item() if hasattr(part, "item") else part
