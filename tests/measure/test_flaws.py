"""Flaws in numbers: values and intervals of written-down flaws, and of none."""

import math

import numpy as np
import pytest

from tests.locate.drawing import micrograph
from tests.locate.test_flaws import MIDDLE, PLAIN, TORTUOUS, Cut, cut, length
from xsect.locate.flaws import Flaws, find_flaws
from xsect.locate.section import locate
from xsect.locate.voids import Void
from xsect.measure.flaws import measure_flaws
from xsect.measure.imperfections import list_imperfections
from xsect.quantities import Measurement
from xsect.report.flaw_table import FLAW_COLUMNS, flaws_csv


def flaws(
    *voids: Void, zones: tuple[float, ...] = (10_000.0,), textured: bool = False, faintest: float = 0.08
) -> Flaws:
    return Flaws(voids, (), (), (), zones, (False,) * len(zones), 25.0, 40.0, faintest, textured)


def void(area: float, feret: float, zone: int | None = 0) -> Void:
    return Void(np.zeros(2), np.zeros((4, 2)), area, 0.03 * area, feret, 0.5, 1.0, zone)


def one(found: list[Measurement], quantity: str, segment: int | None = None) -> Measurement:
    (result,) = (m for m in found if (m.quantity, m.segment) == (quantity, segment))
    return result


def test_no_flaw_is_zero_with_a_bound() -> None:
    found = measure_flaws(flaws(), 2.0, 0.001)
    fraction, largest, crack = (
        one(found, name) for name in ("void_fraction", "largest_void", "crack_length")
    )
    assert fraction.value == largest.value == crack.value == 0
    assert fraction.high == pytest.approx(2 * 25 / 10_000, rel=0.03)  # two voids of the least size
    assert 8 < largest.high < 25
    assert crack.high == pytest.approx(2 * 40, rel=0.03)


def test_an_etched_structure_widens_the_bound_of_no_crack() -> None:
    plain, etched = (one(measure_flaws(flaws(textured=t), 1.0, 0.0), "crack_length") for t in (False, True))
    assert etched.high == pytest.approx(3 * plain.high)


def test_an_etched_structure_that_would_hide_cracks_leaves_them_unmeasured() -> None:
    found = one(measure_flaws(flaws(textured=True, faintest=0.4), 1.0, 0.0), "crack_length")
    assert not found
    assert "unetched" in found.note


def test_voids_add_up_in_their_own_zone() -> None:
    listed = flaws(void(200, 20), void(100, 12, 1), void(5000, 90, None), zones=(10_000.0, 2_000.0))
    found = measure_flaws(listed, 2.0, 0.001)
    assert one(found, "void_fraction").value == pytest.approx(300 / 12_000)
    assert one(found, "void_fraction", 1).value == pytest.approx(0.02)
    assert one(found, "void_fraction", 2).value == pytest.approx(0.05)
    assert one(found, "largest_void").value == pytest.approx(40)
    assert one(found, "largest_void", 2).value == pytest.approx(24)


def test_no_bond_is_not_measured() -> None:
    assert all(not m and m.note == "no bond" for m in measure_flaws(None, 1.0, 0.001))
    assert list_imperfections(None, None, 1.0) == ()  # type: ignore[arg-type]


@pytest.mark.parametrize("turned", [False, True])
def test_list_and_table_of_a_drawn_section(turned: bool) -> None:
    hole = (MIDDLE[0] + 60, MIDDLE[1] - 18, 9.0, 7.0)
    pixels = cut(PLAIN, Cut(holes=(hole,), lines=((TORTUOUS, 1.5, 0.8),)))
    picture = micrograph(np.ascontiguousarray(pixels.T) if turned else pixels, um_per_px=2.0)
    located = locate(picture, plated=False)
    listed = list_imperfections(find_flaws(located, picture), located, 2.0)
    assert [flaw.kind for flaw in listed] == ["void", "crack"]
    pore, crack = listed
    assert (pore.number, pore.counted, pore.segment) == ("P 2011", True, 1)
    place = (pore.y, pore.x) if turned else (pore.x, pore.y)
    assert place == pytest.approx(hole[:2], abs=0.5)
    assert pore.area == pytest.approx(4 * math.pi * 63, rel=0.1)
    assert crack.length == pytest.approx(2 * length(TORTUOUS), rel=0.12)
    lines = flaws_csv([("L1", "S1", listed)]).decode().splitlines()
    assert lines[0] == ",".join(FLAW_COLUMNS)
    assert lines[1].startswith("L1,S1,1,void,pore,ISO 6520-2 P 2011 (from memory),bond zone,yes,")
    assert len(lines) == 3
