"""The record store: what goes in comes out to the digit; nothing is overwritten; each change has its event."""

import dataclasses
import json
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import delete, func, insert, select, update

from tests.lots.conftest import record, run_of, series
from xsect.commands.keeping import serial_welds
from xsect.lots import overview
from xsect.lots.corrections import decide
from xsect.lots.database import Store, StoreError, open_store
from xsect.lots.events import events_of
from xsect.lots.schema import TABLES, calibrations, criteria, events, measurements, pictures, runs, sections
from xsect.lots.store import Name, Run, begin_run, find, history, keep, name_of
from xsect.lots.welds import keep_welds
from xsect.quantities import coverage_factor, effective_dof

NAME = name_of(record().row)
FIGURES = (("figures/row007-S1-marked.png", "ef" * 32),)


def number_of(store: Store, table: object) -> int:
    with store.reading() as connection:
        return int(connection.execute(select(func.count()).select_from(table)).scalar_one())  # type: ignore[arg-type]


def happened(store: Store) -> list[str]:
    with store.reading() as connection:
        return list(connection.execute(select(events.c.what).order_by(events.c.id)).scalars())


def test_a_record_comes_back_as_it_was(store: Store, run: Run) -> None:
    made = record()
    assert keep(store, run, made, "k1", figures=FIGURES) == "measured"
    kept = find(store, NAME)
    assert kept is not None
    assert (kept.version, kept.key, kept.figures) == (1, "k1", FIGURES)
    back = dataclasses.replace(kept.record, row=dataclasses.replace(kept.record.row, image=made.row.image))
    assert repr(back) == repr(made).replace("value=-0.0", "value=0.0")  # repr: NaN is not equal to itself


def test_degrees_of_freedom_are_kept(store: Store, run: Run) -> None:
    """Each part's in its budget, the effective ones beside u; infinite ones are NULL. Without them the interval that a
    reader makes of u would be the normal one."""
    made = record()
    keep(store, run, made, "k1")
    kept = find(store, NAME)
    assert kept is not None
    found = kept.record.measurements[0]
    assert [part.dof for part in found.budget] == [17 / 3, float("inf")]
    with store.reading() as connection:
        dof = connection.execute(select(measurements.c.dof).order_by(measurements.c.place)).scalars().all()
    assert dof[0] == effective_dof(made.measurements[0].budget)
    assert dof[1:] == [None] * 5
    assert found.high - found.value == pytest.approx(coverage_factor(dof[0]) * found.u, rel=1e-12)


def test_measuring_anew_supersedes_and_keeps_the_old(store: Store, run: Run) -> None:
    keep(store, run, record(width=812.0), "k1")
    later = run_of(store, who="ml")
    assert keep(store, later, record(width=807.5), "k2") == "measured anew"
    versions = history(store, NAME)
    assert [one.version for one in versions] == [2, 1]
    assert [one.record.measurements[0].value for one in versions] == [807.5, 812.0]
    told = events_of(store, [one.id for one in versions])
    assert [(one.what, one.who, dict(one.detail)) for one in told] == [
        ("measured", "kb", {}),
        ("superseded", "ml", {"by": versions[0].id}),
        ("measured anew", "ml", {"supersedes": versions[1].id}),
    ]


def test_the_same_result_from_the_same_inputs_is_an_event_only(store: Store, run: Run) -> None:
    keep(store, run, record(), "k1")
    assert keep(store, run, record(), "k1", figures=FIGURES) == "repeated"
    assert number_of(store, sections) == 1
    # the same key with another result, or another key with the same result, is a further version
    assert keep(store, run, record(width=9.0), "k1") == "measured anew"
    assert keep(store, run, record(width=9.0), "k2") == "measured anew"
    assert happened(store).count("repeated") == 1


def test_a_row_that_could_not_be_used_does_not_supersede(store: Store, run: Run) -> None:
    gone = record(image_sha256="", image_shape=(0, 0), scale=None, verdicts=())
    assert keep(store, run, gone, "k0") == "measured"
    assert keep(store, run, record(), "k1") == "measured anew"
    assert keep(store, run, gone, "k0") == "not measured again"
    found = find(store, NAME)
    assert found is not None
    assert found.record.image_sha256
    assert happened(store)[-1] == "not measured again"


def test_nothing_kept_can_be_changed_or_deleted(store: Store) -> None:
    run = run_of(store, criteria_file=("ab" * 32, "c.toml", "name = 1"))
    keep(store, run, record(), "k1", calibration=("obj5", "um = 1"))
    decide(store, NAME, "reject", who="kb", why="cracked")
    keep_welds(store, run, serial_welds(series()))
    with store.writing() as connection:
        picture = dict.fromkeys(("sha256", "supplier", "lot", "section", "specimen"), "")
        picture |= {"rows": 3, "columns": 4} | dict.fromkeys(("points", "codes", "mirrored", "small"), b"")
        connection.execute(insert(pictures), picture)
    for table in (*TABLES, pictures):
        column = table.c[table.columns.keys()[-1]]
        for statement in (update(table).values({column: column}), delete(table)):
            rule = f"append-only: table {table.name}, "
            with pytest.raises(StoreError, match=rule), store.writing() as connection:
                connection.execute(statement)
        assert number_of(store, table) >= 1


def test_files_a_result_rests_on_are_kept_once(store: Store) -> None:
    file = ("12" * 32, "c.toml", 'name = "µ"\n')
    for width in (1.0, 2.0):
        keep(
            store,
            run_of(store, criteria_file=file),
            record(width=width),
            "k",
            calibration=("obj5", "a = 1\n"),
        )
    with store.reading() as connection:
        assert connection.execute(select(criteria)).all() == [file]
        assert connection.execute(select(calibrations)).all() == [("cd" * 32, "obj5", "a = 1\n")]
        assert connection.execute(select(runs.c.criteria_sha256)).scalars().all() == [file[0]] * 2


def test_several_writers_at_once_lose_nothing(new_url: Callable[[], str]) -> None:
    """Four writers, all opening a store that is not there, ten sections each: one shared, superseded 39 times."""
    url, failed = new_url(), []

    def write(who: int) -> None:
        try:
            with open_store(url, create=True, wait_s=30) as store:
                run = run_of(store, who=str(who))
                for number in range(10):
                    keep(store, run, record("shared", width=1 + who + number / 10), f"{who} {number}")
                    keep(store, run, record(f"own {who} {number}"), "k")
        except Exception as error:
            failed.append(error)

    writers = [threading.Thread(target=write, args=(who,)) for who in range(4)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert failed == []
    with open_store(url) as store:
        shared = history(store, name_of(record("shared").row))
        assert [one.version for one in shared] == list(range(40, 0, -1))
        assert len({one.key for one in shared}) == 40
        (lot,) = overview.lots_in(store)
        assert lot.sections == 41
        assert overview.check(store) == ()


def test_the_lots_and_sections_of_a_store(store: Store, run: Run) -> None:
    keep(store, run, record("S1"), "k")
    keep(store, run, record("S2", verdicts=()), "k")
    plain = dataclasses.replace(record("S1").row, supplier="")
    keep(store, run, record(row=plain, findings=()), "k")
    one, two = overview.lots_in(store)
    assert (one.supplier, one.lot, one.verdicts, one.looks) == ("", "L-17", {"accept": 1}, 0)
    assert (two.supplier, two.verdicts) == (NAME.supplier, {"accept": 1, "not_measured": 1})
    assert [line.name.section for line in overview.sections_in(store, "L-17", NAME.supplier)] == ["S1", "S2"]
    assert overview.named(store, "L-17", "S2") == Name(NAME.supplier, "L-17", "S2")
    assert overview.named(store, "L-17", "S1", "").supplier == ""
    with pytest.raises(StoreError, match=r"section S1: name the supplier, one of \(none\), Nordwerk"):
        overview.named(store, "L-17", "S1")
    with pytest.raises(StoreError, match="section S9: no such section"):
        overview.named(store, "L-17", "S9")


def test_a_value_changed_behind_its_back_shows(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db", create=True) as store:
        keep(store, run_of(store), record(), "k")
        assert overview.check(store) == ()
        with store.writing() as connection:
            connection.exec_driver_sql("DROP TRIGGER measurements_no_update")
            connection.execute(update(measurements).where(measurements.c.place == 0).values(value=900.0))
        assert overview.check(store) == (f"{store.name}: {NAME}: version 1 is not what was kept",)


def test_a_number_that_cannot_be_kept_is_refused(store: Store, run: Run) -> None:
    wild = dataclasses.replace(record().measurements[0], value=float("inf"))
    with pytest.raises(StoreError, match=r"lot L-17, section S1: inf cannot be kept"):
        keep(store, run, record(measurements=(wild,)), "k")
    assert number_of(store, sections) == 0


def test_a_record_of_another_version_of_xsect_is_named(store: Store, run: Run) -> None:
    odd = dataclasses.replace(record().measurements[0])
    object.__setattr__(odd, "quantity", "bond_breadth")
    keep(store, run, record(measurements=(odd,)), "k")
    with pytest.raises(StoreError, match="kept by another version of xsect: quantity = 'bond_breadth'"):
        find(store, NAME)


def test_settings_of_a_run_are_kept(store: Store) -> None:
    made = begin_run(
        store, who="kb", sheet="l.csv", sheet_sha256="1", tool="0.1.0", python="3.12", libraries={"a": "1"},
        settings={"max_pixels": 5},
    )  # fmt: skip
    with store.reading() as connection:
        row = connection.execute(select(runs)).mappings().one()
    assert (row["id"], row["who"], row["sheet"]) == (made.id, "kb", "l.csv")
    assert (json.loads(row["libraries"]), json.loads(row["settings"])) == ({"a": "1"}, {"max_pixels": 5})
