"""Welds cut in series: their diameters kept beside the sections they rest on, trended, exported."""

import csv
from dataclasses import replace
from pathlib import Path

import pytest

from tests.lots.conftest import run_of, series
from xsect.commands.keeping import serial_welds
from xsect.lots import exchange, overview
from xsect.lots.corrections import set_value
from xsect.lots.database import Store, open_store
from xsect.lots.rows import Row, welds_for_sections
from xsect.lots.sources import read_rows
from xsect.lots.store import Run, keep, name_of
from xsect.lots.welds import KeptWeld, keep_welds, welds_holding
from xsect.quantities import Component, measured
from xsect.welds import weld_diameters


def keep_all(store: Store, run: Run, records) -> int:
    for one in records:
        keep(store, run, one, "k")
    return keep_welds(store, run, serial_welds(records))


def holding(store: Store) -> tuple[KeptWeld, ...]:
    with store.reading() as connection:
        return welds_holding(connection)


def test_a_weld_is_kept_as_the_report_has_it(store: Store, run: Run) -> None:
    made = series()
    (shown,) = weld_diameters(made)
    assert keep_all(store, run, made) == 1
    (kept,) = holding(store)
    assert (kept.row["value"], kept.row["u"], kept.status) == (
        shown.diameter.value,
        shown.diameter.u,
        "measured",
    )
    assert shown.diameter.value == pytest.approx(3000, abs=4 * shown.diameter.u)
    assert [name.section for name in kept.cuts] == [f"W1-{n}" for n in range(1, 6)]
    assert (kept.row["line"], kept.row["made_on"]) == ("2", "2026-03-01")
    assert keep_welds(store, run_of(store), serial_welds(made)) == 0  # the same again
    assert overview.check(store) == ()


def test_a_weld_measured_anew_supersedes_and_nothing_measured_does_not(store: Store, run: Run) -> None:
    keep_all(store, run, series())
    assert keep_all(store, run, series(diameter=2800.0)) == 1
    assert keep_all(store, run, series(diameter=2800.0)[:2]) == 0  # two cuts fix no circle
    (kept,) = holding(store)
    assert kept.row["version"] == 2
    assert kept.row["value"] == pytest.approx(2800, rel=0.01)


def test_nobody_vouches_for_a_weld_whose_sections_have_changed(store: Store, run: Run) -> None:
    made = series()
    keep_all(store, run, made)
    name = name_of(made[2].row)
    set_value(store, name, "bond_width", "2950", u=5, who="kb", why="read again")
    (kept,) = holding(store)
    assert (kept.outdated, kept.status) == (True, "needs_review")
    keep_welds(store, run, serial_welds(made))  # a run anew, its sections as they stand now
    assert [one.status for one in holding(store)] == ["measured"]
    width = measured("bond_width", 2900.0, (Component("notches", 5.0),))
    keep(store, run, replace(made[0], measurements=(width, *made[0].measurements[1:])), "k2")
    assert [one.status for one in holding(store)] == ["needs_review"]


def test_a_trend_takes_the_weld_and_not_its_sections(store: Store, run: Run) -> None:
    for number in range(3):
        keep_all(store, run, series(lot=f"L{number}", diameter=3000.0 - 50 * number))
    url = store.engine.url.render_as_string(hide_password=False)
    rows = read_rows([url], quantity="weld_diameter")
    assert [(row.lot, row.section, row.line, row.usable) for row in rows.rows] == [
        (f"L{number}", "weld W1", "2", True) for number in range(3)
    ]
    assert [row.value for row in rows.rows] == pytest.approx([3000, 2950, 2900], rel=0.01)
    assert all(0 < row.u_common < row.u for row in rows.rows)


def test_a_weld_without_a_number_gives_way() -> None:
    own = [Row("S1", 5.0, "L"), Row("S2", 6.0, "L"), Row("S3", 7.0, "L")]
    nothing = Row("weld W", float("nan"), "L", status="not_measured")
    assert list(welds_for_sections(own, [(nothing, ["S1", "S2"])])) == own
    none = [row._replace(value=float("nan"), status="not_measured") for row in own]
    assert list(welds_for_sections(none, [(nothing, ["S1", "S2"])])) == [nothing, none[2]]


def test_exports_hold_welds(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.db", create=True) as store:
        keep_all(store, run_of(store), series())
        exchange.export_store(store, tmp_path / "export", "csv")
        (kept,) = holding(store)
    with (tmp_path / "export" / "as_it_stands.csv").open(encoding="utf-8", newline="") as file:
        *_, last = csv.DictReader(file)
    assert (last["section"], last["quantity"], last["unit"]) == ("weld W1", "weld_diameter", "um")
    assert float(last["value"]) == kept.row["value"]
    with open_store(tmp_path / "back.db", create=True) as back:
        exchange.import_store(back, tmp_path / "export", who="ml")
        assert holding(back) == (kept,)
