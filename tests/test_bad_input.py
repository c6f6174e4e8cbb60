"""What a user may get wrong, through the command line: one line that names it, and the rest goes on."""

import csv
import json
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from xsect.cli import main

Write = Callable[..., Path]


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["measure", *map(str, arguments), "--jobs", "1"])


def png_header(width: int, height: int) -> bytes:
    """A PNG that claims a size and holds no pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    )


def spoilt(folder: Path) -> None:
    """Write pictures that cannot be used beside the good ones."""
    whole = (folder / "s1.png").read_bytes()
    (folder / "cut.png").write_bytes(whole[: len(whole) // 2])
    (folder / "empty.png").write_bytes(b"")
    (folder / "flat.png").write_bytes(png_header(0, 0))
    (folder / "bomb.png").write_bytes(png_header(100_000, 100_000))
    (folder / "words.png").write_text("not a picture", encoding="utf-8")
    cv2.imwrite(str(folder / "tiny.png"), np.zeros((20, 20), np.uint8))
    cv2.imwrite(str(folder / "black.png"), np.zeros((300, 400), np.uint8))


ROWS: dict[str, tuple[dict[str, Any], str]] = {
    "missing image": ({"image": "gone.png"}, "gone.png: no such file"),
    "folder for image": ({"image": "."}, ".: is a folder, not a picture"),
    "truncated image": ({"image": "cut.png"}, "cut.png: the PNG file is damaged or cut short"),
    "empty file": ({"image": "empty.png"}, "empty.png: the file is empty"),
    "no size": ({"image": "flat.png"}, "flat.png: "),
    "huge size": ({"image": "bomb.png"}, "bomb.png: 100000 × 100000 px is above the limit of 500 megapixels"),
    "tiny image": ({"image": "tiny.png"}, "tiny.png: 20 × 20 px"),
    "text file": ({"image": "words.png"}, "words.png: not a picture: PNG, JPEG, BMP and TIFF are read"),
    "black image": ({"image": "black.png"}, "no weld section was found: "),
    "no scale": ({"um_per_px": ""}, "no scale: the lot sheet names no calibration record and no um_per_px"),
    "scale zero": ({"um_per_px": "0"}, "um_per_px = 0: must be > 0 µm"),
    "scale infinite": ({"um_per_px": "inf"}, "um_per_px = inf: must be a plain number"),
    "scale NaN": ({"um_per_px": "nan"}, "um_per_px = nan: must be a plain number"),
    "negative thickness": ({"upper_thickness_um": "-800"}, "upper_thickness_um = -800: must be > 0 µm"),
    "text for a number": (
        {"lower_thickness_um": "0.8 mm"}, "lower_thickness_um = 0.8 mm: must be a plain number, without unit",
    ),
    "unknown weld type": ({"weld_type": "glued"}, "weld_type = glued: must be solid_state or fusion"),
    "twice the same name": ({"section": "twice"}, "section = twice: must be unique in its lot"),
    "the name again": ({"section": "twice"}, "section = twice: must be unique in its lot"),
    "no name": ({"section": ""}, "section: must be given"),
    "no such record": ({"calibration": "obj99"}, "obj99: no such record in calibration/"),
    "path in a record's name": ({"calibration": "../lot"}, "../lot: no such record in calibration/"),
}  # fmt: skip
FIRST = 4
"""Rows 2 and 3 of the sheet are good."""


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory, write_lot: Write) -> tuple[Result, Path]:
    """One run over two good rows and all the bad ones."""
    folder = tmp_path_factory.mktemp("faulty")
    (folder / "calibration").mkdir()
    names = (f"B{number}" for number in range(len(ROWS)))
    rows = [{"section": next(names), "image": "s1.png", **change} for change, _ in ROWS.values()]
    sheet = write_lot(folder, *rows)
    spoilt(folder)
    return run(sheet, "--out", folder / "out"), folder / "out"


@pytest.mark.parametrize("case", ROWS)
def test_a_bad_row_is_told_in_one_line(case: str, faulty: tuple[Result, Path]) -> None:
    made, _ = faulty
    row = FIRST + list(ROWS).index(case)
    place = f"lot.csv: row {row}, "
    about = [line.removeprefix(place) for line in made.stderr.splitlines() if line.startswith(place)]
    assert len(about) == 1
    assert about[0].startswith(ROWS[case][1])


def test_the_other_sections_are_measured(faulty: tuple[Result, Path]) -> None:
    made, out = faulty
    assert made.exit_code == 1
    assert len(made.stderr.splitlines()) == len(ROWS)
    assert "Traceback" not in made.output
    sections = json.loads((out / "run.json").read_text(encoding="utf-8"))["sections"]
    assert [one["status"] for one in sections] == ["measured", "measured", *(["not_measured"] * len(ROWS))]
    assert (out / "report.pdf").is_file()


def test_nothing_is_read_out_of_a_bad_row(faulty: tuple[Result, Path]) -> None:
    _, out = faulty
    with (out / "measurements.csv").open(newline="", encoding="utf-8") as file:
        values = {row["value"] for row in csv.DictReader(file) if row["section"] not in ("S1", "S2")}
    assert values == {""}


SHEETS = {
    "no such file": (None, "lot.csv: no such file"),
    "empty": ("", "lot.csv: "),
    "header only": ("section,image\n", "lot.csv: there is no row below the column names"),
    "wrong columns": ("section,picture\nS1,s1.png\n", "lot.csv: column image is missing"),
    "column twice": ("section,image,image\nS1,a.png,b.png\n", "lot.csv: "),
    "unknown stated": (
        "section,image,stated_bond_widht\nS1,s1.png,3\n",
        "lot.csv: column stated_bond_widht: not a quantity of xsect; did you mean stated_bond_width?",
    ),
    "a picture": ("\x89PNG\r\n\x1a\n\0\0\0", "lot.csv: "),
}


@pytest.mark.parametrize("case", SHEETS)
def test_a_sheet_that_cannot_be_used(case: str, tmp_path: Path) -> None:
    text, start = SHEETS[case]
    if text is not None:
        (tmp_path / "lot.csv").write_bytes(text.encode("latin-1"))
    made = run(tmp_path / "lot.csv", "--out", tmp_path / "out")
    assert_refused(made, tmp_path / "out", start)


CRITERIA = {
    "no such file": ("", "", "cannot be read: No such file or directory"),
    "not TOML": ("name =", "name", "not valid TOML: "),
    "unknown key": (
        "[[clause]]", "[[clause]]\nseveritee = 'major'",
        "clause[1] (width).severitee: unknown key, did you mean severity?",
    ),
    "unknown quantity": (
        "bond_width", "bond_widht",
        "clause[1] (width).quantity = 'bond_widht': unknown quantity, did you mean bond_width?",
    ),
    "wrong unit": (
        "um =", "fraction =",
        "clause[1] (width).at_least = { fraction = 10 }: does not fit the unit of bond_width",
    ),
    "text for a number": (
        "= 10 }", "= '10' }", "clause[1] (width).at_least.um = '10': must be a number",
    ),
    "negative": ("= 10 }", "= -10 }", "clause[1] (width).at_least = { um = -10 }: must be > 0"),
}  # fmt: skip


@pytest.mark.parametrize("case", CRITERIA)
def test_criteria_that_cannot_be_used(
    case: str, tmp_path: Path, write_lot: Write, write_criteria: Write
) -> None:
    old, new, start = CRITERIA[case]
    criteria = write_criteria(tmp_path)
    criteria.write_text(criteria.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    named = tmp_path / "other.toml" if case == "no such file" else criteria
    made = run(write_lot(tmp_path), "--criteria", named, "--out", tmp_path / "out")
    assert_refused(made, tmp_path / "out", f"{named.name}: {start}")


def test_an_output_folder_that_cannot_be_written(tmp_path: Path, write_lot: Write) -> None:
    sheet = write_lot(tmp_path)
    out = tmp_path / "s1.png" / "out"
    assert_refused(run(sheet, "--out", out), out, f"{out}: the report cannot be written: Not a directory")


def test_a_failure_while_writing_leaves_no_report_in_part(
    tmp_path: Path, write_lot: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> bytes:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("xsect.report.write.run_bytes", full)
    made = run(write_lot(tmp_path), "--out", tmp_path / "out")
    assert made.exit_code == 2
    assert made.stderr == f"{tmp_path / 'out'}: the report cannot be written: No space left on device\n"
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["figures"]


def assert_refused(made: Result, out: Path, start: str) -> None:
    """One line on stderr, exit status 2, and no trace of an output."""
    assert made.exit_code == 2
    assert made.stdout == ""
    assert len(made.stderr.splitlines()) == 1, made.stderr
    assert start in made.stderr
    assert not out.exists()
