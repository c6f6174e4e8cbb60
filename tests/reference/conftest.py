"""Loader of the reference tables: CSV files whose first lines, marked #, name their source."""

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

DATA = Path(__file__).parent / "data"


def read_table(name: str) -> list[dict[str, float]]:
    lines = (DATA / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    if not lines[0].startswith("# "):
        raise ValueError(f"{name}.csv: the first line must be a comment that names the source")
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [{key: float(value) for key, value in row.items()} for row in rows]


@pytest.fixture(scope="session")
def table() -> Callable[[str], list[dict[str, float]]]:
    return read_table
