"""Keeping a run in the store section by section, and taking over what an earlier, broken run has kept already."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import xsect
from xsect.capture.calibration import find_folder
from xsect.capture.lot_sheet import LotSheet, SheetRow
from xsect.judge.criteria import Criteria
from xsect.lots.corrections import corrected, corrections_of
from xsect.lots.database import Store, StoreError
from xsect.lots.encode import plain_row
from xsect.lots.events import login
from xsect.lots.store import Outcome, Run, begin_run, end_run, find, keep, key_of, name_of
from xsect.lots.welds import SerialWeld, keep_welds
from xsect.record import SectionRecord


@dataclass(frozen=True)
class Keeper:
    """Keeps the sections of one run in a store.

    ``inputs`` are what every section's result depends on besides its row, picture and calibration records;
    ``records`` maps the SHA-256 of each calibration record to (name, content).
    """

    store: Store
    run: Run
    out: Path | None
    criteria: Criteria | None
    today: dt.date
    inputs: Mapping[str, Any]
    records: Mapping[str, tuple[str, str]]

    def already(self, row: SheetRow) -> SectionRecord | None:
        """Return the record of a row if the store holds it for the same picture, row, settings, calibration
        records, criteria and tool, and its figures still stand below ``out``; None where it must be measured.

        An analysis that failed is tried again: what made it fail may have passed.
        """
        image_sha256, key = key_of(self.store, name_of(row))
        if not image_sha256 or _sha256_of(row.image) != image_sha256 or self.key(row, image_sha256) != key:
            return None
        # decoded only now: what another version of xsect kept may not be readable by this one
        kept = find(self.store, name_of(row))
        if kept is None or any(found.code == "unexpected" for found in kept.record.findings):
            return None
        if self.out is None:
            return replace(kept.record, row=row, figures=())
        stand = all(_sha256_of(self.out / name) == sha256 for name, sha256 in kept.figures)
        return replace(kept.record, row=row) if kept.figures and stand else None

    def keep(self, record: SectionRecord) -> Outcome:
        """Keep one measured section; all of it is in the store when this returns."""
        figures = tuple((name, _sha256_of(self.out / name)) for name in record.figures) if self.out else ()
        calibration = self.records.get(record.scale.record_sha256) if record.scale else None
        key = self.key(record.row, record.image_sha256)
        return keep(self.store, self.run, record, key, figures=figures, calibration=calibration)

    def corrected(self, record: SectionRecord) -> SectionRecord:
        """Return a record with what persons set or decided on its section."""
        return corrected(record, corrections_of(self.store, name_of(record.row)), self.criteria)

    def finish(self, welds: Sequence[SerialWeld]) -> None:
        """Keep what was made of several sections, as they stand, and say that the run is whole."""
        keep_welds(self.store, self.run, welds)
        end_run(self.store, self.run)

    def key(self, row: SheetRow, image_sha256: str) -> str:
        """Return the hash of all that the result of a row and its picture depends on."""
        own: dict[str, Any] = {"row": plain_row(row), "image": image_sha256}
        if row.calibration:
            own["calibration"] = sorted(self.records)
            own["today"] = row.cut_on or self.today.isoformat()
        text = json.dumps({**self.inputs, **own}, sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()


def start(
    store: Store,
    sheet: LotSheet,
    *,
    criteria: Criteria | None,
    out: Path | None,
    today: dt.date,
    calibration_folder: Path | None,
    max_pixels: int,
    libraries: Mapping[str, str],
    who: str = "",
) -> Keeper:
    """Add a run to the store and return what keeps its sections; ``who`` is the logged-in user where left out.

    ``libraries`` are the versions of all libraries that can change a result. Raises StoreError where a row has no
    lot: sections of different lots could not be told apart later.
    """
    for row in sorted((*sheet.rows, *(one.row for one in sheet.problems)), key=lambda one: one.number):
        if not row.lot:
            raise StoreError(
                f"{sheet.path.name}: row {row.number}, lot: must be given to keep it in a record store"
            )
    settings = {"today": today.isoformat(), "max_pixels": max_pixels}
    run = begin_run(
        store,
        who=who or login(),
        sheet=sheet.path.name,
        sheet_sha256=sheet.sha256,
        tool=xsect.__version__,
        python=platform.python_version(),
        libraries=libraries,
        settings=settings,
        criteria_file=_criteria_file(criteria),
    )
    inputs = {
        "tool": xsect.__version__,
        "libraries": dict(libraries),
        "max_pixels": max_pixels,
        "criteria": criteria.sha256 if criteria else "",
    }
    folder = find_folder(sheet.path.parent, calibration_folder)
    return Keeper(store, run, out, criteria, today, inputs, _records(folder))


def _criteria_file(criteria: Criteria | None) -> tuple[str, str, str] | None:
    if criteria is None:
        return None
    content = criteria.path.read_bytes()
    if hashlib.sha256(content).hexdigest() != criteria.sha256:
        raise StoreError(f"{criteria.path}: was changed while the run began; start again")
    return criteria.sha256, criteria.path.name, content.decode()


def _records(folder: Path | None) -> dict[str, tuple[str, str]]:
    """Return the calibration records of a folder by the SHA-256 of their bytes."""
    paths = sorted(folder.glob("*.toml")) if folder else []
    contents = [(path.stem, path.read_bytes()) for path in paths if path.is_file()]
    return {
        hashlib.sha256(content).hexdigest(): (name, content.decode(errors="replace"))
        for name, content in contents
    }


def _sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file, "" where it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""
