"""Welds cut in series in the store: the diameter that a run made of all sections of a weld, kept beside them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, exists, func, insert, select

from xsect.capture.lot_sheet import SheetRow
from xsect.lots import encode
from xsect.lots.database import Store
from xsect.lots.events import append, now
from xsect.lots.rows import WELD
from xsect.lots.schema import corrections, sections, welds
from xsect.lots.store import Name, Run, lock, name_of
from xsect.quantities import Measurement, Status

QUANTITY: Final = "weld_diameter"
_LATER: Final = welds.alias("later")
_SUPERSEDES: Final = (
    *(_LATER.c[part] == welds.c[part] for part in ("supplier", "lot", "weld")),
    _LATER.c.version > welds.c.version,
)


@dataclass(frozen=True)
class SerialWeld:
    """One weld cut in series, as a run found it: its diameter, the sections it was made of, where its centre lies.

    ``centre`` and ``u_centre`` in µm from the sections' common face, NaN where there is none.
    """

    weld: str
    sections: tuple[SheetRow, ...]
    diameter: Measurement
    note: str
    centre: float
    u_centre: float


@dataclass(frozen=True)
class KeptWeld:
    """The version of a weld that holds: its row of the table, and the names of its sections.

    ``outdated``: a section of it was measured anew or corrected since, so that the diameter may no longer follow from
    them.
    """

    row: Mapping[str, Any]
    cuts: tuple[Name, ...]
    outdated: bool

    @property
    def name(self) -> Name:
        """What names the weld where a section's name would stand."""
        return Name(self.row["supplier"], self.row["lot"], f"{WELD}{self.row['weld']}")

    @property
    def status(self) -> Status:
        """Status of the diameter as it stands: nobody vouches for an outdated one."""
        own: Status = self.row["status"]
        return "needs_review" if self.outdated and own == "measured" else own


def keep_welds(store: Store, run: Run, found: Sequence[SerialWeld]) -> int:
    """Keep the diameters of a run's welds; return how many were new or other than before.

    A diameter that could not be measured never takes the place of one that was.
    """
    if not found:
        return 0
    with store.writing() as connection:
        return sum(_keep(connection, run, weld) for weld in found)


def _keep(connection: Connection, run: Run, weld: SerialWeld) -> bool:
    first = weld.sections[0]
    name = {"supplier": first.supplier, "lot": first.lot, "weld": weld.weld}
    lock(connection, f"weld {name}")
    made = encode.measurement_row(weld.diameter)
    row = {column: made[column] for column in made if column in welds.c} | {
        **name,
        "line": first.extra.get("line", ""),
        "made_on": first.made_on,
        "cuts": encode.to_json([_cut(connection, name_of(row)) for row in weld.sections]),
        "note": weld.note,
        "centre": encode.number(weld.centre),
        "u_centre": encode.number(weld.u_centre),
    }
    row["digest"] = encode.digest(row)
    same = [welds.c[part] == value for part, value in name.items()]
    before = connection.execute(select(welds).where(*same).order_by(welds.c.version.desc()).limit(1)).first()
    if before and (before.digest == row["digest"] or (before.value is not None and row["value"] is None)):
        return False
    at, version = now(), before.version + 1 if before else 1
    connection.execute(insert(welds), {**row, "run_id": run.id, "version": version, "at": at})
    detail: dict[str, Any] = {**name, "version": version}
    append(connection, "weld kept", at=at, who=run.who, run_id=run.id, **detail)
    return True


def _cut(connection: Connection, name: Name) -> list[Any]:
    """Return [section, version that holds, number of its corrections]."""
    versions, given = (
        connection.execute(select(of).where(*(table.c[part] == value for part, value in vars(name).items())))
        for table, of in (
            (sections, func.max(sections.c.version)),
            (corrections, func.count(corrections.c.id)),
        )
    )
    return [name.section, versions.scalar(), given.scalar()]


def welds_holding(connection: Connection) -> tuple[KeptWeld, ...]:
    """Return the welds of a store as they stand, in the order they were kept."""
    held = connection.execute(
        select(welds).where(~exists().where(*_SUPERSEDES)).order_by(welds.c.id)
    ).mappings().all()  # fmt: skip
    if not held:
        return ()
    now_holds, corrected = _standing(connection)
    return tuple(_kept(row, now_holds, corrected) for row in held)


def _kept(row: Mapping[Any, Any], now_holds: Mapping[Name, int], corrected: Mapping[Name, int]) -> KeptWeld:
    cuts = json.loads(row["cuts"])
    names = tuple(Name(row["supplier"], row["lot"], section) for section, *_ in cuts)
    rested_on = [(version, given) for _, version, given in cuts]
    return KeptWeld(
        dict(row), names, rested_on != [(now_holds.get(name), corrected.get(name, 0)) for name in names]
    )


def _standing(connection: Connection) -> tuple[dict[Name, int], dict[Name, int]]:
    """Return the version that holds, and the number of corrections, of each section of the welds' lots."""
    found = []
    for table, of in ((sections, func.max(sections.c.version)), (corrections, func.count(corrections.c.id))):
        name = [table.c[part] for part in ("supplier", "lot", "section")]
        of_weld = exists().where(welds.c.supplier == table.c.supplier, welds.c.lot == table.c.lot)
        rows = connection.execute(select(*name, of).where(of_weld).group_by(*name))
        found.append({Name(*row[:3]): int(row[3]) for row in rows})
    return found[0], found[1]
