"""Tables in files: whatever text and numbers a store may hold, each format gives them back to the last digit."""

import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from xsect.lots import table_files
from xsect.lots.table_files import Columns, Values

COLUMNS: Columns = (("words", "text"), ("count", "int"), ("value", "float"))
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=30) | st.sampled_from(
    [
        "",
        "'",
        "''x",
        "=1+1",
        "-",
        "_x0041_",
        "_x",
        " edges ",
        "\r",
        "a\r\nb\n",
        "\ttab",
        '"q", ;',
        "#N/A",
        "1.0",
        "\x00",
    ]
)
ROWS = st.lists(
    st.tuples(
        TEXTS,
        st.none() | st.integers(-(2**53), 2**53),
        st.none() | st.floats(allow_nan=False, allow_infinity=False).map(lambda value: value + 0.0),
    ),
    max_size=6,
)


def by_csv(folder: Path, rows: list[Values]) -> Iterator[Values]:
    table_files.csv_writer(folder)("t", COLUMNS, rows)
    return table_files.read_csv(folder, "t", COLUMNS)


def by_parquet(folder: Path, rows: list[Values]) -> Iterator[Values]:
    table_files.parquet_writer(folder)("t", COLUMNS, rows)
    return table_files.read_parquet(folder, "t", COLUMNS)


def by_xlsx(folder: Path, rows: list[Values]) -> Iterator[Values]:
    book = table_files.Workbook()
    book.write("t", COLUMNS, rows)
    book.save(folder / "t.xlsx")
    return table_files.read_xlsx(folder / "t.xlsx", "t", COLUMNS)


@pytest.mark.parametrize("way", [by_csv, by_parquet, by_xlsx])
@settings(max_examples=40, deadline=None, derandomize=True, database=None)
@given(rows=ROWS)
def test_every_row_comes_back(
    way: Callable[[Path, list[Values]], Iterator[Values]], rows: list[Values]
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        assert list(way(Path(folder), rows)) == rows
