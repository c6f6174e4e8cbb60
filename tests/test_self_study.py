"""Self-study: a picture imaged again shows the same section; what the spread over looks says."""

import datetime as dt
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from xsect.capture.micrograph import Micrograph
from xsect.capture.scale import Scale
from xsect.lots.looks import SectionLooks, pooled
from xsect.lots.rows import RowsError
from xsect.report.self_study_report import self_page, self_sentences
from xsect.report.statistics_page import statistics_html
from xsect.self_study import Look, draw_looks, imaged_again, self_study

ROOT = Path(__file__).parents[1]


def picture(pixels: np.ndarray, burned_in: np.ndarray | None = None) -> Micrograph:
    return Micrograph(pixels, Scale(1.0, 1.0, 0.001, "lot sheet"), "ab", burned_in)


def test_a_shift_of_whole_pixels_moves_the_picture() -> None:
    pixels = np.random.default_rng(1).integers(60, 190, (40, 50), dtype=np.uint8)
    covered = np.zeros((40, 50), dtype=np.bool_)
    covered[10, 20] = True
    again = imaged_again(picture(pixels, covered), Look((3.0, 2.0), 0.0, 1.0, seed=2))
    rest = again.pixels[2:, 3:].astype(float) - pixels[:-2, :-3]
    # nothing but the noise of 0.8 % of 255, and rounding
    assert rest.std() == pytest.approx(math.hypot(0.008 * 255, math.sqrt(1 / 12)), rel=0.06)
    assert abs(rest.mean()) < 0.2
    assert again.burned_in is not None
    assert np.argwhere(again.burned_in).tolist() == [[12, 23]]


def test_brightness_and_pixel_type_are_kept_in_range() -> None:
    again = imaged_again(
        picture(np.full((30, 30, 3), 64000, dtype=np.uint16)), Look((0.4, 0.0), 1.0, 1.05, seed=3)
    )
    assert (again.pixels.dtype, again.pixels.shape) == (np.uint16, (30, 30, 3))
    assert again.pixels.max() == 65535
    assert again.pixels.min() > 60000


def test_looks_repeat() -> None:
    one, two = (draw_looks(6, rng=np.random.default_rng(5)) for _ in range(2))
    assert one == two
    assert len({look.turn for look in one}) == 6


def section(name: str, values: tuple[float, ...], u: float = 5.0, refused: int = 0) -> SectionLooks:
    return SectionLooks("L", name, 900.0, u, values, refused)


def test_spread_is_pooled_and_set_against_what_is_stated() -> None:
    found = pooled("bond_width", 2, [section("A", (899.0, 901.0)), section("B", (898.0, 902.0))], ["C"])
    assert found.sd == pytest.approx(math.sqrt((2 + 8) / 2))
    assert found.dof == 2
    # chi-square of 2 is exponential: its 5 % point is −2 ln 0.95
    assert found.sd_bound == pytest.approx(found.sd * math.sqrt(2 / (-2 * math.log(0.95))))
    told = self_sentences(found)
    assert "are not shown to cover it" in told[0]
    assert told[-1] == "Not measured as they are, and left out: C."


def test_a_look_outside_the_interval_is_named() -> None:
    many = tuple(900 + 0.3 * (-1) ** k for k in range(12))
    found = pooled("bond_width", 12, [section("A", many), section("B", (*many[:-2], 915.0), refused=1)], [])
    told = " ".join(self_sentences(found))
    assert "Some look leaves the 95 % interval in 1 of 2 sections: B." in told
    assert "1 looks of 24 were not measured" in told
    assert b"<svg" in statistics_html(self_page(found, "lot.csv"))


def test_values_are_set_against_those_read_by_hand() -> None:
    """Five sections that a person read 2, 4, 6, 8 and 10 µm smaller: bias 6 µm, limits 6 ± 1.96 · sqrt(10) µm."""
    sections = [replace(section(f"S{n}", (899.0, 901.0)), by_hand=900.0 - 2 * n) for n in range(1, 6)]
    found = pooled("bond_width", 2, sections, [])
    told = " ".join(self_sentences(found))
    assert "states: Bias is shown: value minus reference is +6 (" in told
    assert "95 % of single deviations lie between −0.198 and +12.2" in told
    page = self_page(found, "lot.csv")
    assert [block.heading for block in page.blocks].count("Against values read by hand") == 1
    few = pooled("bond_width", 2, sections[:4], [])
    assert "states 4 values read by hand: bias needs at least 5" in " ".join(self_sentences(few))
    none = pooled("bond_width", 2, [section("A", (1.0, 2.0)), section("B", (1.0, 3.0))], [])
    assert "states no values read by hand (column stated_bond_width)" in " ".join(self_sentences(none))


def test_too_few_sections() -> None:
    with pytest.raises(ValueError, match="in 1 sections: a study needs 2"):
        pooled("bond_width", 3, [section("A", (1.0, 2.0)), section("B", (1.0,))], [])


@pytest.mark.parametrize(
    ("quantity", "looks", "said"), [("bond_kind", 3, "is a word"), ("standoff", 1, "at least 2")]
)
def test_what_cannot_be_studied(quantity: str, looks: int, said: str) -> None:
    with pytest.raises(RowsError, match=said):
        self_study(
            ROOT / "sample_images/good_lot/lot.csv",
            quantity=quantity,
            looks=looks,
            today=dt.date(2026, 11, 25),
        )


def test_two_sample_sections_looked_at_again(tmp_path: Path) -> None:
    sheet = ROOT / "sample_images" / "good_lot" / "lot.csv"
    header, *rows = sheet.read_text(encoding="utf-8").splitlines()
    few = tmp_path / "lot.csv"
    place = header.split(",").index("image")
    kept = []
    for row in rows[1:3]:
        cells = row.split(",")
        cells[place] = str(sheet.parent / cells[place])
        kept.append(",".join(cells))
    few.write_text("\n".join([header, *kept]) + "\n", encoding="utf-8")
    found = self_study(
        few,
        quantity="bond_width",
        looks=2,
        today=dt.date(2026, 11, 25),
        calibration_folder=ROOT / "calibration",
    )
    assert [one.refused for one in found.sections] == [0, 0]
    # a pixel is 2 µm; imaging again moves each notch by a fraction of one
    assert all(abs(value - one.value) < 6.0 for one in found.sections for value in one.values)
    assert found.sd < found.stated
