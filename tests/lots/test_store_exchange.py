"""Export and import: every table comes back row for row, in each format and from one database to the other."""

import csv
import hashlib
from collections.abc import Callable, Iterator
from pathlib import Path

import openpyxl
import pytest

from tests.lots.conftest import record, run_of
from xsect.lots import exchange, overview, table_files
from xsect.lots.corrections import decide, set_value
from xsect.lots.database import Store, StoreError, open_store
from xsect.lots.events import events_of
from xsect.lots.schema import TABLES
from xsect.lots.standing import STANDING_COLUMNS
from xsect.lots.store import find, keep, name_of

NAME = name_of(record().row)
FORMATS = [("csv", "export"), ("parquet", "export"), ("xlsx", "export.xlsx")]

CRITERIA = """\
name = "µ, «quoted»"\r
weld_type = "solid_state"
source = "none"
[[clause]]
id = "width"
quantity = "bond_width"
at_least = { um = 700 }
"""


def tables(store: Store) -> dict[str, list[tuple[object, ...]]]:
    with store.reading() as connection:
        return {
            table.name: [tuple(row) for row in connection.execute(exchange._in_order(table))]
            for table in TABLES
        }


def fill(store: Store) -> None:
    run = run_of(store, criteria_file=(hashlib.sha256(CRITERIA.encode()).hexdigest(), "c.toml", CRITERIA))
    for number, width in enumerate((1 / 3, 2 / 3, 1e-17)):
        calibration = ("obj5", "'=1+1\n\ttab _x0041_ \x07")
        keep(store, run, record(width=width), f"k{number}", calibration=calibration)
    keep(store, run, record("=S2", image_sha256="12" * 32), "k")
    set_value(store, NAME, "bond_width", "0.1234567890123456789", u=1 / 3, who="@kb", why="'by hand'")
    set_value(store, NAME, "bond_kind", "none", who="kb", why="-")
    decide(store, NAME, "reject", who="kb", why="+1 from ml, _x000D_ and \ufffe")


@pytest.fixture
def filled(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "filled.db", create=True) as store:
        fill(store)
        yield store


@pytest.mark.parametrize(("form", "name"), FORMATS)
def test_a_store_comes_back_row_for_row(filled: Store, tmp_path: Path, form, name) -> None:
    before = tables(filled)
    counts = exchange.export_store(filled, tmp_path / name, form)
    with open_store(tmp_path / "back.db", create=True) as back:
        exchange.import_store(back, tmp_path / name, who="ml", why="moved")
        after = tables(back)
        *events, imported = after["events"]
        assert imported[2:5] == ("ml", "imported", "moved")
        assert after | {"events": events} == before
        assert {name: len(rows) for name, rows in before.items()} | {"as_it_stands": 12} == counts
        assert overview.check(back) == ()


def test_a_store_moves_to_postgresql_and_goes_on(
    filled: Store, tmp_path: Path, new_postgres: Callable[[], str]
) -> None:
    exchange.export_store(filled, tmp_path / "export", "csv")
    with open_store(new_postgres(), create=True) as back:
        exchange.import_store(back, tmp_path / "export", who="ml")
        assert {name: rows for name, rows in tables(back).items() if name != "events"} == {
            name: rows for name, rows in tables(filled).items() if name != "events"
        }
        assert overview.check(back) == ()
        run = run_of(back)  # ids go on after the imported ones
        assert keep(back, run, record(width=5.0), "k9") == "measured anew"
        exchange.export_store(back, tmp_path / "again.xlsx", "xlsx")
    with open_store(tmp_path / "again.db", create=True) as again:
        exchange.import_store(again, tmp_path / "again.xlsx", who="ml")
        found = find(again, NAME)
        assert found is not None
        assert (found.version, found.record.measurements[0].value) == (4, 5.0)
        assert len(events_of(again, [found.id])) == 1


def test_as_it_stands_shows_corrections_beside_what_was_measured(filled: Store, tmp_path: Path) -> None:
    exchange.export_store(filled, tmp_path / "export", "csv")
    with (tmp_path / "export" / "as_it_stands.csv").open(encoding="utf-8", newline="") as file:
        rows = {(row["section"], row["quantity"], row["segment"]): row for row in csv.DictReader(file)}
    width = rows["S1", "bond_width", ""]
    assert (width["value"], width["measured_value"], width["unit"]) == ("0.12345678901234568", "1e-17", "um")
    assert (width["corrected_by"], width["why"], width["version"]) == ("'@kb", "''by hand'", "3")
    assert (width["verdict"], width["decided_by"]) == ("reject", "kb")
    kind = rows["S1", "bond_kind", ""]
    assert (kind["word"], kind["measured_word"]) == ("none", "solid_state")
    other = rows["'=S2", "bond_width", ""]
    assert (other["corrected_by"], other["decided_by"], other["verdict"]) == ("", "", "accept")
    # the made-up record has a reason to be put aside, so nothing in it is vouched for
    assert (other["status"], rows["S1", "collapse", ""]["status"]) == ("not_measured", "not_measured")


def test_a_changed_export_is_refused(filled: Store, tmp_path: Path) -> None:
    exchange.export_store(filled, tmp_path / "export", "csv")
    path = tmp_path / "export" / "measurements.csv"
    whole = path.read_bytes()
    for changed, line in (
        (whole.replace(b",0.6666666666666666,", b",0.66,", 1), "table measurements was changed after the export"),
        (whole[: whole.rindex(b"\n", 0, -1) + 1], r"\(23 rows, 24 exported\)"),
        (whole.replace(b",0.6666666666666666,", b",abc,", 1), r"row 8, value = abc: must be a number"),
        (whole.replace(b'"place"', b'"spot"', 1), "measurements.csv: row 1: the columns are not those of an export"),
        (whole + b"1,2\n", r"measurements.csv: row 26: must have 14 cells, has 2"),
    ):  # fmt: skip
        path.write_bytes(changed)
        with open_store(tmp_path / "back.db", create=True) as back:
            with pytest.raises(StoreError, match=line):
                exchange.import_store(back, tmp_path / "export", who="ml")
            assert not any(tables(back).values())


def test_imports_that_cannot_be(filled: Store, tmp_path: Path) -> None:
    exchange.export_store(filled, tmp_path / "export", "csv")
    with pytest.raises(StoreError, match=r"filled.db: holds runs already; an import needs an empty store"):
        exchange.import_store(filled, tmp_path / "export", who="ml")
    with open_store(tmp_path / "back.db", create=True) as back:
        with pytest.raises(StoreError, match="nowhere: no such file or folder"):
            exchange.import_store(back, tmp_path / "nowhere", who="ml")
        with pytest.raises(StoreError, match="is not an export of a record store"):
            exchange.import_store(back, tmp_path, who="ml")
        contents = tmp_path / "export" / "contents.csv"
        contents.write_text(
            contents.read_text(encoding="utf-8").replace('"0002"', '"0009"'), encoding="utf-8"
        )
        with pytest.raises(StoreError, match="holds schema 0009, this version of xsect reads 0002"):
            exchange.import_store(back, tmp_path / "export", who="ml")


def test_exports_overwrite_nothing_and_leave_nothing_half_done(
    filled: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "there").mkdir()
    with pytest.raises(StoreError, match="there: is there already"):
        exchange.export_store(filled, tmp_path / "there", "csv")
    monkeypatch.setattr(table_files, "XLSX_ROWS", 10)
    with pytest.raises(StoreError, match=r"measurements: has more rows than the 10 of a sheet: use csv"):
        exchange.export_store(filled, tmp_path / "big.xlsx", "xlsx")
    monkeypatch.setattr(table_files, "XLSX_ROWS", 100)
    monkeypatch.setattr(table_files, "XLSX_CHARACTERS", 25)
    with pytest.raises(
        StoreError, match=r"runs: row 2, sheet_sha256: 64 characters, a cell of a workbook holds 25"
    ):
        exchange.export_store(filled, tmp_path / "big.xlsx", "xlsx")
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(StoreError, match=r"Parquet needs the library for it: pip install 'xsect\[parquet\]'"):
        exchange.export_store(filled, tmp_path / "p", "parquet")
    assert sorted(path.name for path in tmp_path.iterdir() if "db" not in path.name) == ["there"]


def test_text_is_never_run_as_a_formula(filled: Store, tmp_path: Path) -> None:
    exchange.export_store(filled, tmp_path / "export.xlsx", "xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "export.xlsx")["sections"]
    cells = [cell for row in sheet.iter_rows() for cell in row if cell.value == "=S2"]
    assert [(cell.data_type, cell.quotePrefix) for cell in cells] == [("s", True)]


def test_the_page_names_every_table_and_column_that_people_read() -> None:
    page = (Path(__file__).parents[2] / "docs" / "records.md").read_text(encoding="utf-8")
    names = [*(table.name for table in TABLES), *(name for name, _ in STANDING_COLUMNS), "contents"]
    assert [name for name in names if f"`{name}`" not in page] == []
