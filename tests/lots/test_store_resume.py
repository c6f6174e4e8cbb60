"""What a resumed run takes over: only what the same inputs gave; and the command line around the store."""

import csv
import dataclasses
import datetime as dt
import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from tests.lots.conftest import record
from xsect.capture.lot_sheet import read_lot_sheet
from xsect.cli import main
from xsect.judge.criteria import load_criteria
from xsect.lots.database import Store, StoreError, open_store
from xsect.lots.resume import Keeper, start
from xsect.lots.store import find, name_of
from xsect.reasons import Finding

Given = dict[str, Any]
FIGURE = "figures/row002-S1-marked.png"
CRITERIA = """\
name = "made up"
weld_type = "solid_state"
source = "none"
[[clause]]
id = "width"
quantity = "bond_width"
at_least = { um = 700 }
"""


@pytest.fixture
def given(tmp_path: Path) -> Given:
    """Files of a run that has measured its one section: sheet, picture, criteria, calibration record, figure."""
    files = {
        "lot.csv": "section,image,lot,calibration\nS1,s1.png,L-17,obj5\n",
        "s1.png": "picture",
        "criteria.toml": CRITERIA,
        "calibration/obj5.toml": "a = 1",
        f"out/{FIGURE}": "figure",
    }
    for name, content in files.items():
        (tmp_path / name).parent.mkdir(exist_ok=True, parents=True)
        (tmp_path / name).write_text(content, encoding="utf-8")
    return {
        "criteria": load_criteria(tmp_path / "criteria.toml"), "out": tmp_path / "out",
        "today": dt.date(2026, 5, 4), "calibration_folder": None, "max_pixels": 1000, "libraries": {"numpy": "2"},
    }  # fmt: skip


@pytest.fixture
def store(tmp_path: Path):
    with open_store(tmp_path / "s.db", create=True) as opened:
        yield opened


def keeper(store: Store, folder: Path, given: Given) -> Keeper:
    return start(store, read_lot_sheet(folder / "lot.csv"), **given)


def measure(store: Store, folder: Path, given: Given, **changes: Any) -> None:
    row = read_lot_sheet(folder / "lot.csv").rows[0]
    sha256 = hashlib.sha256((folder / row.image_as_written).read_bytes()).hexdigest()
    made = record(row=row, image_sha256=sha256, figures=(FIGURE,), **changes)
    keeper(store, folder, given).keep(made)


def taken(store: Store, folder: Path, given: Given) -> bool:
    row = read_lot_sheet(folder / "lot.csv").rows[0]
    return keeper(store, folder, given).already(row) is not None


def test_the_record_taken_over_is_the_one_kept(store: Store, tmp_path: Path, given: Given) -> None:
    measure(store, tmp_path, given)
    row = read_lot_sheet(tmp_path / "lot.csv").rows[0]
    found = keeper(store, tmp_path, given).already(row)
    assert found is not None
    expected = record(row=row, image_sha256=found.image_sha256)
    assert found.row == row
    assert found.figures == (FIGURE,)
    assert repr(found.measurements) == repr(expected.measurements).replace("value=-0.0", "value=0.0")
    assert found.findings == expected.findings


@pytest.mark.parametrize(
    ("file", "content"),
    [
        ("s1.png", "another picture"),
        ("lot.csv", "section,image,lot,calibration,plating_um,plating\nS1,s1.png,L-17,obj5,3,tin\n"),
        ("lot.csv", "section,image,lot,calibration,note\nS1,s1.png,L-17,obj5,new\n"),
        ("lot.csv", "section,image,lot\nS1,s1.png,L-17\n"),
        ("calibration/obj5.toml", "a = 2"),
        ("calibration/obj6.toml", "supersedes = 1"),
        (f"out/{FIGURE}", "half a fig"),
    ],
)
def test_other_files_are_measured_again(store, tmp_path: Path, given: Given, file, content) -> None:
    measure(store, tmp_path, given)
    assert taken(store, tmp_path, given)
    (tmp_path / file).write_text(content, encoding="utf-8")
    assert not taken(store, tmp_path, given)


@pytest.mark.parametrize(
    "change",
    [
        {"max_pixels": 999},
        {"libraries": {"numpy": "3"}},
        {"criteria": None},
        {"today": dt.date(2026, 5, 5)},
        {"out": Path("elsewhere")},
    ],
    ids=lambda change: next(iter(change)),
)
def test_other_settings_are_measured_again(store, tmp_path: Path, given: Given, change: Given) -> None:
    measure(store, tmp_path, given)
    assert not taken(store, tmp_path, given | change)


def test_another_version_of_xsect_measures_again(store, tmp_path: Path, given: Given, monkeypatch) -> None:
    measure(store, tmp_path, given)
    monkeypatch.setattr("xsect.__version__", "0.1.1")
    assert not taken(store, tmp_path, given)


def test_the_day_matters_only_where_a_calibration_is_judged_by_it(
    store, tmp_path: Path, given: Given
) -> None:
    other_day = given | {"today": dt.date(2026, 5, 5)}
    dated = "section,image,lot,calibration,cut_on\nS1,s1.png,L-17,obj5,2026-05-01\n"
    for sheet in ("section,image,lot\nS1,s1.png,L-17\n", dated):
        (tmp_path / "lot.csv").write_text(sheet, encoding="utf-8")
        measure(store, tmp_path, given)
        assert taken(store, tmp_path, other_day)


def test_a_section_without_its_picture_is_tried_again(store, tmp_path: Path, given: Given) -> None:
    row = read_lot_sheet(tmp_path / "lot.csv").rows[0]
    gone = record(row=row, image_sha256="", image_shape=(0, 0), scale=None, figures=(), verdicts=())
    keeper(store, tmp_path, given).keep(gone)
    (tmp_path / "s1.png").unlink()
    assert not taken(store, tmp_path, given)


def test_an_analysis_that_failed_is_tried_again(store, tmp_path: Path, given: Given) -> None:
    measure(store, tmp_path, given, findings=(Finding("unexpected", {"detail": "out of memory"}),))
    assert not taken(store, tmp_path, given)


def test_a_row_without_a_lot_is_refused_before_anything_is_measured(
    store, tmp_path: Path, given: Given
) -> None:
    (tmp_path / "lot.csv").write_text("section,image,lot\nS1,s1.png,L-17\nS2,s1.png,\n", encoding="utf-8")
    with pytest.raises(
        StoreError, match=r"^lot.csv: row 3, lot: must be given to keep it in a record store$"
    ):
        keeper(store, tmp_path, given)


def test_the_calibration_record_is_kept_as_it_was(store: Store, tmp_path: Path, given: Given) -> None:
    from sqlalchemy import select

    from xsect.lots.schema import calibrations

    row = read_lot_sheet(tmp_path / "lot.csv").rows[0]
    sha256 = hashlib.sha256(b"a = 1").hexdigest()
    scale = dataclasses.replace(record().scale, record_sha256=sha256)  # type: ignore[type-var]
    keeper(store, tmp_path, given).keep(record(row=row, scale=scale, figures=()))
    with store.reading() as connection:
        assert connection.execute(select(calibrations)).all() == [(sha256, "obj5", "a = 1")]


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_the_command_line_from_run_to_import(
    tmp_path: Path, write_lot: Callable[..., Path], write_criteria: Callable[..., Path]
) -> None:
    store, out = tmp_path / "s.db", tmp_path / "r"
    line = (
        "measure", write_lot(tmp_path, changes={"lot": "L-17"}), "--criteria", write_criteria(tmp_path, 100),
        "--out", out, "--jobs", "1", "--store", store,
    )  # fmt: skip
    made = run(*line)
    assert (made.exit_code, made.stderr) == (0, "")
    assert made.stdout.splitlines()[-1] == f"Kept in {store}: 2 measured"

    assert run("records", store).stdout.splitlines()[1].split()[:3] == ["L-17", "2", "2"]
    assert [one.split()[0] for one in run("records", store, "--lot", "L-17").stdout.splitlines()[1:]] == [
        "S1",
        "S2",
    ]

    who = ("--lot", "L-17", "--section", "S1", "--who", "K. Brandt", "--why", "read again")
    assert run("correct", store, *who, "--quantity", "bond_width", "--value", "90", "--u", "1").exit_code == 0
    shown = run("correct", store, *who, "--decision", "undecided").stdout
    assert "bond width was set to 90.0 µm by K. Brandt" in shown
    assert "verdict: undecided" in shown
    assert run("records", store, "--lot", "L-17", "--section", "S1").stdout == shown

    listed = run("records", store, "--lot", "L-17").stdout
    assert "bond width 90.0 µm (measured" in " ".join(listed.split())
    assert "decided undecided, K. Brandt" in " ".join(listed.split())

    again = run(*line, "--resume")
    assert again.exit_code == 1
    assert again.stdout.splitlines()[-1] == f"Kept in {store}: 2 taken over"
    with (out / "measurements.csv").open(encoding="utf-8", newline="") as file:
        first = next(csv.DictReader(file))
    assert (first["quantity"], first["value"], first["method"]) == ("bond_width", "90", "set by hand")
    assert "K. Brandt" in first["note"]
    with (out / "verdicts.csv").open(encoding="utf-8", newline="") as file:
        assert [row["verdict"] for row in csv.DictReader(file)] == ["reject", "accept"]
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "K. Brandt decided undecided" in page.replace("\N{NO-BREAK SPACE}", " ")

    assert run("export", store, tmp_path / "all.xlsx").exit_code == 0
    assert run("import", tmp_path / "all.xlsx", tmp_path / "new.db", "--who", "ml").exit_code == 0
    assert run("records", tmp_path / "new.db", "--check").stdout.endswith(
        "all results are as they were kept\n"
    )
    with open_store(tmp_path / "new.db") as new:
        assert find(new, name_of(record(row=read_lot_sheet(tmp_path / "lot.csv").rows[0]).row)) is not None


def test_names_do_not_steer_the_terminal(store: Store, tmp_path: Path, given: Given) -> None:
    row = dataclasses.replace(read_lot_sheet(tmp_path / "lot.csv").rows[0], section="S\x1b[31m[bold]")
    keeper(store, tmp_path, given).keep(record(row=row, figures=()))
    shown = run("records", tmp_path / "s.db", "--lot", "L-17").stdout
    assert "S?[31m[bold]" in shown
    assert run("records", tmp_path / "s.db", "--lot", "L-17", "--section", row.section).exit_code == 0


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (("measure", "lot.csv", "--resume"), "--resume needs --store"),
        (("records", "s.db", "--section", "S1"), "--section needs --lot"),
        (
            ("correct", "s.db", "--lot", "L", "--section", "S", "--who", "k", "--why", "w"),
            "give --quantity with",
        ),
        (
            ("correct", "s.db", "--lot", "L", "--section", "S", "--who", "k", "--why", "w", "--value", "3"),
            "give --quantity with --value",
        ),
        (("export", "none.db", "x"), "none.db: no such record store"),
    ],
)
def test_lines_that_cannot_be_run(line: tuple[str, ...], message: str, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    made = run(*line)
    assert made.exit_code == 2
    assert message in made.stderr
    assert list(tmp_path.iterdir()) == []
