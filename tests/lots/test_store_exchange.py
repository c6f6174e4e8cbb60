"""Export and import: every table comes back row for row, in each format and from one database to the other."""

import csv
import hashlib
from collections.abc import Callable, Iterator
from pathlib import Path

import openpyxl
import pytest

from tests.lots.conftest import record, run_of
from xsect.lots import exchange, overview, table_files
from xsect.lots.corrections import corrections_of, decide, set_value
from xsect.lots.database import Store, StoreError, open_store
from xsect.lots.events import events_of
from xsect.lots.schema import REVISION, TABLES
from xsect.lots.standing import STANDING_COLUMNS
from xsect.lots.store import Name, find, history, keep, name_of

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
        (whole + b"1,2\n", r"measurements.csv: row 26: must have 15 cells, has 2"),
    ):  # fmt: skip
        path.write_bytes(changed)
        with open_store(tmp_path / "back.db", create=True) as back:
            with pytest.raises(StoreError, match=line):
                exchange.import_store(back, tmp_path / "export", who="ml")
            assert not any(tables(back).values())


def test_imports_that_cannot_be(filled: Store, tmp_path: Path) -> None:
    exchange.export_store(filled, tmp_path / "export", "csv")
    with open_store(tmp_path / "back.db", create=True) as back:
        with pytest.raises(StoreError, match="nowhere: no such file or folder"):
            exchange.import_store(back, tmp_path / "nowhere", who="ml")
        with pytest.raises(StoreError, match="is not an export of a record store"):
            exchange.import_store(back, tmp_path, who="ml")
        contents = tmp_path / "export" / "contents.csv"
        contents.write_text(
            contents.read_text(encoding="utf-8").replace(f'"{REVISION}"', '"0009"'), encoding="utf-8"
        )
        with pytest.raises(StoreError, match=f"holds schema 0009, this version of xsect reads {REVISION}"):
            exchange.import_store(back, tmp_path / "export", who="ml")


def added(counts: dict[str, tuple[int, int]], place: int = 0) -> dict[str, int]:
    return {name: both[place] for name, both in counts.items() if both[place]}


def test_an_import_again_adds_nothing(filled: Store, tmp_path: Path) -> None:
    exchange.export_store(filled, tmp_path / "export", "csv")
    before = tables(filled)
    counts = exchange.import_store(filled, tmp_path / "export", who="ml")
    assert added(counts) == {}
    assert added(counts, 1) == {name: len(rows) for name, rows in before.items() if rows}
    assert tables(filled) == before


def test_two_stores_become_one(store: Store, tmp_path: Path) -> None:
    """A store goes on after a copy of it was taken, the copy's holder measured other lots: both are wanted."""
    fill(store)
    exchange.export_store(store, tmp_path / "first", "csv")
    with open_store(tmp_path / "other.db", create=True) as other:
        keep(other, run_of(other, who="site 2"), record("T1", width=3.0), "k")
        assert added(exchange.import_store(other, tmp_path / "first", who="ml"))["sections"] == 4
        assert overview.check(other) == ()
        later = run_of(store, who="later")
        keep(store, later, record(width=7.0), "k7")
        decide(store, NAME, "accept", who="kb", why="seen again")
        exchange.export_store(store, tmp_path / "second", "csv")
        counts = exchange.import_store(other, tmp_path / "second", who="ml")
        assert added(counts) == {
            "runs": 1, "sections": 1, "measurements": 6, "verdicts": 1, "corrections": 1, "events": 3,
        }  # fmt: skip
        assert overview.check(other) == ()
        both = [one.section for line in overview.lots_in(other) for one in names_in(other, line.lot)]
        assert sorted(both) == ["=S2", "S1", "T1"]
        here, there = (history(one, NAME) for one in (store, other))
        assert [one.record.measurements[0].value for one in there] == [7.0, 1e-17, 2 / 3, 1 / 3]
        assert [(one.version, one.key, one.at) for one in there] == [(o.version, o.key, o.at) for o in here]
        told = [
            [(one.what, one.who, one.why) for one in events_of(held, [version.id for version in versions])]
            for held, versions in ((store, here), (other, there))
        ]
        assert told[0] == told[1]
        (superseded,) = [one for one in events_of(other, [there[1].id]) if one.what == "superseded"]
        assert superseded.detail["by"] == there[0].id
        assert corrections_of(other, NAME) == corrections_of(store, NAME)
        assert keep(other, run_of(other), record(width=8.0), "k8") == "measured anew"


def names_in(store: Store, lot: str) -> list[Name]:
    return [line.name for line in overview.sections_in(store, lot)]


def test_another_record_of_the_same_name_is_refused(filled: Store, tmp_path: Path) -> None:
    exchange.export_store(filled, tmp_path / "export", "csv")
    name = "supplier Nordwerk .made up., lot L-17, section S1"
    with open_store(tmp_path / "other.db", create=True) as other:
        keep(other, run_of(other), record(width=3.0), "k")
        before = tables(other)
        with pytest.raises(
            StoreError, match=rf"^.*other.db: {name}: its version 1 of .*; nothing was imported$"
        ):
            exchange.import_store(other, tmp_path / "export", who="ml")
        assert tables(other) == before


def test_another_correction_of_the_same_value_is_refused(filled: Store, tmp_path: Path) -> None:
    exchange.export_store(filled, tmp_path / "export", "csv")
    with open_store(tmp_path / "other.db", create=True) as other:
        exchange.import_store(other, tmp_path / "export", who="ml")
        set_value(other, NAME, "bond_width", "2", u=1, who="ml", why="mine")
        set_value(filled, NAME, "bond_width", "3", u=1, who="kb", why="yours")
        exchange.export_store(filled, tmp_path / "later", "csv")
        before = tables(other)
        with pytest.raises(
            StoreError, match=r"section S1: bond_width: its correction of .* by ml is another than"
        ):
            exchange.import_store(other, tmp_path / "later", who="ml")
        assert tables(other) == before


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
