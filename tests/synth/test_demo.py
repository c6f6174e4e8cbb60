"""The sample lots: readable sheets, pictures that are there, a truth that agrees with the drawing."""

import csv
import hashlib
from pathlib import Path

import cv2
import numpy as np
import pytest

from xsect.capture.calibration import load_record
from xsect.capture.lot_sheet import read_lot_sheet
from xsect.capture.micrometer import read_micrometer
from xsect.quantities import QUANTITIES
from xsect.synth.demo import draw_demo_micrometer, draw_weld, write_micrometer
from xsect.synth.demo_scenes import GOOD_LOT, TROUBLE_LOT, UM_PER_PX

ROOT = Path(__file__).parents[2]
LOTS = {"good_lot": (GOOD_LOT, 1100), "trouble_lot": (TROUBLE_LOT, 1200)}


def truth(lot: str) -> dict[tuple[str, str, str], float]:
    with (ROOT / "sample_images" / lot / "truth.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {(row["section"], row["quantity"], row["segment"]): float(row["value"]) for row in rows}


@pytest.mark.parametrize("lot", LOTS)
def test_sheets_are_read_and_pictures_are_there(lot: str) -> None:
    sheet = read_lot_sheet(ROOT / "sample_images" / lot / "lot.csv")
    assert [row.section for row in sheet.rows] == [weld.section for weld in LOTS[lot][0]]
    assert all(row.image.is_file() and row.calibration == "bench2_obj5" for row in sheet.rows)
    assert not getattr(sheet, "problems", ())


@pytest.mark.parametrize("lot", LOTS)
def test_truth_names_quantities_of_the_sheets_sections(lot: str) -> None:
    assert {name for _, name, _ in truth(lot)} <= set(QUANTITIES)
    usable = {weld.section for weld in LOTS[lot][0] if not weld.out_of_focus}
    assert {section for section, _, _ in truth(lot)} == usable


@pytest.mark.parametrize(("lot", "number"), [("good_lot", 2), ("trouble_lot", 3)])
def test_a_weld_drawn_again_is_the_same(lot: str, number: int) -> None:
    """Lossless pictures come back to the level, but for the last digit of other processors' arithmetic."""
    weld = LOTS[lot][0][number]
    pixels, again = draw_weld(weld, LOTS[lot][1] + number)
    for name, value in again.quantities.items():
        assert truth(lot)[weld.section, name, ""] == pytest.approx(value, rel=1e-5)
    (path,) = (ROOT / "sample_images" / lot).glob(f"*_{weld.section}.png")
    kept = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert np.abs(kept.astype(int) - pixels).max() <= 1


def test_the_scenario_holds_what_it_promises() -> None:
    trouble = truth("trouble_lot")
    assert trouble["B2", "plating_coverage", ""] > 0.25
    assert trouble["B3", "largest_opening", ""] > 150
    assert trouble["B4", "collapse", ""] < 0.25
    assert trouble["B5", "bond_offset", ""] > 200
    good = truth("good_lot")
    assert all(good[weld.section, "bond_width", ""] > 800 for weld in GOOD_LOT)


def test_calibration_record_is_what_its_pictures_say(tmp_path: Path) -> None:
    loaded = load_record("bench2_obj5", ROOT / "calibration")
    record = loaded.record
    picture = loaded.folder / record.image.file
    assert hashlib.sha256(picture.read_bytes()).hexdigest() == record.image.sha256
    rows, columns = (
        read_micrometer(draw_demo_micrometer(along_rows=rows), pitch_um=record.micrometer.pitch_um)
        for rows in (True, False)
    )
    assert record.um_per_px_x == pytest.approx(rows.um_per_px, abs=1e-5)
    assert record.um_per_px_y == pytest.approx(columns.um_per_px, abs=1e-5)
    assert abs(record.um_per_px_x / UM_PER_PX - 1) < 2 * record.u_relative
    write_micrometer(tmp_path)
    for path in tmp_path.iterdir():
        kept, drawn = (
            cv2.imread(str(one), cv2.IMREAD_UNCHANGED) for one in (ROOT / "calibration" / path.name, path)
        )
        assert np.abs(kept.astype(int) - drawn).max() <= 1
