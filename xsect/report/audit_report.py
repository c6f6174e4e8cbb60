"""Audit report: HTML, PDF, evidence pictures, table of sections and run file, written all together or not at all."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any

from xsect.audit.findings import find_all
from xsect.audit.run import Audit
from xsect.report.audit_figures import evidence_jpeg
from xsect.report.audit_model import audit_model
from xsect.report.html import TEMPLATES
from xsect.report.run_file import run
from xsect.report.style import FONTS
from xsect.report.tables import csv_bytes
from xsect.report.typeface import covered

FINDING_COLUMNS = ("grade", "topic", "title", "what", "where", "how_sure", "ask")


def write_audit(audit: Audit, out: Path) -> tuple[Path, ...]:
    """Write audit.html, audit.pdf, findings.csv, run.json and the evidence pictures into ``out``; return their paths.

    Same inputs, same bytes. Raises OSError with one line that names the folder.
    """
    try:
        files = audit_files(audit)
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".xsect-", dir=out) as half:
            for name, data in files.items():
                (Path(half) / name).write_bytes(data)
            for name in files:
                os.replace(Path(half) / name, out / name)
    except OSError as error:
        raise OSError(f"{out}: the report cannot be written: {error.strerror or error}") from error
    return tuple(out / name for name in files)


def audit_files(audit: Audit) -> dict[str, bytes]:
    """Return the files of an audit's report by name."""
    model = audit_model(audit)
    pairs = {f"pair-{at}.jpg": evidence_jpeg(one) for at, one in enumerate(audit.reuse)}
    return {
        "audit.html": _html(model, list(pairs)),
        "audit.pdf": _pdf(model, pairs),
        "findings.csv": csv_bytes(FINDING_COLUMNS, _finding_rows(audit)),
        "run.json": (json.dumps(_run(audit), indent=2, ensure_ascii=False) + "\n").encode(),
        **pairs,
    }


def _finding_rows(audit: Audit) -> list[tuple[str | float | int | None, ...]]:
    return [
        (one.grade, one.topic, one.title, one.what, ", ".join(one.where), one.how_sure, one.ask)
        for one in find_all(audit)
    ]


def _html(model: dict[str, Any], pictures: list[str]) -> bytes:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    pages = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    return (
        pages.get_template("audit.html.j2")
        .render(
            report=model,
            plots=[Markup(plot) for plot in model["plots"]],
            style=Markup((TEMPLATES / "report.css").read_text(encoding="utf-8")),
            pictures=pictures,
        )
        .encode()
    )


def _pdf(model: dict[str, Any], pairs: dict[str, bytes]) -> bytes:
    import typst

    text = json.dumps(model, ensure_ascii=False)
    with tempfile.TemporaryDirectory(prefix="xsect-") as folder:
        root = Path(folder)
        shutil.copyfile(TEMPLATES / "audit.typ", root / "audit.typ")
        for name, data in pairs.items():
            (root / name).write_bytes(data)
        compiled: Any = typst.compile(
            str(root / "audit.typ"),
            root=folder,
            font_paths=[str(FONTS)],
            ignore_system_fonts=covered(text),
            format="pdf",
            sys_inputs={"model": text},
        )
    return bytes(compiled)


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
