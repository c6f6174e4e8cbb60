"""Welds cut in series: the diameter from all sections of one weld."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

RULE = "the record is append-only"


def _text(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _numbers(*names: str) -> list[sa.Column[float]]:
    return [sa.Column(name, sa.Float(53), nullable=True) for name in names]


def upgrade() -> None:
    """Add the table, guarded as the others are."""
    op.create_table(
        "welds",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id"), nullable=False),
        *_text("supplier", "lot", "weld"),
        sa.Column("version", sa.Integer, nullable=False),
        *_text("at", "line", "made_on", "cuts", "status"),
        *_numbers("value", "u", "u_scale", "low", "high"),
        *_text("note", "method", "budget"),
        *_numbers("centre", "u_centre"),
        *_text("digest"),
        sa.UniqueConstraint("supplier", "lot", "weld", "version", name="welds_version"),
        sqlite_autoincrement=True,
    )
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE TRIGGER welds_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON welds "
            "FOR EACH STATEMENT EXECUTE FUNCTION xsect_append_only()"
        )
        return
    for change in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER welds_no_{change.lower()} BEFORE {change} ON welds "
            f"BEGIN SELECT RAISE(ABORT, '{RULE}: table welds, {change}'); END"
        )
