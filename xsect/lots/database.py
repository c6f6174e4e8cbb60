"""Database of the record store: an SQLite file or a PostgreSQL database, opened, checked and brought up to date.

SQLite runs in WAL mode. Every commit outlives the end of this program, however it ends. What people set, and the end
of a run, are synced to the disk as well and outlive a power cut; sections are not each, since waiting for the disk
takes longer than keeping them: a power cut may cost the last ones, never the store. Writers take the write lock at once
(BEGIN IMMEDIATE): a lock taken only at the first write is refused, without waiting, to all but one of several
writers. WAL needs a local disk: on a network share use PostgreSQL.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, SQLAlchemyError

from xsect.lots.schema import REVISION, TABLES, VERSION_TABLE

WAIT_S: Final = 10.0
"""How long to wait for another program that is writing."""

_ADVISORY_LOCK: Final = 0x78736563
"""Held while a PostgreSQL database is brought up to date, so that two programs do not do it at once."""
_SQLITE_HEADER: Final = b"SQLite format 3\0"


class StoreError(ValueError):
    """A record store that cannot be used, or that refuses a change; one line that names it."""


@dataclass(frozen=True)
class Store:
    """An open record store. ``name`` is its file or URL, without password, for messages."""

    engine: Engine
    name: str

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection that sees one state of the store throughout."""
        with self.said(), self.engine.connect() as plain:
            connection = plain.execution_options(reading=True)
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self, *, synced: bool = True) -> Iterator[Connection]:
        """Give a connection whose changes are kept all together at the end, or none of them.

        Not ``synced``: a power cut, or a crash of the database's server, may cost them until the next synced change.
        """
        with self.said(), self.engine.connect() as plain:
            connection = plain.execution_options(synced=synced)
            with connection.begin():
                yield connection

    @contextmanager
    def said(self) -> Iterator[None]:
        """Turn the database's errors into one line that names the store."""
        try:
            yield
        except (SQLAlchemyError, sqlite3.Error, UnicodeError) as error:
            raise StoreError(f"{self.name}: {_plain(error)}") from error

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()


@contextmanager
def open_store(where: str | Path, *, create: bool = False, wait_s: float = WAIT_S) -> Iterator[Store]:
    """Open a record store: a path (SQLite) or a URL ``postgresql://user@host/database``; bring its schema up to date.

    ``create`` makes the SQLite file where there is none, and the tables of an empty database. Raises StoreError where
    there is no store, the file or database is something else's, is made by a later version of xsect, or cannot be
    reached.
    """
    url = _url(str(where))
    name = (
        url.database or ""
        if url.drivername == "sqlite"
        else url.set(drivername="postgresql").render_as_string(hide_password=True)
    )
    if url.drivername == "sqlite":
        _check_file(Path(name), create=create)
    try:
        engine = create_engine(url, connect_args=_arguments(url, wait_s))
    except ImportError as error:
        raise StoreError(f"{name}: needs PostgreSQL's driver: pip install 'xsect[postgres]'") from error
    if url.drivername == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    else:
        event.listen(engine, "begin", _begin_postgresql)
    store = Store(engine, name)
    try:
        _bring_up_to_date(store, create=create)
        yield store
    finally:
        store.close()


def _url(where: str) -> URL:
    if "://" not in where:
        return URL.create("sqlite", database=where)
    try:
        url = make_url(where)
    except ArgumentError:
        raise StoreError(f"{where.partition(':')[0]}://…: not a valid URL") from None
    backend = url.get_backend_name()
    if backend == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if backend == "sqlite" and url.database:
        return URL.create("sqlite", database=url.database)
    raise StoreError(f"{backend}://…: a record store must be a file or postgresql://user@host/database")


def _arguments(url: URL, wait_s: float) -> dict[str, Any]:
    return {"timeout": wait_s} if url.drivername == "sqlite" else {"connect_timeout": max(2, round(wait_s))}


def _check_file(path: Path, *, create: bool) -> None:
    """Refuse what is no record store before anything is written to it."""
    if path.is_dir():
        raise StoreError(f"{path}: is a folder; a record store is a file or a URL")
    if not path.exists():
        if not create:
            raise StoreError(f"{path}: no such record store")
        if not path.parent.is_dir():
            raise StoreError(f"{path}: the folder {path.parent} does not exist")
        return
    try:
        with path.open("rb") as file:
            header = file.read(len(_SQLITE_HEADER))
    except OSError as error:
        raise StoreError(f"{path}: cannot be read: {error.strerror}") from None
    if header and header != _SQLITE_HEADER:
        raise StoreError(f"{path}: is not a record store (not an SQLite file)")


def _prepare_sqlite(connection: sqlite3.Connection, _: object) -> None:
    # The driver's own transactions begin late and leave out DDL: they are switched off, _begin_sqlite begins.
    connection.isolation_level = None
    connection.execute("PRAGMA foreign_keys = ON")


def _begin_sqlite(connection: Connection) -> None:
    given = connection.get_execution_options()
    if given.get("reading", False):
        connection.exec_driver_sql("BEGIN")
        return
    # a sync of the log at the commit also brings all commits before it to the disk
    connection.exec_driver_sql(f"PRAGMA synchronous = {'FULL' if given.get('synced', True) else 'NORMAL'}")
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _begin_postgresql(connection: Connection) -> None:
    given = connection.get_execution_options()
    if given.get("reading", False):
        # the default, 4 MB, has months of sections sorted on the disk
        connection.exec_driver_sql("SET LOCAL work_mem = '64MB'")
    elif not given.get("synced", True):
        connection.exec_driver_sql("SET LOCAL synchronous_commit = off")


def _bring_up_to_date(store: Store, *, create: bool) -> None:
    """Make the tables of an empty database, move older ones up; refuse foreign and newer ones."""
    with store.reading() as connection:
        if _revision(store, connection, create=create) == REVISION:
            return
    if store.engine.dialect.name == "sqlite":
        with store.said(), store.engine.connect() as plain:
            # cannot change inside a transaction; stays set in the file
            plain.connection.driver_connection.execute("PRAGMA journal_mode = WAL")  # type: ignore[union-attr]
    with store.writing() as connection:
        if store.engine.dialect.name == "postgresql":
            connection.execute(text(f"SELECT pg_advisory_xact_lock({_ADVISORY_LOCK})"))
        if _revision(store, connection, create=create) != REVISION:
            upgrade(connection)


def _revision(store: Store, connection: Connection, *, create: bool) -> str:
    """Return the schema's revision, "" for an empty database; refuse what is not ours."""
    found = set(inspect(connection).get_table_names())
    if VERSION_TABLE not in found:
        foreign = found if connection.dialect.name == "sqlite" else found & {table.name for table in TABLES}
        if foreign:
            raise StoreError(
                f"{store.name}: is not a record store: holds the table {min(foreign)} of another program"
            )
        if not create:
            raise StoreError(f"{store.name}: no such record store (the database is empty)")
        return ""
    revision = str(connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar() or "")
    if revision > REVISION:
        raise StoreError(
            f"{store.name}: schema {revision} was made by a later version of xsect; this one knows up to {REVISION}"
        )
    return revision


def upgrade(connection: Connection, revision: str = "head") -> None:
    """Move the schema up to a revision, on a connection that is already in a transaction."""
    from alembic import command

    config = _config()
    config.attributes["connection"] = connection
    command.upgrade(config, revision)


def _config() -> Any:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "xsect.lots:migrations")
    return config


def _plain(error: BaseException) -> str:
    """Return what a database's error means, on one line."""
    said = str(getattr(error, "orig", None) or error).strip()
    line = said.splitlines()[0] if said else type(error).__name__
    for sign, meaning in _MEANINGS:
        if sign in line:
            return meaning
    return line


_MEANINGS: Final = (
    ("database is locked", "in use by another program that does not let go"),
    ("database or disk is full", "the disk is full; what was kept before is safe"),
    ("readonly database", "cannot be written: the file or its folder is read-only"),
    ("unable to open database file", "cannot be opened or made: check the folder and its permissions"),
    ("file is not a database", "is not a record store (not an SQLite file)"),
    ("malformed", "the file is damaged; restore it from a copy or an export"),
    ("disk I/O error", "the disk reports an error, or is full; what was kept before is safe"),
)
