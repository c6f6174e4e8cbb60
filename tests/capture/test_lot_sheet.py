"""Lot sheets: what is written comes back, faulty rows are named, and sheets that cannot be used are
refused."""

import csv
import datetime as dt
import io
import zipfile
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from xsect.capture.lot_sheet import COLUMNS, LotSheet, SheetError, SheetRow, read_lot_sheet

HEADER = "section,image,upper_thickness_um,um_per_px,plating,plating_um,made_on,cut_on,view,weld_type"


def sheet(folder: Path, text: str | bytes, name: str = "lot.csv") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def workbook(folder: Path, *rows: tuple[object, ...], name: str = "lot.xlsx") -> Path:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    book.save(folder / name)
    return folder / name


def faults(read: LotSheet) -> list[str]:
    return [fault for problem in read.problems for fault in problem.faults]


def test_reads_every_column_and_joins_the_image_to_the_sheets_folder(tmp_path: Path) -> None:
    text = (
        "Section,image,calibration,um_per_px,bar_um,lot,supplier,made_on,cut_on,operator,weld,weld_type,"
        "upper_material,lower_material,upper_thickness_um,lower_thickness_um,projection_height_um,"
        "projection_diameter_um,plating,plating_um,view,etchant,plane_offset_um,"
        "face_offset_um,u_offset_um,electrode_face_um,binning,cut_tilt_deg,u_cut_tilt_deg,stated_bond_width,"
        "stated_Collapse,Furnace\n"
        "S1,../pics/a.png,obj20,0.582,200,L7,Invented Works,2026-03-01,2026-03-31,kb,w3,Fusion,CuSn6,CuZn37,"
        "800,1500,500,2000,Tin,8,backscatter,nital,-40,1250,15,4500,2,6,0.5,1210.5,0.8,F 2\n"
    )
    read = read_lot_sheet(sheet(tmp_path, text))
    assert read.rows == (
        SheetRow(
            2, "S1", tmp_path / "../pics/a.png", "../pics/a.png", "obj20", 0.582, 200.0, "L7",
            "Invented Works", "2026-03-01", "2026-03-31", "kb", "w3", "fusion", "CuSn6", "CuZn37", 800.0,
            1500.0, 500.0, 2000.0,
            "tin", 8.0, "backscatter", "nital", -40.0, 1250.0, 15.0, 4500.0, 2.0,
            {"bond_width": 1210.5, "collapse": 0.8},
            {"Furnace": "F 2"}, 6.0, 0.5,
        ),
    )  # fmt: skip
    assert read.problems == ()
    assert read.columns[0] == "section"
    assert read.columns[-1] == "Furnace"
    assert set(COLUMNS) < set(read.columns)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_tells_delimiter_mark_and_newline(tmp_path: Path, delimiter: str, mark: str, newline: str) -> None:
    lines = ["section,image,upper_thickness_um,note,", 'A,a.png,800,"one, two; three",,', "", ",,,,"]
    text = newline.join(lines)
    if delimiter != ",":
        records = list(csv.reader(io.StringIO(text)))
        out = io.StringIO()
        csv.writer(out, delimiter=delimiter, lineterminator=newline).writerows(records)
        text = out.getvalue()
    read = read_lot_sheet(sheet(tmp_path, mark + text))
    assert [(row.section, row.upper_thickness_um, row.extra) for row in read.rows] == [
        ("A", 800.0, {"note": "one, two; three"})
    ]


def test_row_numbers_are_those_of_a_spreadsheet(tmp_path: Path) -> None:
    read = read_lot_sheet(sheet(tmp_path, 'section,image,note\nA,a.png,"two\nlines"\n\nB,b.png,\n'))
    assert [row.number for row in read.rows] == [2, 4]
    assert read.rows[0].extra == {"note": "two lines"}


@pytest.mark.parametrize(
    ("column", "value", "rule"),
    [
        ("upper_thickness_um", "-3", "must be > 0 µm"),
        ("um_per_px", "0", "must be > 0 µm"),
        ("um_per_px", "nan", "must be a plain number"),
        ("um_per_px", "inf", "must be a plain number"),
        ("um_per_px", "1e999", "must be finite"),
        ("um_per_px", "0.5 µm", "must be a plain number"),
        ("um_per_px", "1_000", "must be a plain number"),
        ("um_per_px", "٣", "must be a plain number"),
        ("um_per_px", '"0,5"', "the comma can be read in two ways"),
        ("upper_thickness_um", "thin", "must be a plain number"),
        ("plating_um", "-1", "must be ≥ 0 µm"),
        ("plating_um", "8", "must come with the name of the plating"),
        ("plating", "-", "must be none"),
        ("made_on", "3/4/2026", "must be a date written as 2026-03-31"),
        ("made_on", "2026-02-30", "must be a date written as 2026-03-31"),
        ("view", "darkfield", "must be brightfield or backscatter"),
        ("weld_type", "arc", "must be solid_state or fusion"),
        ("stated_bond_width", "-1", "must be ≥ 0"),
        ("stated_continuity", "85", "must be a fraction from 0 to 1"),
    ],
)
def test_a_faulty_cell_is_named_and_the_other_rows_go_on(
    tmp_path: Path, column: str, value: str, rule: str
) -> None:
    text = f"section,image,{column}\nA,a.png,\nB,b.png,{value}\nC,c.png,\n"
    read = read_lot_sheet(sheet(tmp_path, text))
    assert [row.section for row in read.rows] == ["A", "C"]
    (problem,) = read.problems
    assert (problem.row.section, problem.row.image) == ("B", tmp_path / "b.png")
    (fault,) = problem.faults
    assert fault.startswith(f"lot.csv: row 3, {column} = ")
    assert value.strip('"') in fault
    assert rule in fault
    assert problem.findings[0].effect == "not_measured"
    assert problem.findings[0].sentence == fault


def test_one_row_may_have_several_faults(tmp_path: Path) -> None:
    read = read_lot_sheet(
        sheet(tmp_path, f"{HEADER}\nA,a.png,-3,x,,,2026-05-01,2026-04-01,,\n,b.png,800,,,,,,,\nC,,,,,,,,,\n")
    )
    assert faults(read) == [
        "lot.csv: row 2, upper_thickness_um = -3: must be > 0 µm",
        "lot.csv: row 2, um_per_px = x: must be a plain number, without unit or grouping",
        "lot.csv: row 2, cut_on = 2026-04-01: must not be before made_on = 2026-05-01",
        "lot.csv: row 3, section: must be given",
        "lot.csv: row 4, image: must be given",
    ]
    assert [problem.row.section for problem in read.problems] == ["A", "(row 3)", "C"]


def test_a_serial_section_names_its_weld(tmp_path: Path) -> None:
    read = read_lot_sheet(
        sheet(tmp_path, "section,image,weld,face_offset_um\nA,a.png,,250\nB,b.png,w1,-20\n")
    )
    assert faults(read) == ["lot.csv: row 2, face_offset_um = 250: must come with the name of the weld"]
    assert read.rows[0].face_offset_um == -20


def test_a_row_with_too_many_cells_is_not_shifted_into_place(tmp_path: Path) -> None:
    read = read_lot_sheet(sheet(tmp_path, "section,image,um_per_px\nA,a.png,0,582\n"))
    assert faults(read) == [
        "lot.csv: row 2: has 4 cells where the header has 3: a delimiter inside a value must be quoted",
        "lot.csv: row 2, um_per_px = 0: must be > 0 µm",
    ]


def test_every_row_of_a_repeated_name_is_faulty_but_lots_are_apart(tmp_path: Path) -> None:
    read = read_lot_sheet(sheet(tmp_path, "section,image,lot\nA,a.png,1\nA,b.png,1\nA,c.png,2\nB,a.png,1\n"))
    assert [row.number for row in read.rows] == [4, 5]
    assert faults(read) == [f"lot.csv: row {n}, section = A: must be unique in its lot" for n in (2, 3)]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0,582", 0.582),
        ("1234,5", 1234.5),
        ("1,5", 1.5),
        ("-0,123", None),
        ("1,234", None),
        ("1.234,5", None),
    ],
)
def test_decimal_comma_only_where_it_reads_in_one_way(tmp_path: Path, text: str, value: float | None) -> None:
    read = read_lot_sheet(sheet(tmp_path, f"section;image;um_per_px\nA;a.png;{text}\n"))
    assert [row.um_per_px for row in read.rows] == ([] if value is None else [value])
    assert len(read.problems) == (value is None)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "lot.csv: the file is empty"),
        ("\n \n", "lot.csv: the file is empty"),
        ("section,image\n", "lot.csv: there is no row below the column names"),
        ("\nsection,image\nA,a.png\n", "lot.csv: row 1 must hold the column names, and is empty"),
        ("sektion,image\nA,a.png\n", "lot.csv: column section is missing; is it sektion?"),
        (
            "section,picture\nA,a.png\n",
            "lot.csv: column image is missing; the header reads: section, picture",
        ),
        ("section,image,Section\nA,a.png,B\n", "lot.csv: column section stands 2 times in the header"),
        ("section,image,stated_bond_widht\nA,a.png,1\n", "did you mean stated_bond_width?"),
        ("section,image,stated_bond_kind\nA,a.png,1\n", "bond_kind is a word, not a number"),
        (b"section,image\nA,a.png\nB,\xb5.png\n", "lot.csv: line 3 holds byte 0xb5, which is not UTF-8"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "which is not UTF-8"),
        ("section,image\nA\0,a.png\n", "not a CSV or XLSX file"),
        ('section,image\nA,"a.png\n', "not valid CSV"),
        (b"PK\x03\x04rubbish", "lot.csv: not a readable XLSX workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1rubbish", "an XLS workbook of the old kind"),
    ],
)
def test_a_sheet_that_cannot_be_used_is_refused_in_one_line(
    tmp_path: Path, text: str | bytes, message: str
) -> None:
    with pytest.raises(SheetError) as error:
        read_lot_sheet(sheet(tmp_path, text))
    assert message in str(error.value)
    assert "\n" not in str(error.value)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="no such file"):
        read_lot_sheet(tmp_path / "none.csv")
    with pytest.raises(SheetError, match="is a folder"):
        read_lot_sheet(tmp_path)


def test_a_workbook_is_known_by_its_content(tmp_path: Path) -> None:
    path = workbook(
        tmp_path,
        ("section", "image", "um_per_px", "lot", "cut_on", "note"),
        (12.0, "a.png", 0.5, 7, dt.datetime(2026, 3, 31), "x"),
        (),
        ("B", "b.png", "0.25", None, "2026-04-01", 1.5),
        name="lot.csv",
    )
    first, second = read_lot_sheet(path).rows
    assert (first.number, first.section, first.um_per_px, first.lot) == (2, "12", 0.5, "7")
    assert (first.cut_on, first.extra) == ("2026-03-31", {"note": "x"})
    assert (second.number, second.um_per_px, second.cut_on, second.extra) == (
        4, 0.25, "2026-04-01", {"note": "1.5"},
    )  # fmt: skip


@pytest.mark.parametrize("place", [0.1, 0.3, 0.5, 0.7, 0.9, 0.99])
def test_a_damaged_workbook_is_refused_in_one_line(tmp_path: Path, place: float) -> None:
    data = bytearray(workbook(tmp_path, ("section", "image"), ("A", "a.png")).read_bytes())
    start = int(len(data) * place)
    data[start : start + 40] = bytes(40)
    with pytest.raises(SheetError, match=r"^lot\.csv: not a readable XLSX workbook$"):
        read_lot_sheet(sheet(tmp_path, bytes(data)))


def test_a_wrong_size_stored_in_a_workbook_hides_no_row(tmp_path: Path) -> None:
    rows = [("section", "image", "lot"), ("A", "a.png", "7"), ("B", "b.png", "8")]
    source = workbook(tmp_path, *rows)
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(tmp_path / "b.xlsx", "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name).replace(b'"A1:C3"', b'"A1:B2"'))
    assert [(row.section, row.lot) for row in read_lot_sheet(tmp_path / "b.xlsx").rows] == [
        ("A", "7"),
        ("B", "8"),
    ]


@pytest.mark.parametrize(
    ("value", "rule"),
    [
        ("=1/2", "the formula has no stored value"),
        ("#DIV/0!", "a spreadsheet error, not a value"),
        (True, "must be a number"),
        (dt.datetime(2026, 3, 31), "must be a number"),
        ("0,5", "the comma can be read in two ways"),
        (-0.5, "must be > 0 µm"),
    ],
)
def test_cells_of_a_workbook_that_hold_no_number(tmp_path: Path, value: object, rule: str) -> None:
    path = workbook(tmp_path, ("section", "image", "um_per_px"), ("A", "a.png", value))
    (fault,) = faults(read_lot_sheet(path))
    assert fault.startswith("lot.xlsx: row 2, um_per_px = ")
    assert rule in fault


def test_an_unknown_column_close_to_a_known_one_is_pointed_out(tmp_path: Path) -> None:
    read = read_lot_sheet(sheet(tmp_path, "section,image,Uper_thickness_um,remark\nA,a.png,800,fine\n"))
    assert read.notes == (
        "column Uper_thickness_um is not known and is only shown; did you mean upper_thickness_um?",
    )
    assert read.rows[0].extra == {"Uper_thickness_um": "800", "remark": "fine"}


words = st.text(st.characters(categories=("L", "N", "P", "S"), max_codepoint=0x2FFF), min_size=1, max_size=12)
lengths = st.none() | st.floats(1e-3, 1e6)


@given(st.lists(st.tuples(words, words, lengths), min_size=1, max_size=5), st.sampled_from(["csv", "xlsx"]))
@settings(max_examples=25, deadline=None)
def test_what_is_written_comes_back(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, str, float | None]], kind: str
) -> None:
    folder = tmp_path_factory.mktemp("sheet")
    records = [("section", "image", "remark", "upper_thickness_um")]
    records += [(f"S{i}", f"{i}.png", remark + name, um) for i, (remark, name, um) in enumerate(rows)]
    if kind == "csv":
        with (folder / "lot").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(records)
        path = folder / "lot"
    else:
        # A leading "=" would make the text a formula.
        records = [(a, b, f"_{c}", d) for a, b, c, d in records[1:]]
        path = workbook(folder, ("section", "image", "remark", "upper_thickness_um"), *records, name="lot")
    read = read_lot_sheet(path)
    assert read.problems == ()
    for row, (section, image, remark, um) in zip(read.rows, records[-len(rows) :], strict=True):
        assert (row.section, row.image_as_written, row.extra["remark"]) == (section, image, remark)
        # Workbooks keep 16 digits, one short of what brings every float back.
        assert row.upper_thickness_um == (um if um is None else pytest.approx(um, rel=1e-15))
