"""The main job from sheet to records, on a lot of small drawn sections, some of which cannot be measured.

Tolerance: a bond width within 1.5 px, two notches and a little; all else is exact.
"""

import csv
import datetime as dt
import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

import xsect.pipeline as pipeline
from tests.locate.drawing import Drawing
from xsect.capture.lot_sheet import SheetError
from xsect.judge.criteria import Criteria, load_criteria
from xsect.pipeline import Options, measure_lot
from xsect.quantities import QUANTITIES
from xsect.reasons import REASONS
from xsect.record import LotRecord, SectionRecord

GOOD = Drawing(size=(300, 560), upper=95.0, lower=95.0, slope=0.2)
UM = 2.0
TODAY = dt.date(2026, 5, 4)

PICTURES = {
    "good.png": GOOD.pixels(),
    "two.png": replace(GOOD, bonds=((-170.0, -60.0), (50.0, 160.0)), slope=0.3).pixels(),
    "apart.png": replace(GOOD, bonds=(), standoff=12.0).pixels(),
    "blank.png": np.full((300, 560), 90, np.uint8),
}

ROWS = (
    {"section": "good", "image": "good.png", "um_per_px": UM, "lower_thickness_um": 190},
    {"section": "two", "image": "two.png", "um_per_px": UM},
    {"section": "thin", "image": "good.png", "um_per_px": UM, "lower_thickness_um": 120},
    {"section": "apart", "image": "apart.png", "um_per_px": UM},
    {"section": "blank", "image": "blank.png", "um_per_px": UM},
    {"section": "gone", "image": "gone.png", "um_per_px": UM},
    {"section": "faulty", "image": "good.png", "um_per_px": -3},
    {"section": "no scale", "image": "good.png"},
    {"section": "text", "image": "lot.csv", "um_per_px": UM},
    {"section": "last", "image": "good.png", "um_per_px": 0.5},
)

EXPECTED = {
    "good": ("measured", {"scale_unproven"}),
    "two": ("measured", {"scale_unproven"}),
    "thin": ("needs_review", {"scale_unproven", "thickness_disagrees"}),
    "apart": ("measured", {"scale_unproven", "no_bond"}),
    "blank": ("not_measured", {"scale_unproven", "no_section_found"}),
    "gone": ("not_measured", {"image_missing"}),
    "faulty": ("not_measured", {"row_invalid"}),
    "no scale": ("not_measured", {"no_scale"}),
    "text": ("not_measured", {"image_unreadable"}),
    "last": ("measured", {"scale_unproven"}),
}

CRITERIA = """\
name = "made up for the tests"
weld_type = "solid_state"
source = "none"

[[clause]]
id = "width"
quantity = "bond_width"
at_least = { um = 300 }

[[clause]]
id = "sound"
quantity = "continuity"
at_least = { fraction = 0.5 }
per_segment = true
"""


def write_sheet(path: Path, rows: tuple[dict[str, object], ...]) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, ["section", "image", "um_per_px", "lower_thickness_um"])
        writer.writeheader()
        writer.writerows(rows)
    return path


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lot")
    for name, pixels in PICTURES.items():
        cv2.imwrite(str(folder / name), pixels)
    return write_sheet(folder / "lot.csv", ROWS)


@pytest.fixture(scope="module")
def criteria(sheet: Path) -> Criteria:
    path = sheet.parent / "criteria.toml"
    path.write_text(CRITERIA, encoding="utf-8")
    return load_criteria(path)


@pytest.fixture(scope="module")
def lot(sheet: Path, criteria: Criteria) -> LotRecord:
    return measure_lot(sheet, Options(criteria, None, TODAY))


def record(lot: LotRecord, section: str) -> SectionRecord:
    return next(one for one in lot.sections if one.row.section == section)


def test_every_row_has_its_record_in_sheet_order(lot: LotRecord) -> None:
    assert [one.row.section for one in lot.sections] == [row["section"] for row in ROWS]


@pytest.mark.parametrize("section", EXPECTED)
def test_status_and_findings(lot: LotRecord, section: str) -> None:
    """One bad row, picture or scale costs only its own section."""
    found = record(lot, section)
    assert (found.status, {one.code for one in found.findings}) == EXPECTED[section]
    assert all(one.sentence and REASONS[one.code].what_to_do for one in found.findings)


@pytest.mark.parametrize(("section", "um"), [("good", 400), ("two", 440), ("thin", 400), ("last", 100)])
def test_widths(lot: LotRecord, section: str, um: float) -> None:
    found = record(lot, section)
    width = found.find("bond_width")
    assert width is not None
    assert width.value == pytest.approx(um, abs=1.5 * um / 200 * (2 if section == "two" else 1))
    assert width.low <= um <= width.high
    assert found.view is not None


@pytest.mark.parametrize(
    "section", [name for name, (status, _) in EXPECTED.items() if status == "not_measured"]
)
def test_refused_section_has_every_quantity_as_not_measured(lot: LotRecord, section: str) -> None:
    found = record(lot, section)
    assert [one.quantity for one in found.measurements] == list(QUANTITIES)
    assert not any(found.measurements)
    (grave,) = (one for one in found.findings if one.effect == "not_measured")
    assert all(one.note == grave.sentence and math.isnan(one.value) for one in found.measurements)
    assert found.view is None
    assert {one.verdict for one in found.verdicts} == {"not_measured"}


def test_measured_section_has_every_quantity_once(lot: LotRecord) -> None:
    for section in ("good", "two", "apart"):
        whole = [one.quantity for one in record(lot, section).measurements if one.segment is None]
        assert sorted(whole) == sorted(QUANTITIES)
    assert {one.segment for one in record(lot, "two").measurements} == {None, 1, 2}


def test_verdicts(lot: LotRecord) -> None:
    words = {one.row.section: [verdict.verdict for verdict in one.verdicts] for one in lot.sections}
    assert words["good"] == ["accept", "accept"]
    assert words["two"] == ["accept", "accept", "accept"]
    assert words["apart"][0] == "reject"
    assert words["last"][0] == "reject"


def test_a_section_that_needs_a_look_is_never_accepted(lot: LotRecord) -> None:
    """The same picture as the accepted section, with a doubt: undecided."""
    assert [one.verdict for one in record(lot, "thin").verdicts] == ["undecided", "undecided"]
    for one in lot.sections:
        if one.status != "measured":
            assert "accept" not in {verdict.verdict for verdict in one.verdicts}


def test_result_does_not_depend_on_the_number_of_jobs(
    sheet: Path, criteria: Criteria, lot: LotRecord
) -> None:
    seen: list[str] = []
    again = measure_lot(
        sheet, Options(criteria, None, TODAY), jobs=2, on_section=lambda one: seen.append(one.row.section)
    )
    assert seen == [row["section"] for row in ROWS]
    assert again.settings == lot.settings
    for one, other in zip(lot.sections, again.sections, strict=True):
        assert repr(one.measurements) == repr(other.measurements)  # to the digit; nan is not equal to itself
        assert one.findings == other.findings
        assert repr(one.verdicts) == repr(other.verdicts)
        assert one.image_sha256 == other.image_sha256


def test_failure_in_the_analysis_is_told_and_the_others_go_on(
    sheet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    locate = pipeline.locate

    def fail_on_two(micrograph, *, plated):
        if np.array_equal(micrograph.pixels, PICTURES["two.png"]):
            raise ZeroDivisionError("made up")
        return locate(micrograph, plated=plated)

    monkeypatch.setattr(pipeline, "locate", fail_on_two)
    few = write_sheet(sheet.parent / "few.csv", (ROWS[1], ROWS[-1]))
    lot = measure_lot(few, Options(None, None, TODAY))
    (finding,) = (one for one in record(lot, "two").findings if one.effect == "not_measured")
    assert finding.code == "unexpected"
    assert "ZeroDivisionError: made up" in finding.sentence
    assert not any(record(lot, "two").measurements)
    assert record(lot, "last").status == "measured"


def test_record_says_which_picture_and_scale(lot: LotRecord) -> None:
    good, gone = record(lot, "good"), record(lot, "gone")
    assert good.image_shape == (300, 560)
    assert len(good.image_sha256) == 64
    assert good.scale is not None
    assert (good.scale.um_per_px, good.scale.source) == (UM, "lot sheet")
    assert (gone.image_shape, gone.image_sha256, gone.scale) == ((0, 0), "", None)


def test_figures_are_drawn_where_asked(sheet: Path, tmp_path: Path) -> None:
    few = write_sheet(sheet.parent / "few.csv", (ROWS[0], ROWS[4], ROWS[5]))
    lot = measure_lot(few, Options(None, tmp_path, TODAY))
    for one in lot.sections:
        for name in one.figures:
            assert (tmp_path / name).stat().st_size > 1000
    assert len(record(lot, "good").figures) == 2
    assert record(lot, "gone").figures == ()


def test_sheet_that_is_none_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "lot.csv"
    path.write_text("weld,picture\n1,a.png\n", encoding="utf-8")
    with pytest.raises(SheetError):
        measure_lot(path, Options(None, None, TODAY))
