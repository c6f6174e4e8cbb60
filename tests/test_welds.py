"""A round weld drawn as five parallel cuts show it, measured from pictures to diameter.

Tolerance: the 95 % intervals, and 2 % (of 400 µm: 8 µm, 4 px, two notches and a little).
"""

import csv
import datetime as dt
import math
from dataclasses import replace

import cv2
import pytest

from tests.locate.drawing import Drawing
from xsect.pipeline import Options, measure_lot
from xsect.record import LotRecord
from xsect.welds import weld_diameters

UM, DIAMETER, CENTRE = 2.0, 400.0, 900.0
ASIDE = (-140.0, -70.0, 10.0, 80.0, 150.0)
"""Cuts' distances from the weld's centre, µm."""


@pytest.fixture(scope="module")
def lot(tmp_path_factory: pytest.TempPathFactory) -> LotRecord:
    folder = tmp_path_factory.mktemp("series")
    lines = []
    for number, aside in enumerate(ASIDE, 1):
        half = math.sqrt(DIAMETER**2 / 4 - aside**2) / UM
        drawing = replace(Drawing(size=(300, 560), upper=95.0, lower=95.0, slope=0.2), bonds=((-half, half),))
        cv2.imwrite(str(folder / f"{number}.png"), drawing.pixels())
        lines.append([f"C{number}", f"{number}.png", UM, "W1", CENTRE + aside, aside, 4])
    with (folder / "lot.csv").open("w", newline="", encoding="utf-8") as file:
        header = ["section", "image", "um_per_px", "weld", "face_offset_um", "plane_offset_um", "u_offset_um"]
        csv.writer(file).writerows([header, *lines])
    return measure_lot(folder / "lot.csv", Options(None, None, dt.date(2026, 5, 4)))


def test_the_circle_of_all_cuts(lot: LotRecord) -> None:
    (weld,) = weld_diameters(lot.sections)
    assert [cut.section for cut in weld.cuts] == ["C1", "C2", "C3", "C4", "C5"]
    assert weld.diameter.status == "measured"
    assert weld.diameter.value == pytest.approx(DIAMETER, rel=0.02)
    assert weld.diameter.low <= DIAMETER <= weld.diameter.high
    assert abs(weld.centre - CENTRE) <= 1.96 * weld.u_centre


@pytest.mark.parametrize("number", range(len(ASIDE)))
def test_each_cut_alone_where_its_distance_from_the_centre_is_known(lot: LotRecord, number: int) -> None:
    found = lot.sections[number].find("weld_diameter")
    width = lot.sections[number].find("bond_width")
    assert found is not None
    assert width is not None
    assert found.low <= DIAMETER <= found.high
    assert found.value == pytest.approx(DIAMETER, rel=0.02)
    assert width.value < found.value  # a chord
