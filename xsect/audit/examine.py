"""Examining: each section measured anew and its picture looked at for all that it shows on its own, in one process."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from xsect.audit.copy_move import CopiedPatch, find_copied
from xsect.audit.fingerprints import Fingerprint
from xsect.audit.quality import Evidence, judge_evidence
from xsect.audit.reuse import fingerprint_and_copy, spread
from xsect.audit.scale_honesty import ScaleCheck, check_scale, thickness_ratio
from xsect.capture.burned_in import find_burned_in
from xsect.capture.image_files import RawImage, read_image
from xsect.capture.lot_sheet import SheetRow
from xsect.reasons import Refusal
from xsect.record import LotRecord, SectionRecord


@dataclass(frozen=True)
class Looked:
    """What one section's picture showed on its own."""

    scale: ScaleCheck
    evidence: Evidence
    copied: CopiedPatch | None


@dataclass(frozen=True)
class Examined:
    """One section, measured and looked at; ``fingerprint`` is None and ``small`` b"" where the picture cannot be
    read."""

    record: SectionRecord
    looked: Looked
    fingerprint: Fingerprint | None
    small: bytes


@dataclass(frozen=True)
class ExaminedLot:
    """A measured lot and its sections, examined, in the order of the lot sheet."""

    lot: LotRecord
    sections: tuple[Examined, ...]


def examine(
    rows: Sequence[SheetRow],
    measure: Callable[[SheetRow], SectionRecord],
    look: Callable[[SectionRecord], Examined],
    *,
    jobs: int = 1,
) -> dict[int, Examined]:
    """Measure the section of each row and look at its picture; return them by the rows' numbers.

    ``measure`` and ``look`` must be such that other processes can be given them. The result does not depend on
    ``jobs``.
    """
    with spread(jobs if len(rows) >= 4 else 1) as mapped:
        return {one.record.row.number: one for one in mapped(partial(_both, measure, look), rows)}


def _both(
    measure: Callable[[SheetRow], SectionRecord], look: Callable[[SectionRecord], Examined], row: SheetRow
) -> Examined:
    done = look(measure(row))
    # a package may hold thousands, and only the look needs what the pixels showed
    return replace(done, record=replace(done.record, view=None))


def look_at(record: SectionRecord, *, calibration_folder: Path | None, today: dt.date) -> Examined:
    """Look at a measured section's picture: its scale, what it bears, patches that stand twice, its fingerprint."""
    raw: RawImage | Refusal
    try:
        raw = read_image(record.row.image, name=record.row.image_as_written)
    except Refusal as refusal:
        raw = refusal
    scale = check_scale(record, raw, calibration_folder=calibration_folder, today=today)
    if isinstance(raw, Refusal):
        evidence = judge_evidence(record, ratio=thickness_ratio(record))
        return Examined(record, Looked(scale, evidence, None), None, b"")
    pixels = raw.pixels
    evidence = judge_evidence(record, ratio=scale.thickness_ratio, pixels=pixels)
    copied = find_copied(pixels, burned_in=lambda: find_burned_in(pixels))
    return Examined(record, Looked(scale, evidence, copied), *fingerprint_and_copy(pixels))
