"""Runs the revisions on the connection that ``open_store`` hands over, all of them in its one transaction."""

from __future__ import annotations

from alembic import context

from xsect.lots.schema import METADATA, VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    version_table=VERSION_TABLE,
    transactional_ddl=True,
)
context.run_migrations()
