"""The first tables: runs, sections, measurements, verdicts, corrections, events, and the files they rest on."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def _text(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _numbers(*names: str) -> list[sa.Column[float]]:
    return [sa.Column(name, sa.Float(53), nullable=True) for name in names]


def _id() -> sa.Column[int]:
    return sa.Column("id", sa.Integer, primary_key=True)


def _of_section() -> list[sa.Column[int]]:
    return [
        sa.Column("section_id", sa.Integer, sa.ForeignKey("sections.id"), primary_key=True),
        sa.Column("place", sa.Integer, primary_key=True, autoincrement=False),
    ]


def _segment() -> sa.Column[int]:
    return sa.Column("segment", sa.Integer, nullable=True)


def upgrade() -> None:
    """Make the tables of an empty database."""
    op.create_table(
        "runs",
        _id(),
        *_text("at", "who", "sheet", "sheet_sha256", "criteria_sha256"),
        *_text("tool", "python", "libraries", "settings"),
        sqlite_autoincrement=True,
    )
    for name in ("criteria", "calibrations"):
        op.create_table(
            name, sa.Column("sha256", sa.Text, primary_key=True, nullable=False), *_text("name", "content")
        )
    op.create_table(
        "sections",
        _id(),
        sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id"), nullable=False),
        *_text("supplier", "lot", "section"),
        sa.Column("version", sa.Integer, nullable=False),
        *_text("at", "line", "made_on", "cut_on", "weld_type", "image", "image_sha256"),
        sa.Column("image_rows", sa.Integer, nullable=False),
        sa.Column("image_columns", sa.Integer, nullable=False),
        *_text("calibration_sha256", "status", "verdict", "row", "scale", "findings", "figures"),
        *_text("key", "digest"),
        sa.UniqueConstraint("supplier", "lot", "section", "version", name="sections_version"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "measurements",
        *_of_section(),
        *_text("quantity"),
        _segment(),
        *_text("status"),
        *_numbers("value", "u", "u_scale", "low", "high"),
        *_text("word", "note", "method", "budget"),
    )
    op.create_table(
        "verdicts",
        *_of_section(),
        *_text("clause", "quantity"),
        _segment(),
        *_text("limit_text"),
        *_numbers("at_least", "at_most", "value", "u", "low", "high"),
        *_text("word", "verdict", "severity", "reason"),
        *_numbers("conformance_probability"),
    )
    op.create_table(
        "corrections",
        _id(),
        *_text("at", "who", "why", "supplier", "lot", "section", "image_sha256", "criteria_sha256"),
        *_text("kind", "quantity"),
        _segment(),
        *_numbers("value", "u"),
        *_text("word"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "events",
        _id(),
        *_text("at", "who", "what", "why"),
        sa.Column("run_id", sa.Integer, nullable=True),
        sa.Column("section_id", sa.Integer, nullable=True),
        *_text("detail"),
        sqlite_autoincrement=True,
    )
