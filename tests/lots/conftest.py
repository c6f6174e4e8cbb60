"""Stores to test with: SQLite files and databases of a PostgreSQL server; records made up to fill them."""

import dataclasses
import math
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from tests.lots import postgres
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.scale import Scale
from xsect.judge.decision import Verdict
from xsect.lots.database import Store, open_store
from xsect.lots.store import Run, begin_run
from xsect.quantities import Component, measured, not_measured, word
from xsect.reasons import Finding
from xsect.record import SectionRecord

_NAN = math.nan


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    with postgres.server() as url:
        yield url


@pytest.fixture
def new_postgres(postgres_server: str) -> Callable[[], str]:
    """Makes a fresh, empty database each time."""
    import psycopg

    numbers = count(1)

    def make() -> str:
        with psycopg.connect(f"{postgres_server}/postgres", autocommit=True) as connection:
            name = f"t{connection.info.backend_pid}_{next(numbers)}"
            connection.execute(f"CREATE DATABASE {name}")
        return f"{postgres_server}/{name}"

    return make


@pytest.fixture(params=["sqlite", "postgresql"])
def new_url(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[], str]:
    """Gives the file or URL of a store that is not there yet, another each time."""
    if request.param == "postgresql":
        return request.getfixturevalue("new_postgres")
    numbers = count(1)
    return lambda: str(tmp_path / f"store{next(numbers)}.db")


@pytest.fixture
def store(new_url: Callable[[], str]) -> Iterator[Store]:
    with open_store(new_url(), create=True) as opened:
        yield opened


def run_of(store: Store, who: str = "kb", **more: Any) -> Run:
    given = {"sheet": "lot.csv", "sheet_sha256": "0" * 64, "tool": "0.1.0", "python": "3.11"}
    return begin_run(
        store, who=who, libraries={"numpy": "2.0"}, settings={"today": "2026-05-04"}, **given, **more
    )


@pytest.fixture
def run(store: Store) -> Run:
    return run_of(store)


def record(section: str = "S1", width: float = 812.3456789012345, **changes: Any) -> SectionRecord:
    """A made-up section with two bond segments, all kinds of measurements, an odd name and odd numbers."""
    row = SheetRow(
        7, section, Path("a/s.png"), "s.png", lot="L-17", supplier="Nordwerk (made up)", made_on="2026-03-01",
        upper_thickness_um=800.0, stated={"bond_width": 800.5}, extra={"line": "=2+3", "Größe": "'µ\t<x>"},
    )  # fmt: skip
    half = 2 / 3
    made = SectionRecord(
        row,
        "ab" * 32,
        (300, 560),
        Scale(1.1, 1 / 3, 1e-3, "calibration record", "obj5 of 2026-03-02", "cd" * 32),
        (Finding("no_scale", {"detail": "none"}), Finding("not_plated")),
        (
            measured("bond_width", width, (Component("scale", 0.1, 17 / 3), Component("notches", half))),
            measured("bond_width", width / 2, (Component("scale", 1e-17),), segment=1),
            measured("bond_width", width / 2, (), segment=2, note="line one\nline two\r\n"),
            measured("bond_offset", -0.0, (Component("axis", 1 / 7),)),
            not_measured("collapse", "no projection height"),
            word("bond_kind", "solid_state"),
        ),
        (
            Verdict(
                "width", "bond_width", None, "at least 700 µm", 700.0, _NAN, width, half, width - 1, width + 1, "",
                "accept", "major", "it is", 0.99999,
            ),
        ),
        None,
        ("figures/row007-S1-marked.png",),
    )  # fmt: skip
    return dataclasses.replace(made, **changes)


def series(
    lot: str = "L-17", weld: str = "W1", diameter: float = 3000.0, **changes: Any
) -> list[SectionRecord]:
    """Five parallel cuts of one round weld whose centre lies 5,000 µm from the common face; no doubt in any."""
    made = []
    for number, aside in enumerate((-900.0, -400.0, 100.0, 500.0, 1000.0), 1):
        row = SheetRow(
            number + 1, f"{weld}-{number}", Path("s.png"), "s.png", lot=lot, supplier="Nordwerk (made up)", weld=weld,
            face_offset_um=5000 + aside, u_offset_um=8.0, made_on="2026-03-01", extra={"line": "2"},
        )  # fmt: skip
        chord = 2 * math.sqrt(diameter**2 / 4 - aside**2)
        found = (
            measured("bond_width", chord, (Component("notches", 5.0), Component("scale", 1e-3 * chord))),
            not_measured("weld_diameter", "the lot sheet gives no plane_offset_um"),
        )
        made.append(record(row=row, findings=(), measurements=found, verdicts=(), figures=(), **changes))
    return made
