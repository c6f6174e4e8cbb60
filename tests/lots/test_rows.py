"""Rows: from tables, run folders and a store; order, statuses, what is refused."""

import dataclasses
import json
import math
from pathlib import Path

import pytest

from tests.lots.conftest import record, series
from xsect.commands.keeping import serial_welds
from xsect.lots.corrections import set_value
from xsect.lots.database import Store
from xsect.lots.rows import Row, RowsError, collect, parted, since, subgroups
from xsect.lots.sources import read_rows
from xsect.lots.store import Run, keep, name_of
from xsect.lots.welds import keep_welds

HEADER = "lot,section,segment,quantity,value,unit,u,low,high,status,note,method"
RUN = {
    "format": 1,
    "lot_sheet": {"file": "lot.csv", "sha256": ""},
    "sections": [
        {"lot": "C1", "section": "A", "scale": {"u_relative": 0.001}},
        {"lot": "C1", "section": "B", "scale": None},
    ],
}


def folder(at: Path, *, sheet: bool = True) -> Path:
    """A folder as xsect measure writes it, of two sections, A accepted by one clause and undecided by another."""
    import hashlib

    at.mkdir()
    (at / "measurements.csv").write_text(
        f"{HEADER}\nC1,A,,bond_width,900,um,5,890,910,measured,,\nC1,A,1,bond_width,450,um,4,442,458,measured,,\n"
        "C1,B,,bond_width,,um,,,,not_measured,no scale,\n"
    )
    (at / "verdicts.csv").write_text(
        "lot,section,clause,quantity,segment,limit,value,low,high,verdict,severity,reason\n"
        "C1,A,w1,bond_width,,l,900,890,910,accept,major,r\nC1,A,w2,bond_width,,l,900,890,910,undecided,major,r\n"
    )
    text = "section,image,lot,supplier,made_on,line\nA,a.png,C1,Nordmark (made up),2026-03-02,line 2\nB,b.png,C1,,,\n"
    (at / "lot.csv").write_text(text if sheet else text + "D,d.png,C1,,,\n")
    run = RUN | {"lot_sheet": {"file": "lot.csv", "sha256": hashlib.sha256(text.encode()).hexdigest()}}
    (at / "run.json").write_text(json.dumps(run))
    return at


def test_a_run_folder(tmp_path: Path) -> None:
    rows = read_rows([folder(tmp_path / "run")], quantity="bond_width")
    first, second = rows.rows
    assert (first.section, first.value, first.u, first.verdict) == ("A", 900.0, 5.0, "undecided")
    assert first.u_common == pytest.approx(0.9)  # 0.1 % of 900
    assert first.u_scatter == pytest.approx(math.sqrt(25 - 0.81))
    assert (first.supplier, first.line, first.made_on) == ("Nordmark (made up)", "line 2", "2026-03-02")
    assert not second.usable
    assert rows.usable == (first,)
    assert rows.notes == ("1 of 2 sections have made_on: the order is that of the sources and their rows",)
    assert read_rows([tmp_path / "run"], quantity="bond_width", segment=1).rows[0].value == 450.0


def test_a_sheet_that_is_another_now_is_not_used(tmp_path: Path) -> None:
    rows = read_rows([folder(tmp_path / "run", sheet=False)], quantity="bond_width")
    assert rows.rows[0].supplier == ""
    assert "the lot sheet of run is not at hand" in rows.notes[0]
    with pytest.raises(RowsError, match="no run folder was made from this lot sheet"):
        read_rows([tmp_path / "run"], quantity="bond_width", sheets=[tmp_path / "run" / "lot.csv"])


def test_a_store_gives_what_holds(store: Store, run: Run) -> None:
    keep(store, run, record(width=812.0), "k1")
    keep(store, run, record(width=807.5), "k2")
    where = store.engine.url.render_as_string(hide_password=False)
    rows = read_rows([where.removeprefix("sqlite:///")], quantity="bond_width")
    (row,) = rows.rows
    made = record(width=807.5)
    found = made.find("bond_width")
    assert found is not None
    assert (row.section, row.lot, row.supplier) == (made.row.section, made.row.lot, made.row.supplier)
    assert (row.value, row.u) == (found.value, found.u)
    assert row.u_common == pytest.approx(math.hypot(*(p.u for p in found.budget if p.name == "scale")))
    assert row.verdict == next(
        v.verdict for v in made.verdicts if v.quantity == "bond_width" and v.segment is None
    )


def rows_of(*values: float, **same: str) -> list[Row]:
    return [Row(f"S{i}", value, source="t.csv", **same) for i, value in enumerate(values)]  # type: ignore[arg-type]


def test_order_is_that_of_the_dates() -> None:
    dates = ("2026-03-09", "2026-03-02", "2026-03-09")
    given = [Row(f"S{i}", 1.0, f"L{i}", made_on=date) for i, date in enumerate(dates)]
    assert [row.section for row in collect("bond_width", given).rows] == ["S1", "S0", "S2"]


def test_lots_of_one_name_from_two_suppliers_stay_apart() -> None:
    given = [Row("S1", 1.0, "C1", supplier="Nordmark"), Row("S1", 2.0, "C1", supplier="Ostfeld")]
    assert [group.label for group in subgroups(collect("bond_width", given))] == [
        "C1 (Nordmark)",
        "C1 (Ostfeld)",
    ]
    assert [label for label, _ in parted(collect("bond_width", given), "supplier")] == ["Nordmark", "Ostfeld"]


def test_sections_without_a_lot_stand_alone() -> None:
    assert [group.label for group in subgroups(collect("bond_width", rows_of(1.0, 2.0)))] == ["S0", "S1"]


def test_bounds_of_quantities() -> None:
    assert collect("continuity", rows_of(0.5)).natural == (0.0, 1.0)
    assert collect("bond_width", rows_of(5.0)).natural == (0.0, math.inf)
    assert collect("bond_offset", rows_of(-5.0)).natural == (-math.inf, math.inf)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("section,value\nA,1", "t.csv: column quantity is missing"),
        ("section,quantity,value\nA,bond_width,wide", "t.csv: row 2, value = wide: must be a plain number"),
        ("section,quantity,value\nA,bond_width,", "t.csv: row 2, value = : must be a number unless"),
        ("section,quantity,value,unit\nA,bond_width,1,mm", "row 2, unit = mm: must be um for bond_width"),
        ("section,quantity,value,status\nA,bond_width,1,fine", "row 2, status = fine: must be measured"),
        ("section,quantity,value,verdict\nA,bond_width,1,fine", "row 2, verdict = fine: must be reject"),
        ("section,quantity,value,segment\nA,bond_width,1,x", "row 2, segment = x: must be a whole number"),
        (
            "section,quantity,value,segment\nA,bond_width,1,2",
            "not given for whole sections, but for segment 2",
        ),
        ("section,quantity,value,u\nA,bond_width,1,-2", "section A, u = -2: must be ≥ 0"),
        (
            "section,quantity,value,lot\nA,bond_width,1,C\nA,bond_width,2,C",
            "lot C, section A: stands 2 times",
        ),
        (
            "section,quantity,value,made_on\nA,bond_width,1,2026-02-30",
            "row 2, made_on = 2026-02-30: must be a date",
        ),
        (
            "section,quantity,value,made_on\nA,bond_width,1,31.12.2026",
            "row 2, made_on = 31.12.2026: must be a date",
        ),
        ("section,quantity,value\nA,standoff,1", "no row has the quantity bond_width"),
    ],
)
def test_refused_tables(tmp_path: Path, lines: str, said: str) -> None:
    path = tmp_path / "t.csv"
    path.write_text(lines + "\n")
    with pytest.raises(RowsError) as refused:
        read_rows([path], quantity="bond_width")
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("quantity", "said"), [("bond_widht", "did you mean bond_width"), ("bond_kind", "is a word")]
)
def test_refused_quantities(quantity: str, said: str) -> None:
    with pytest.raises(RowsError, match=said):
        collect(quantity, rows_of(1.0))


def test_a_folder_of_something_else(tmp_path: Path) -> None:
    with pytest.raises(RowsError, match=r"not a folder of xsect measure: run\.json"):
        read_rows([tmp_path], quantity="bond_width")


def test_rows_that_need_a_look_can_be_left_out() -> None:
    given = collect("bond_width", [Row("A", 1.0, "C"), Row("B", 9.0, "C", status="needs_review")])
    (lot,) = subgroups(given)
    assert lot.values().tolist() == [1.0, 9.0]
    assert lot.values(vouched_only=True).tolist() == [1.0]
    assert dataclasses.is_dataclass(lot)


DATED = [Row(f"S{n}", float(n), f"L{n // 2}", made_on=f"2026-03-{n + 1:02d}") for n in range(6)]


@pytest.mark.parametrize(
    ("start", "first"), [("", "S0"), ("L1", "S2"), ("2026-03-04", "S3"), ("2025-01-01", "S0")]
)
def test_rows_from_a_lot_or_date_on(start: str, first: str) -> None:
    assert since(collect("bond_width", DATED), start).rows[0].section == first


@pytest.mark.parametrize(
    ("start", "said"),
    [("L9", "since = L9: no such lot"), ("2026-04-01", "the last section was made on 2026-03-06")],
)
def test_from_where_nothing_is(start: str, said: str) -> None:
    with pytest.raises(RowsError, match=said):
        since(collect("bond_width", DATED), start)


def test_cuts_in_series_are_no_widths(store: Store, run: Run) -> None:
    """Five chords of one weld beside a section through the centre of another."""
    cuts = series()
    for one in cuts:
        keep(store, run, one, "k")
    keep_welds(store, run, serial_welds(cuts))
    url = store.engine.url.render_as_string(hide_password=False)
    alone = read_rows([url], quantity="bond_width")
    assert len(alone.rows) == 5
    assert alone.notes[0].startswith("all 5 sections are cuts in series")
    keep(store, run, record(), "k")
    found = read_rows([url], quantity="bond_width")
    assert [row.section for row in found.rows] == ["S1"]
    assert found.notes[0].startswith("5 cuts in series are left out")


def test_values_set_by_hand_say_so(store: Store, run: Run) -> None:
    keep(store, run, record(findings=()), "k")
    keep(store, run, record("S2", findings=()), "k")
    set_value(store, name_of(record().row), "bond_width", "800", u=5, who="kb", why="read again")
    url = store.engine.url.render_as_string(hide_password=False)
    one, other = read_rows([url], quantity="bond_width").rows
    assert (one.section, one.value, other.by_hand) == ("S1", 800.0, "")
    assert one.by_hand.startswith("set by kb on ")
    assert one.by_hand.endswith(": read again; measured: 0.81235 mm")


def test_a_folder_gives_welds_and_values_set_by_hand(tmp_path: Path) -> None:
    at = folder(tmp_path / "run", sheet=False)
    lines = [HEADER, *(f"C1,{s},,weld_diameter,,um,,,,not_measured,no place," for s in "AB")]
    (at / "measurements.csv").write_text("\n".join(lines) + "\n")
    (at / "welds.csv").write_text(
        "lot,weld,sections,quantity,value,unit,u,low,high,status,centre,u_centre,largest_residual,note,method\n"
        "C1,7,A; B,weld_diameter,900,um,5,890,910,needs_review,,,,,circle\n"
    )
    (weld,) = read_rows([at], quantity="weld_diameter").rows
    assert (weld.section, weld.value, weld.status) == ("weld 7", 900.0, "needs_review")
    assert weld.u_common == pytest.approx(0.9)  # 0.1 % of scale A
    by_hand = "set by kb on 2026-05-04: read again; measured: 0.700 mm"
    (at / "measurements.csv").write_text(
        f"{HEADER}\nC1,A,,bond_width,800,um,5,,,measured,{by_hand},set by hand\nC1,B,,bond_width,8,um,5,,,measured,,x\n"
    )
    assert [row.by_hand for row in read_rows([at], quantity="bond_width").rows] == [by_hand, ""]
