"""Calibration records that earlier runs used: whether each still is what it was, by the hash in run.json."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class RecordUse:
    """One record as one run used it.

    ``run``: the run's file; ``sections``: how many sections rest on the record; ``then`` and ``now``: its SHA-256 in
    that run and on file ("" where it is gone).
    """

    run: Path
    record: str
    sections: int
    then: str
    now: str

    @property
    def unchanged(self) -> bool:
        """Whether the record on file is the one that was used, to the byte."""
        return self.then == self.now

    @property
    def sentence(self) -> str:
        """What became of the record, in plain words."""
        count = f"{self.sections} section{'' if self.sections == 1 else 's'}"
        used = f"{self.run}: {count} measured with record {self.record}"
        if self.unchanged:
            return f"{used}, which is unchanged"
        if not self.now:
            return f"{used}, which is no longer on file"
        return f"{used}, which was changed since: SHA-256 {self.then[:12]}… then, {self.now[:12]}… now"


def used_records(runs: Path, folder: Path) -> list[RecordUse]:
    """Return the records of ``folder`` that runs used, run by run.

    ``runs``: a run.json, or a folder in and below which all of them are looked at. Raises ValueError, naming the
    file, for one that is no record of a run, and where there is none.
    """
    paths = sorted(runs.rglob("run.json")) if runs.is_dir() else [runs]
    if not paths:
        raise ValueError(f"{runs}: holds no run.json")
    return [use for path in paths for use in _uses(path, folder)]


def _uses(path: Path, folder: Path) -> list[RecordUse]:
    counts: dict[tuple[str, str], int] = {}
    try:
        for section in json.loads(path.read_text(encoding="utf-8"))["sections"]:
            scale: dict[str, Any] = section["scale"] or {}
            if scale.get("record_sha256"):
                # "name of date; …": names of records hold no spaces
                key = (scale["detail"].split(" ", 1)[0], scale["record_sha256"])
                counts[key] = counts.get(key, 0) + 1
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"{path}: not a record of a run ({type(error).__name__}: {error})") from None
    return [
        RecordUse(path, name, count, then, _sha256(folder, name)) for (name, then), count in counts.items()
    ]


def _sha256(folder: Path, name: str) -> str:
    path = folder / f"{name}.toml"
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
