"""Events of the record store: every change, appended with who, when and why."""

from __future__ import annotations

import datetime as dt
import getpass
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, insert, select

from xsect.lots.database import Store
from xsect.lots.encode import to_json
from xsect.lots.schema import events

KINDS: Final = {
    "measured": "a section was measured for the first time",
    "measured anew": "a further version of a section was measured and holds from now on",
    "superseded": "a version of a section no longer holds",
    "repeated": "measured again from the same inputs with the same result: nothing new to keep",
    "not measured again": "a later run could not use the row or its picture; the version on file still holds",
    "weld kept": "the diameter of a weld cut in series was kept, from its sections as they stand",
    "finished": "a run has kept all its sections",
    "corrected": "a person set a value",
    "decided": "a person decided on a section",
    "withdrawn": "a person took a correction or decision back",
    "pictures kept": "fingerprints of pictures were kept, for audits to look for them in later packages",
    "imported": "an export was added to the store",
}


@dataclass(frozen=True)
class Event:
    """One change. ``detail`` holds what is particular to its kind."""

    at: str
    who: str
    what: str
    why: str
    run_id: int | None
    section_id: int | None
    detail: Mapping[str, Any]


def append(
    connection: Connection,
    what: str,
    *,
    at: str,
    who: str,
    why: str = "",
    run_id: int | None = None,
    section_id: int | None = None,
    **detail: Any,
) -> None:
    """Append an event inside the caller's transaction, so that change and event are kept together."""
    assert what in KINDS
    connection.execute(
        insert(events),
        {
            "at": at,
            "who": who,
            "what": what,
            "why": why,
            "run_id": run_id,
            "section_id": section_id,
            "detail": to_json(detail),
        },
    )


def events_of(store: Store, section_ids: list[int]) -> tuple[Event, ...]:
    """Return the events of some section versions, in order."""
    with store.reading() as connection:
        found = connection.execute(
            select(events).where(events.c.section_id.in_(section_ids)).order_by(events.c.id)
        ).mappings()
        return tuple(
            Event(
                row["at"],
                row["who"],
                row["what"],
                row["why"],
                row["run_id"],
                row["section_id"],
                json.loads(row["detail"]),
            )
            for row in found
        )


def now() -> str:
    """Return the time in UTC as ISO 8601 text, to the second: "2026-03-31T14:05:09+00:00"."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")


def login() -> str:
    """Return the name that this process's user is logged in by, "unknown" where the system does not tell."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"
