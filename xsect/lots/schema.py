"""Schema of the record store: what is kept of every run, section, measurement, verdict and correction.

Rows are only ever added. A section that is measured anew gets a further version; the one with the highest version
holds. Text is never NULL ("" where there is none), numbers are NULL where there is none; lengths are µm, areas
µm², fractions 0 to 1; times are UTC as ISO 8601 text, since SQLite has no type for them. The tables are made by
the revisions in ``migrations/``; a test holds this module and them together.
"""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import (
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)  # fmt: skip

VERSION_TABLE: Final = "xsect_schema"
"""Holds the revision of the schema; its presence tells a record store from any other database."""

REVISION: Final = "0004"
"""The newest revision: what this module describes. Revisions are numbered in order."""

METADATA: Final = MetaData()


def _text(name: str, **more: Any) -> Column[str]:
    return Column(name, Text, nullable=False, **more)


def _number(name: str) -> Column[float]:
    return Column(name, Float(53), nullable=True)


def _id() -> Column[int]:
    return Column("id", Integer, primary_key=True)


runs: Final = Table(
    "runs", METADATA,
    _id(),
    _text("at"), _text("who"),
    _text("sheet"), _text("sheet_sha256"),
    _text("criteria_sha256"),
    _text("tool"), _text("python"), _text("libraries"), _text("settings"),
    sqlite_autoincrement=True,
)  # fmt: skip
"""One run of the main job. ``libraries`` and ``settings`` are JSON objects."""

criteria: Final = Table(
    "criteria", METADATA, _text("sha256", primary_key=True), _text("name"), _text("content")
)
"""Criteria files as they were, so that corrected values can be judged by the clauses of their time."""

calibrations: Final = Table(
    "calibrations", METADATA, _text("sha256", primary_key=True), _text("name"), _text("content")
)
"""Calibration records as they were when they were used."""

sections: Final = Table(
    "sections", METADATA,
    _id(),
    Column("run_id", Integer, ForeignKey("runs.id"), nullable=False),
    _text("supplier"), _text("lot"), _text("section"),
    Column("version", Integer, nullable=False),
    _text("at"), _text("line"), _text("made_on"), _text("cut_on"), _text("weld_type"),
    _text("image"), _text("image_sha256"),
    Column("image_rows", Integer, nullable=False), Column("image_columns", Integer, nullable=False),
    _text("calibration_sha256"),
    _text("status"), _text("verdict"),
    _text("row"), _text("scale"), _text("findings"), _text("figures"),
    _text("key"), _text("digest"),
    UniqueConstraint("supplier", "lot", "section", "version", name="sections_version"),
    sqlite_autoincrement=True,
)  # fmt: skip
"""One version of one section. ``row``, ``scale``, ``findings``, ``figures`` are JSON; ``line`` is the lot
sheet's column of that name; ``key`` is the hash of all that the result depends on, ``digest`` that of the result."""

measurements: Final = Table(
    "measurements", METADATA,
    Column("section_id", Integer, ForeignKey("sections.id"), primary_key=True),
    Column("place", Integer, primary_key=True, autoincrement=False),
    _text("quantity"), Column("segment", Integer, nullable=True), _text("status"),
    _number("value"), _number("u"), _number("u_scale"), _number("low"), _number("high"),
    _text("word"), _text("note"), _text("method"), _text("budget"), _number("dof"),
)  # fmt: skip
"""``place`` counts a section's rows from 0; ``budget`` is a JSON list of [name, standard uncertainty, its degrees of
freedom], the last left out where they are infinite; ``u_scale`` is its part from the scale, which all sections of one
calibration share, ``dof`` the effective degrees of freedom of ``u``, NULL where infinite."""

Index(
    "measurements_by_quantity",
    *(
        measurements.c[name]
        for name in ("quantity", "segment", "section_id", "status", "value", "u", "u_scale")
    ),
)

verdicts: Final = Table(
    "verdicts", METADATA,
    Column("section_id", Integer, ForeignKey("sections.id"), primary_key=True),
    Column("place", Integer, primary_key=True, autoincrement=False),
    _text("clause"), _text("quantity"), Column("segment", Integer, nullable=True), _text("limit_text"),
    _number("at_least"), _number("at_most"), _number("value"), _number("u"), _number("low"), _number("high"),
    _text("word"), _text("verdict"), _text("severity"), _text("reason"), _number("conformance_probability"),
)  # fmt: skip

Index(
    "verdicts_by_quantity", *(verdicts.c[name] for name in ("quantity", "segment", "section_id", "verdict"))
)

welds: Final = Table(
    "welds", METADATA,
    _id(),
    Column("run_id", Integer, ForeignKey("runs.id"), nullable=False),
    _text("supplier"), _text("lot"), _text("weld"),
    Column("version", Integer, nullable=False),
    _text("at"), _text("line"), _text("made_on"), _text("cuts"),
    _text("status"), *map(_number, ("value", "u", "u_scale", "low", "high")),
    _text("note"), _text("method"), _text("budget"), _number("centre"), _number("u_centre"), _text("digest"),
    _number("dof"),
    UniqueConstraint("supplier", "lot", "weld", "version", name="welds_version"),
    sqlite_autoincrement=True,
)  # fmt: skip
"""One version of one weld cut in series: its weld_diameter from all its sections as they stood. ``cuts`` is a JSON list
of [section, its version, how many corrections it had]; ``centre`` lies in µm from the sections' common face."""

corrections: Final = Table(
    "corrections", METADATA,
    _id(),
    _text("at"), _text("who"), _text("why"),
    _text("supplier"), _text("lot"), _text("section"), _text("image_sha256"), _text("criteria_sha256"),
    _text("kind"), _text("quantity"), Column("segment", Integer, nullable=True),
    _number("value"), _number("u"), _text("word"),
    sqlite_autoincrement=True,
)  # fmt: skip
"""What a person set: ``kind`` is "value" (``value`` and ``u``, or ``word``), "decision" (``word``) or "withdrawn"
(what was set before for the same quantity, or the decision where ``quantity`` is "", no longer holds)."""

Index("corrections_by_section", *(corrections.c[name] for name in ("supplier", "lot", "section")))

events: Final = Table(
    "events", METADATA,
    _id(),
    _text("at"), _text("who"), _text("what"), _text("why"),
    Column("run_id", Integer, nullable=True), Column("section_id", Integer, nullable=True), _text("detail"),
    sqlite_autoincrement=True,
)  # fmt: skip
"""Every change, in order. ``detail`` is a JSON object."""

pictures: Final = Table(
    "audit_pictures", METADATA,
    _text("sha256", primary_key=True),
    *map(_text, ("supplier", "lot", "section", "specimen")),
    *(Column(name, Integer, nullable=False) for name in ("rows", "columns")),
    *(Column(name, LargeBinary, nullable=False) for name in ("points", "codes", "mirrored", "small")),
)  # fmt: skip
"""What of a picture survives a crop, a mirror or another tone, for audits to look for it in later packages, and a
reduced grey copy. ``points``: (k, 4) little-endian float32; ``codes`` and ``mirrored``: (k, 16) bytes; ``small``: a
JPEG file. Made anew from the pictures at any time, so no part of an export."""

TABLES: Final = (runs, criteria, calibrations, sections, measurements, verdicts, welds, corrections, events)
"""The tables of the record, each after those that it refers to."""
