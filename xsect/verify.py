"""Verify: measure a finished run again from its run.json, and tell what differs from what it left behind.

Same inputs give the same bytes, so nothing but the outputs themselves is needed: they are all made anew in another
folder and compared, the hashes of pictures, calibration records, criteria and sheet first, tables cell by cell.
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import json
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from xsect.judge.criteria import Criteria, load_criteria
from xsect.pipeline import Options, measure_lot
from xsect.report.run_file import FORMAT, run
from xsect.report.write import write_outputs

RUN: Final = "run.json"
TABLES: Final[dict[str, tuple[str, ...]]] = {
    "measurements.csv": ("lot", "section", "segment", "quantity"),
    "verdicts.csv": ("lot", "section", "clause", "segment"),
    "welds.csv": ("lot", "weld", "quantity"),
}
"""Tables that are compared cell by cell, and the columns that name a row."""

SEARCHED: Final = 50_000
"""Files that are looked at for the lot sheet, at most."""

MISSING, NONE = "missing", "none"


@dataclass(frozen=True)
class Difference:
    """One difference: the file it is in, what it is about, and both values as text."""

    file: str
    what: str
    then: str
    now: str

    @property
    def sentence(self) -> str:
        """The difference on one line."""
        about = f"{self.file}: {self.what}" if self.what else self.file
        return f"{about}: {self.then} then, {self.now} now"


@dataclass(frozen=True)
class Verification:
    """What came of it: sections measured again, files compared, and every difference, inputs first."""

    sections: int
    files: int
    differences: tuple[Difference, ...]


def verify(
    folder: Path, *, sheet: Path | None = None, calibration: Path | None = None, jobs: int = 1
) -> Verification:
    """Measure the run in ``folder`` again and compare.

    ``sheet``: its lot sheet; where left out, the file with the name and hash of run.json in the folder, above it, or in
    and below the working directory. ``calibration``: as in measuring. Raises ValueError, one line, where the folder
    holds no run or the sheet is not found; SheetError and CriteriaError as in measuring; OSError.
    """
    kept = read_run(folder / RUN)
    sheet = sheet or find_sheet(kept["lot_sheet"], folder)
    criteria, lost = _criteria(kept, sheet.parent)
    settings = kept["settings"]
    with tempfile.TemporaryDirectory() as made:
        out = Path(made)
        options = Options(
            criteria,
            out,
            dt.date.fromisoformat(settings["today"]),
            calibration,
            settings["max_pixels"],
            settings.get("bar_um"),
        )
        lot = measure_lot(sheet, options, jobs=jobs)
        write_outputs(lot, out)
        names = sorted(path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file())
        found = [*lost, *_runs(kept, run(lot)), *_files(names, folder, out, unread=_unread(lot.sections))]
    return Verification(len(lot.sections), len(names), tuple(dict.fromkeys(found)))


def read_run(path: Path) -> dict[str, Any]:
    """Return a run.json; raise ValueError, naming the file, for one that is missing or not of this layout."""
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        if kept["format"] != FORMAT:
            raise ValueError(f"{path}: format = {kept['format']}: must be {FORMAT}")
        dt.date.fromisoformat(kept["settings"]["today"])
        needed = kept["settings"]["max_pixels"], kept["lot_sheet"]["file"], kept["lot_sheet"]["sha256"]
        if not all(needed) or not isinstance(kept["sections"], list):
            raise KeyError("sections")
    except FileNotFoundError:
        raise ValueError(f"{path}: no such file: the folder holds no run of xsect measure") from None
    except (KeyError, TypeError, AttributeError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise ValueError(f"{path}: not the record of a run ({error})") from None
    return dict(kept)


def find_sheet(kept: Mapping[str, str], folder: Path) -> Path:
    """Return the lot sheet of a run by its name and hash; ValueError where it is not found."""
    name, sha256 = Path(kept["file"]).name, kept["sha256"]
    here = folder.resolve()
    for place in (here, *here.parents):
        if _sha256(place / name) == sha256:
            return place / name
    for number, path in enumerate(Path.cwd().rglob("*")):
        if number >= SEARCHED:
            break
        if path.name == name and _sha256(path) == sha256:
            return path
    raise ValueError(
        f"{folder / RUN}: its lot sheet {name} (SHA-256 {sha256[:12]}…) is not in the folder, above it, or in and "
        "below the working directory: name it with --sheet"
    )


def _sha256(path: Path) -> str:
    """Return a file's hash, "" where there is none."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def _criteria(kept: Mapping[str, Any], home: Path) -> tuple[Criteria | None, list[Difference]]:
    """Return the criteria that the run was judged by; without them nothing is judged, which is told."""
    named = kept.get("criteria")
    if not named:
        return None, []
    path = home / named["file"]
    if not path.is_file():
        return None, [Difference(named["file"], "criteria", _short(named["sha256"]), MISSING)]
    return load_criteria(path), []


def _short(value: object) -> str:
    """Return a value as people compare it; of a hash, its first twelve digits."""
    if value is None or value == "":
        return NONE
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return f"SHA-256 {text[:12]}…" if len(text) == 64 else text


def _runs(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[Difference]:
    """Yield what differs between two run files, each under the file that it is about."""
    sheet = then["lot_sheet"]["file"]
    if then["lot_sheet"]["sha256"] != now["lot_sheet"]["sha256"]:
        yield _pair(sheet, "lot sheet", then["lot_sheet"]["sha256"], now["lot_sheet"]["sha256"])
    criteria, judged = then.get("criteria") or {}, now.get("criteria") or {}
    if judged and criteria.get("sha256") != judged["sha256"]:
        yield _pair(str(criteria.get("file")), "criteria", criteria.get("sha256"), judged["sha256"])
    sections = {one["row"]: one for one in now["sections"]}
    for one in then["sections"]:
        yield from _section(one, sections.pop(one["row"], None))
    for other in sections.values():
        yield Difference(RUN, f"row {other['row']}, section {other['section']}", NONE, "in the sheet")
    for key in ("tool", "python", "libraries", "settings"):
        yield from _nested(RUN, key, then.get(key), now.get(key))


def _pair(file: str, what: str, then: object, now: object) -> Difference:
    return Difference(file, what, _short(then), _short(now))


def _section(then: Mapping[str, Any], now: Mapping[str, Any] | None) -> Iterator[Difference]:
    """Yield what differs in one section: its picture, its calibration record, its scale, its findings."""
    name = f"section {then['section']}"
    if now is None:
        yield Difference(RUN, f"row {then['row']}, {name}", "in the sheet", MISSING)
        return
    if then["image_sha256"] != now["image_sha256"]:
        gone = {one["code"] for one in now["findings"]} & {"image_missing"}
        yield Difference(
            then["image"], f"picture of {name}", _short(then["image_sha256"]),
            MISSING if gone else _short(now["image_sha256"]),
        )  # fmt: skip
    before, after = then["scale"] or {}, now["scale"] or {}
    if now["image_sha256"] and before.get("record_sha256") != after.get("record_sha256"):
        record = str((before if before.get("record_sha256") else after)["detail"]).split(" ", 1)[0]
        now_is = after["record_sha256"] if after.get("record_sha256") else "not usable"
        yield _pair(f"{record}.toml", f"calibration record of {name}", before.get("record_sha256"), now_is)
    for key in ("section", "lot", "image", "status"):
        yield from _nested(RUN, f"{name}, {key}", then[key], now[key])
    if now["image_sha256"]:
        for key in ("image_shape", "scale", "findings", "figures"):
            yield from _nested(RUN, f"{name}, {key}", then[key], now[key])


def _nested(file: str, what: str, then: object, now: object) -> Iterator[Difference]:
    """Yield the leaves that differ of two values as JSON has them."""
    if isinstance(then, Mapping) and isinstance(now, Mapping):
        for key in dict.fromkeys((*then, *now)):
            if key != "record_sha256":
                yield from _nested(file, f"{what} {key}", then.get(key), now.get(key))
    elif then != now:
        yield _pair(file, what, then, now)


def _unread(sections: Any) -> set[tuple[str, str]]:
    """Return (lot, section) of those whose picture could not be read now: their numbers were not measured again."""
    return {(one.row.lot, one.row.section) for one in sections if not one.image_sha256}


def _files(names: list[str], then: Path, now: Path, *, unread: set[tuple[str, str]]) -> Iterator[Difference]:
    """Yield what differs in the outputs."""
    for name in names:
        if not (then / name).is_file():
            yield Difference(name, "", MISSING, "written")
            continue
        if (then / name).read_bytes() == (now / name).read_bytes():
            continue
        if name == RUN:
            continue  # told leaf by leaf already
        cells = list(_table(name, then / name, now / name, unread)) if name in TABLES else []
        yield from cells
        if not cells:
            yield _pair(name, "bytes", _sha256(then / name), _sha256(now / name))


def _table(name: str, then: Path, now: Path, unread: set[tuple[str, str]]) -> Iterator[Difference]:
    before, after = (_rows(path, TABLES[name]) for path in (then, now))
    for key in dict.fromkeys((*before, *after)):
        old, new = before.get(key), after.get(key)
        if key[:2] in unread:
            continue
        what = " ".join(part for part in key[1:-1] if part)
        if old is None or new is None:
            yield Difference(name, what, "a row" if old else "no row", "a row" if new else "no row")
            continue
        for column in dict.fromkeys((*old, *new)):
            if old.get(column) != new.get(column):
                yield _pair(name, f"{what}, {column}", old.get(column), new.get(column))


def _rows(path: Path, key: tuple[str, ...]) -> dict[tuple[str, ...], dict[str, str]]:
    """Return a table's rows by what names them, and a count, for a sheet may name two rows alike."""
    counts: Counter[tuple[str, ...]] = Counter()
    out = {}
    with path.open(newline="", encoding="utf-8", errors="replace") as file:
        for row in csv.DictReader(file, restkey="beyond the columns", restval=""):
            names = tuple(str(row.get(column) or "") for column in key)
            counts[names] += 1
            out[(*names, str(counts[names]))] = {str(column): str(cell) for column, cell in row.items()}
    return out
