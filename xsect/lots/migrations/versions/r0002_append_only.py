"""The database itself refuses to change or delete what is kept; indexes for trends and corrections."""

from __future__ import annotations

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

TABLES = ("runs", "criteria", "calibrations", "sections", "measurements", "verdicts", "corrections", "events")
RULE = "the record is append-only"


def upgrade() -> None:
    """Add triggers to all tables, and the indexes."""
    op.create_index(
        "measurements_by_quantity",
        "measurements",
        ["quantity", "segment", "section_id", "status", "value", "u", "u_scale"],
    )
    op.create_index("verdicts_by_quantity", "verdicts", ["quantity", "segment", "section_id", "verdict"])
    op.create_index("corrections_by_section", "corrections", ["supplier", "lot", "section"])
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION xsect_append_only() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{RULE}: table %, %', TG_TABLE_NAME, TG_OP; END $$"
        )
        for table in TABLES:
            op.execute(
                f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
                "FOR EACH STATEMENT EXECUTE FUNCTION xsect_append_only()"
            )
        return
    for table in TABLES:
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{RULE}: table {table}, {change}'); END"
            )
