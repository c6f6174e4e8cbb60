"""run.json: what one run was made with, enough to repeat it to the digit."""

from __future__ import annotations

import json
import os
import platform
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import xsect
from xsect.record import LotRecord, SectionRecord

FORMAT: Final = 1
"""Version of the file's layout."""

LIBRARIES: Final = (
    "numpy", "scipy", "opencv-python-headless", "scikit-image", "tifffile", "imagecodecs", "pillow", "pandas",
    "matplotlib", "typst",
)  # fmt: skip
"""Libraries whose version can change a digit of a measurement or a byte of a report."""


def run_bytes(lot: LotRecord) -> bytes:
    """Return run.json: versions, settings, hashes of all inputs, each picture's scale with its provenance.

    Paths are relative to the lot sheet's folder; there is no date and no machine in it, so that the same
    inputs give the same bytes.
    """
    return (json.dumps(run(lot), indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()


def run(lot: LotRecord) -> dict[str, Any]:
    """Return the content of run.json as plain dictionaries and lists."""
    home = lot.sheet.path.parent
    criteria = lot.criteria and {
        "file": relative(lot.criteria.path, home),
        "name": lot.criteria.name,
        "sha256": lot.criteria.sha256,
        "decision_rule": lot.criteria.decision_rule,
        "guard": lot.criteria.guard,
    }
    return {
        "format": FORMAT,
        "tool": {"name": "xsect", "version": xsect.__version__},
        "python": platform.python_version(),
        "libraries": {name: version(name) for name in LIBRARIES},
        "settings": dict(sorted(lot.settings.items())),
        "lot_sheet": {"file": lot.sheet.path.name, "sha256": lot.sheet.sha256},
        "criteria": criteria,
        "sections": [_section(record) for record in lot.sections],
    }


def _section(record: SectionRecord) -> dict[str, Any]:
    return {
        "lot": record.row.lot,
        "section": record.row.section,
        "row": record.row.number,
        "image": record.row.image_as_written,
        "image_sha256": record.image_sha256 or None,
        "image_shape": list(record.image_shape) if record.image_sha256 else None,
        "scale": record.scale and asdict(record.scale),
        "status": record.status,
        "findings": [{"code": finding.code, **finding.facts} for finding in record.findings],
        "figures": list(record.figures),
    }


def relative(path: Path, home: Path) -> str:
    """Return a path relative to a folder, with slashes; its name alone where it lies on another drive."""
    try:
        return Path(os.path.relpath(path, home)).as_posix()
    except ValueError:
        return path.name
