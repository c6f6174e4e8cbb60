"""Degrees of freedom of each standard uncertainty; the pictures' fingerprints, guarded as the other tables are."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

RULE = "the record is append-only"
PICTURES = "audit_pictures"


def _columns() -> list[sa.Column[Any]]:
    return [
        sa.Column("sha256", sa.Text, primary_key=True, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("supplier", "lot", "section", "specimen")),
        *(sa.Column(name, sa.Integer, nullable=False) for name in ("rows", "columns")),
        *(
            sa.Column(name, sa.LargeBinary, nullable=False)
            for name in ("points", "codes", "mirrored", "small")
        ),
    ]


def upgrade() -> None:
    """Add the columns and the table; audits of earlier versions made the table by themselves, which then stays."""
    for table in ("measurements", "welds"):
        op.add_column(table, sa.Column("dof", sa.Float(53), nullable=True))
    bind = op.get_bind()
    if not sa.inspect(bind).has_table(PICTURES):
        op.create_table(PICTURES, *_columns())
    if bind.dialect.name == "postgresql":
        op.execute(
            f"CREATE TRIGGER {PICTURES}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {PICTURES} "
            "FOR EACH STATEMENT EXECUTE FUNCTION xsect_append_only()"
        )
        return
    for change in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER {PICTURES}_no_{change.lower()} BEFORE {change} ON {PICTURES} "
            f"BEGIN SELECT RAISE(ABORT, '{RULE}: table {PICTURES}, {change}'); END"
        )
