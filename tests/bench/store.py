"""The store's bench: how fast sections go in and a trend comes out, and what killed runs leave behind.

python -m tests.bench.store --sections 100000 --kills 200
python -m tests.bench.store --sections 100000 --server      (a PostgreSQL server of its own)
"""

from __future__ import annotations

import dataclasses
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click
import numpy as np
from sqlalchemy import Insert, Table, insert, select

from tests.lots.conftest import run_of
from tests.lots.kills import kill_one, left_behind
from tests.lots.postgres import server
from xsect.lots import overview, schema
from xsect.lots.database import open_store
from xsect.lots.sources import read_rows
from xsect.lots.store import end_run, keep
from xsect.lots.trend import TrendPlan, make_trend
from xsect.quantities import QUANTITIES, Component, measured, not_measured, word
from xsect.record import SectionRecord

LOT_SIZE = 50


def made_up(number: int, rng: np.random.Generator) -> SectionRecord:
    """A section of the size that the main job makes: every quantity of the whole section, and of one segment."""
    from tests.lots.conftest import record

    measurements = []
    for segment in (None, 1):
        for quantity in QUANTITIES.values():
            if segment and not quantity.per_segment:
                continue
            if quantity.unit == "word":
                measurements.append(word(quantity.name, "solid_state", segment=segment))
            elif len(measurements) % 3 == 2:
                why = "a nugget is not looked for by this version"
                measurements.append(not_measured(quantity.name, why, segment=segment))
            else:
                scale = 1.0 if quantity.unit == "fraction" else 1000.0
                budget = tuple(
                    Component(name, float(part))
                    for name, part in zip(
                        ("notches", "analysis", "scale"), rng.uniform(0.001, 0.01, 3), strict=True
                    )
                )
                value = float(scale * rng.uniform(0.4, 0.9))
                method = "hinge fitted to the photometric opening"
                measurements.append(measured(quantity.name, value, budget, segment=segment, method=method))
    base = record(f"S{number % LOT_SIZE}")
    day = np.datetime64("2020-01-01") + number // LOT_SIZE
    row = dataclasses.replace(base.row, lot=f"L{number // LOT_SIZE}", made_on=str(day), extra={"line": "2"})
    return dataclasses.replace(base, row=row, findings=(), measurements=tuple(measurements))


@contextmanager
def place(*, postgres: bool) -> Iterator[str]:
    """Yield where a store may be made: a file, or a database of a server started for it."""
    if not postgres:
        with tempfile.TemporaryDirectory() as folder:
            yield f"{folder}/bench.db"
        return
    import psycopg

    with server(on_disk=True) as url:
        with psycopg.connect(f"{url}/postgres", autocommit=True) as connection:
            connection.execute("CREATE DATABASE bench")
        yield f"{url}/bench"


def time_store(url: str, sections: int) -> None:
    """Fill a store, then read a trend of all lots in a fresh opening.

    The first sections go in a transaction each, as a run does it, against the clock; the database itself then
    copies them, under further lots, until there are enough.
    """
    rng = np.random.default_rng(1)
    first = [made_up(number, rng) for number in range(min(sections, 2_000))]
    with open_store(url, create=True) as store:
        run = run_of(store)
        began, busy = time.perf_counter(), time.process_time()
        for number, one in enumerate(first):
            keep(store, run, one, str(number))
        end_run(store, run)
        took, busy = time.perf_counter() - began, time.process_time() - busy
        rows = sum(len(one.measurements) for one in first)
        click.echo(
            f"in:  {len(first)} sections, {rows} measurement rows in {took:.1f} s: {rows / took:.0f} rows/s "
            f"({rows / busy:.0f} by this process's own time)"
        )
        with store.writing() as connection:
            for shift in range(len(first), sections, len(first)):
                for table in (schema.sections, schema.measurements, schema.verdicts):
                    connection.execute(_copy(table, shift))
    _tidy(url)
    began = time.perf_counter()
    with open_store(url):
        click.echo(f"out: opened in {time.perf_counter() - began:.2f} s")
    for quantity in ("bond_width", "bonded_length"):
        began, busy = time.perf_counter(), time.process_time()
        found = read_rows([url], quantity=quantity)
        took = time.perf_counter() - began
        make_trend(found, TrendPlan())
        whole, busy = time.perf_counter() - began, time.process_time() - busy
        click.echo(
            f"out: {quantity} of {len(found.rows)} sections in {took:.2f} s, {whole:.2f} s with the trend reckoned "
            f"({busy:.2f} s by this process's own time)"
        )
    with open_store(url) as store:
        began = time.perf_counter()
        lots = overview.lots_in(store)
        click.echo(f"out: overview of {len(lots)} lots in {time.perf_counter() - began:.2f} s")
    if "://" not in url:
        click.echo(f"     {Path(url).stat().st_size / 1e6:.0f} MB")


def _tidy(url: str) -> None:
    """Do at once what a PostgreSQL server does by itself within a minute of many rows added."""
    if "://" not in url:
        return
    import psycopg

    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("VACUUM ANALYZE")


def _copy(table: Table, shift: int) -> Insert:
    """Return what copies the first sections' rows of a table to ids and lots further on."""
    identity = "id" if table is schema.sections else "section_id"
    changed = {identity: table.c[identity] + shift}
    if table is schema.sections:
        changed["lot"] = table.c.lot + f"-{shift}"
    columns = [changed.get(column.name, column) for column in table.c]
    return insert(table).from_select(list(table.c), select(*columns).where(table.c[identity] <= 2_000))


def kill_runs(url: str, kills: int) -> None:
    """Kill writers at random moments, all on one store, and look at it after each."""
    rng, acknowledged, unsaid = np.random.default_rng(2), set[int](), 0
    for number in range(kills):
        acknowledged |= set(kill_one(url, 1000 * number, rng))
        beyond = left_behind(url, acknowledged)
        unsaid += len(beyond)
        acknowledged |= beyond
    click.echo(
        f"killed {kills} runs: {len(acknowledged)} sections, none acknowledged lost, all whole; "
        f"{unsaid} kept whose word did not get out"
    )


@click.command(help=__doc__)
@click.option("--sections", type=click.IntRange(0), default=10_000, show_default=True)
@click.option("--kills", type=click.IntRange(0), default=0, show_default=True)
@click.option("--server", "postgres", is_flag=True, help="On PostgreSQL instead of SQLite.")
def main(sections: int, kills: int, postgres: bool) -> None:
    """Run what was asked for."""
    if sections:
        with place(postgres=postgres) as url:
            time_store(url, sections)
    if kills:
        with place(postgres=postgres) as url:
            kill_runs(url, kills)


if __name__ == "__main__":
    main()
