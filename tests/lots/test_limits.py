"""Limits of a study of capability from a criteria file: one pair for all sections, or a reason why not."""

import dataclasses
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.lots.conftest import record, run_of, series
from xsect.cli import main
from xsect.commands.keeping import serial_welds
from xsect.judge.criteria import Criteria, parse_criteria
from xsect.lots.database import open_store
from xsect.lots.limits import limits_from, sheet_rows
from xsect.lots.rows import Row, RowsError
from xsect.lots.store import keep
from xsect.lots.welds import keep_welds

INF = float("inf")
HEAD = 'name = "made up"\nweld_type = "fusion"\nsource = "none"\n'
ROWS = [Row(f"S{number}", 800.0, "L", supplier="N") for number in range(3)]
ROOT = Path(__file__).parents[2]


def clause(id_: str, rest: str, quantity: str = "bond_width") -> str:
    return f'[[clause]]\nid = "{id_}"\nquantity = "{quantity}"\n{rest}\n'


def criteria(*clauses: str) -> Criteria:
    return parse_criteria((HEAD + "".join(clauses)).encode(), Path("c.toml"))


WIDTH = clause("width", "at_least = { um = 700 }")
MORE = clause("more", "at_least = { um = 800 }")
LESS_GRAVE = clause("want", "at_least = { um = 800 }\nseverity = 'minor'")
UPPER = clause("wide", "at_most = { um = 900 }\nseverity = 'minor'")
EACH = clause("each", "at_least = { um = 300 }\nper_segment = true")


@pytest.mark.parametrize(
    ("given", "segment", "found"),
    [
        (criteria(WIDTH), None, (700, INF, ("width",))),
        (criteria(WIDTH, UPPER), None, (700, 900, ("width", "wide"))),
        (criteria(WIDTH, LESS_GRAVE), None, (700, INF, ("width",))),
        (criteria(WIDTH, EACH), 1, (300, INF, ("each",))),
    ],
)  # fmt: skip
def test_the_clauses_that_count(given: Criteria, segment: int | None, found: tuple[object, ...]) -> None:
    limits = limits_from(given, "bond_width", segment, ROWS, {})
    assert (limits.lower, limits.upper, limits.clauses) == found


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (criteria(clause("c", "at_least = { fraction = 0.5 }", "continuity")), "no clause sets a limit for bond_w"),
        (criteria(EACH), "clause each asks it of each bond segment"),
        (criteria(WIDTH, MORE), "clauses width and more both set at_least .*--lower"),
        (
            criteria(clause("width", "at_least = { times = 0.8, of = 'projection_diameter' }")),
            "clause width: lot L, section S0: its row of a lot sheet is not at hand",
        ),
    ],
)  # fmt: skip
def test_what_is_refused(given: Criteria, said: str) -> None:
    with pytest.raises(RowsError, match=rf"^c.toml: .*{said}"):
        limits_from(given, "bond_width", None, ROWS, {})


def test_multiples_of_the_lot_sheets_lengths(tmp_path: Path) -> None:
    """4 · √t from the store's rows: 3.2 mm for sheets of 0.64 mm; other sheets have another limit."""
    given = criteria(
        clause("size", "at_least = { times_sqrt_mm = 4, of = 'upper_thickness' }", "weld_diameter")
    )
    store = str(tmp_path / "s.db")
    with open_store(store, create=True) as opened:
        for lot, thickness in (("A", 640.0), ("B", 640.0), ("C", 810.0)):
            cuts = [
                dataclasses.replace(one, row=dataclasses.replace(one.row, upper_thickness_um=thickness))
                for one in series(lot=lot)
            ]
            for one in cuts:
                keep(opened, run_of(opened), one, "k")
            keep_welds(opened, run_of(opened), serial_welds(cuts))
        keep(opened, run_of(opened), record(), "k")
    sheets = sheet_rows([store])
    rows = [Row("weld W1", 3000.0, lot, supplier="Nordwerk (made up)") for lot in "ABC"]
    assert limits_from(given, "weld_diameter", None, rows[:2], sheets).lower == pytest.approx(3200)
    with pytest.raises(RowsError, match="lot C, section weld W1: its limit is 3600 µm, that of lot A"):
        limits_from(given, "weld_diameter", None, rows, sheets)
    assert limits_from(given, "weld_diameter", None, rows, sheets, sides=["at_most"]).clauses == ()


def test_the_command(tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_text(HEAD + WIDTH)
    table = ROOT / "sample_images" / "many_lots" / "bond_width.csv"
    out = tmp_path / "out"
    line = ["capability", str(table), "--criteria", str(tmp_path / "c.toml"), "--out", str(out)]
    assert CliRunner().invoke(main, line).exit_code == 0
    page = (out / "report.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    assert "at least 0.7000 mm" in page
    assert "made up, clause width (c.toml)" in page
    assert CliRunner().invoke(main, [*line, "--lower", "800"]).exit_code == 0
    page = (out / "report.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    assert "at least 0.8000 mm" in page
    assert "clause width" not in page
    refused = CliRunner().invoke(main, [*line, "--criteria", str(tmp_path / "none.toml")])
    assert (refused.exit_code, "none.toml: cannot be read" in refused.stderr) == (2, True)
