"""What ``xsect measure`` does with a record store: open it, keep each section, take over what is there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from xsect.commands.basics import CouldNotRun

if TYPE_CHECKING:
    from xsect.capture.lot_sheet import LotSheet, SheetRow
    from xsect.lots.resume import Keeper
    from xsect.lots.welds import SerialWeld
    from xsect.pipeline import Options
    from xsect.record import LotRecord, SectionRecord


@dataclass(frozen=True)
class Keeping:
    """The hooks of a run: ``already`` for rows that need not be measured (None: measure all), ``keep`` for each
    section as it is done, ``finish`` at the end, which gives the whole lot with its corrections, ``told`` for the line
    that sums up."""

    already: Callable[[SheetRow], SectionRecord | None] | None
    keep: Callable[[SectionRecord], None]
    finish: Callable[[LotRecord], LotRecord]
    told: Callable[[], str]


@contextmanager
def keeping(
    where: str | None, sheet: LotSheet, options: Options, *, resume: bool, jobs: int
) -> Iterator[Keeping]:
    """Open the store ``where`` (None: keep nothing) for one run; raise CouldNotRun where it cannot be used."""
    if where is None:
        yield Keeping(None, lambda _: None, lambda lot: lot, lambda: "")
        return
    from xsect.lots.database import StoreError

    try:
        with _open(where, sheet, options) as keeper:
            yield _hooks(keeper, resume=resume, jobs=jobs)
    except StoreError as error:
        raise CouldNotRun(str(error)) from error


@contextmanager
def _open(where: str, sheet: LotSheet, options: Options) -> Iterator[Keeper]:
    from importlib.metadata import version

    from xsect.lots.database import open_store
    from xsect.lots.resume import start
    from xsect.report.run_file import LIBRARIES

    with open_store(where, create=True) as store:
        yield start(
            store, sheet,
            criteria=options.criteria, out=options.out, today=options.today,
            calibration_folder=options.calibration_folder, max_pixels=options.max_pixels,
            libraries={name: version(name) for name in LIBRARIES},
        )  # fmt: skip


def serial_welds(sections: Iterable[SectionRecord]) -> list[SerialWeld]:
    """Return the welds that some sections are serial cuts of, for the store."""
    from xsect.lots.welds import SerialWeld
    from xsect.welds import weld_diameters

    return [
        SerialWeld(
            weld.weld, tuple(record.row for record in weld.records), weld.diameter,
            "; ".join([weld.diameter.note, *(f"left out: {one}" for one in weld.left_out)]), weld.centre, weld.u_centre,
        )
        for weld in weld_diameters(sections)
    ]  # fmt: skip


def _hooks(keeper: Keeper, *, resume: bool, jobs: int) -> Keeping:
    from xsect.audit.remembered import remember_lot

    taken: set[int] = set()
    counts: Counter[str] = Counter()

    def already(row: SheetRow) -> SectionRecord | None:
        record = keeper.already(row)
        if record:
            taken.add(row.number)
        return record

    def keep(record: SectionRecord) -> None:
        counts["taken over" if record.row.number in taken else keeper.keep(record)] += 1

    def finish(lot: LotRecord) -> LotRecord:
        lot = replace(lot, sections=tuple(keeper.corrected(record) for record in lot.sections))
        remember_lot(keeper.store, lot, jobs=jobs)
        keeper.finish(serial_welds(lot.sections))
        return lot

    def told() -> str:
        return f"Kept in {keeper.store.name}: " + ", ".join(
            f"{number} {word}" for word, number in counts.items()
        )

    return Keeping(already if resume else None, keep, finish, told)
