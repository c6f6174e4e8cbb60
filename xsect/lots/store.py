"""Record store: sections in, one transaction each; what holds now and what held before, out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from sqlalchemy import Connection, Select, exists, func, insert, select
from sqlalchemy.dialects import postgresql, sqlite

from xsect.capture.lot_sheet import SheetRow
from xsect.lots import encode
from xsect.lots.database import Store, StoreError
from xsect.lots.events import append, now
from xsect.lots.schema import calibrations, criteria, measurements, runs, sections, verdicts
from xsect.record import SectionRecord

_LATER: Final = sections.alias("later")
_SUPERSEDES: Final = (
    *(_LATER.c[name] == sections.c[name] for name in ("supplier", "lot", "section")),
    _LATER.c.version == sections.c.version + 1,
)

Outcome = Literal["measured", "measured anew", "repeated", "not measured again"]


@dataclass(frozen=True)
class Name:
    """What names a section in a store: section names are unique in a lot, lots in a supplier."""

    supplier: str
    lot: str
    section: str

    def __str__(self) -> str:
        """Return the name as messages write it."""
        supplier = f"supplier {self.supplier}, " if self.supplier else ""
        return f"{supplier}lot {self.lot}, section {self.section}"


@dataclass(frozen=True)
class Run:
    """One run of the main job, as the store names it; ``id`` numbers the runs of a store."""

    id: int
    at: str
    who: str


@dataclass(frozen=True)
class Kept:
    """A section version in the store: its place there, its ``key`` (hash of all inputs) and the record.

    ``figures`` are (name, SHA-256) of the figures in the report's folder when it was kept.
    """

    id: int
    version: int
    at: str
    key: str
    record: SectionRecord
    figures: tuple[tuple[str, str], ...]


def name_of(row: SheetRow) -> Name:
    """Return the name of a row's section."""
    return Name(row.supplier, row.lot, row.section)


def begin_run(
    store: Store,
    *,
    who: str,
    sheet: str,
    sheet_sha256: str,
    tool: str,
    python: str,
    libraries: Mapping[str, str],
    settings: Mapping[str, Any],
    criteria_file: tuple[str, str, str] | None = None,
) -> Run:
    """Add a run; ``criteria_file`` is (SHA-256, name, content) of the criteria it judges by."""
    at = now()
    with store.writing() as connection:
        if criteria_file:
            _add_file(connection, criteria, *criteria_file)
        added = connection.execute(
            insert(runs).returning(runs.c.id),
            {
                "at": at,
                "who": who,
                "sheet": sheet,
                "sheet_sha256": sheet_sha256,
                "criteria_sha256": criteria_file[0] if criteria_file else "",
                "tool": tool,
                "python": python,
                "libraries": encode.to_json(dict(libraries)),
                "settings": encode.to_json(dict(settings)),
            },
        )
        return Run(added.scalar_one(), at, who)


def keep(
    store: Store,
    run: Run,
    record: SectionRecord,
    key: str,
    *,
    figures: tuple[tuple[str, str], ...] = (),
    calibration: tuple[str, str] | None = None,
) -> Outcome:
    """Keep one section in one transaction: all of it is in the store when this returns, or nothing.

    It outlives the end of this program from then on, and a power cut from the next synced change (``end_run``).
    A result that the store holds already, from the same inputs, and a record without a picture where one with a
    picture holds, become an event only; any other supersedes what held before. ``calibration`` is (name, content) of
    the calibration record used. Raises StoreError where the record cannot be kept.
    """
    name = name_of(record.row)
    try:
        section = encode.section_row(record)
        measured, judged = encode.measurement_rows(record), encode.verdict_rows(record)
    except ValueError as error:
        raise StoreError(f"{store.name}: {name}: {error}") from error
    section |= {"key": key, "figures": encode.to_json([list(one) for one in figures])}
    section["digest"] = encode.digest(section, measured, judged)
    with store.writing(synced=False) as connection:
        lock(connection, str(name))
        if calibration and section["calibration_sha256"]:
            _add_file(connection, calibrations, section["calibration_sha256"], *calibration)
        return _keep(connection, run, name, section, measured, judged)


def end_run(store: Store, run: Run) -> None:
    """Say that a run has kept all its sections, and bring them to the disk."""
    with store.writing() as connection:
        append(connection, "finished", at=now(), who=run.who, run_id=run.id)


def lock(connection: Connection, name: str) -> None:
    """Let no other writer look at what holds of this section or weld until the end of the transaction.

    An SQLite transaction that writes has the whole file to itself anyway.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(select(func.pg_advisory_xact_lock(func.hashtextextended(name, 0))))


def _keep(
    connection: Connection,
    run: Run,
    name: Name,
    section: dict[str, Any],
    measured: list[encode.Row],
    judged: list[encode.Row],
) -> Outcome:
    at = now()
    before = connection.execute(
        current(sections.c.id, sections.c.version, sections.c.key, sections.c.digest, sections.c.image_sha256)
        .where(*_named(name))
    ).first()  # fmt: skip
    told: dict[str, Any] = {"at": at, "who": run.who, "run_id": run.id}
    if before and (before.key, before.digest) == (section["key"], section["digest"]):
        append(connection, "repeated", section_id=before.id, **told)
        return "repeated"
    if before and before.image_sha256 and not section["image_sha256"]:
        append(connection, "not measured again", section_id=before.id, findings=section["findings"], **told)
        return "not measured again"
    version = before.version + 1 if before else 1
    added = connection.execute(
        insert(sections).returning(sections.c.id), {**section, "run_id": run.id, "version": version, "at": at}
    ).scalar_one()
    for table, rows in ((measurements, measured), (verdicts, judged)):
        if rows:
            connection.execute(insert(table), [{"section_id": added, **row} for row in rows])
    if not before:
        append(connection, "measured", section_id=added, **told)
        return "measured"
    append(connection, "superseded", section_id=before.id, by=added, **told)
    append(connection, "measured anew", section_id=added, supersedes=before.id, **told)
    return "measured anew"


def _add_file(connection: Connection, table: Any, sha256: str, name: str, content: str) -> None:
    """Add a file to the files that results rest on, unless it is there."""
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    one = dialect.insert(table).values(sha256=sha256, name=name, content=content)
    connection.execute(one.on_conflict_do_nothing())


def current(*columns: Any) -> Select[Any]:
    """Return a query over the versions that hold: of each section the one that no later one supersedes."""
    return select(*columns).where(~exists().where(*_SUPERSEDES))


def _named(name: Name) -> list[Any]:
    return [sections.c[part] == getattr(name, part) for part in ("supplier", "lot", "section")]


def find(store: Store, name: Name) -> Kept | None:
    """Return the version of a section that holds, None where the store has none.

    Raises StoreError where it names a quantity or reason that this version of xsect does not know.
    """
    versions = history(store, name, last=1)
    return versions[0] if versions else None


def key_of(store: Store, name: Name) -> tuple[str, str]:
    """Return (SHA-256 of the picture, key) of the version of a section that holds, ("", "") where there is none."""
    with store.reading() as connection:
        row = connection.execute(
            current(sections.c.image_sha256, sections.c.key).where(*_named(name))
        ).first()
    return (row.image_sha256, row.key) if row else ("", "")


def history(store: Store, name: Name, *, last: int | None = None) -> tuple[Kept, ...]:
    """Return the versions of a section, the newest first, at most ``last`` of them."""
    with store.reading() as connection:
        rows = connection.execute(
            select(sections).where(*_named(name)).order_by(sections.c.version.desc()).limit(last)
        ).mappings()
        return tuple(_kept(store, connection, row) for row in rows.all())


def _kept(store: Store, connection: Connection, row: Mapping[Any, Any]) -> Kept:
    measured, judged = (
        [
            dict(one)
            for one in connection.execute(
                select(table).where(table.c.section_id == row["id"]).order_by(table.c.place)
            ).mappings()
        ]
        for table in (measurements, verdicts)
    )
    try:
        record = encode.decode(row, measured, judged)
    except ValueError as error:
        name = Name(row["supplier"], row["lot"], row["section"])
        raise StoreError(f"{store.name}: {name}: kept by another version of xsect: {error}") from error
    return Kept(row["id"], row["version"], row["at"], row["key"], record, encode.figures_of(row))
