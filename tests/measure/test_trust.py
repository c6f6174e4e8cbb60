"""Trust: a sign passes 1 exactly where the reason of its name is given, whatever is wrong with the picture."""

from dataclasses import replace

import numpy as np
import pytest

from tests.locate.drawing import Drawing, micrograph, sheet_row
from xsect.locate.contents import find_contents
from xsect.locate.section import locate
from xsect.measure.section import measure
from xsect.measure.trust import OVER, Sign, find_signs, score
from xsect.reasons import Finding

PLAIN = Drawing(size=(300, 560), upper=95.0, lower=95.0, slope=0.2)


def signs_and_codes(pixels: np.ndarray, **columns: object) -> tuple[dict[str, float], set[str]]:
    picture, row = micrograph(pixels, um_per_px=2.0), sheet_row(**columns)
    located = locate(picture, plated=False)
    found, findings = measure(located, find_contents(located, picture, view="brightfield"), picture, row)
    signs = find_signs(located, picture, row, found, findings)
    assert len({sign.code for sign in signs}) == len(signs)
    return {sign.code: sign.ratio for sign in signs}, {one.code for one in findings if one.effect != "note"}


@pytest.mark.parametrize(
    ("drawing", "columns", "expected"),
    [
        (PLAIN, {}, set()),
        (replace(PLAIN, blur=5.0), {}, {"out_of_focus"}),
        (PLAIN, {"upper_thickness_um": 120.0}, {"thickness_disagrees"}),
    ],
    ids=["plain", "blurred", "thin"],
)
def test_a_sign_passes_one_where_its_reason_is_given(
    drawing: Drawing, columns: dict[str, object], expected: set[str]
) -> None:
    signs, codes = signs_and_codes(drawing.pixels(), **columns)
    assert expected <= codes
    assert {code for code, ratio in signs.items() if ratio > 1} == codes


def test_reasons_without_a_measure_count_fully() -> None:
    picture, row = micrograph(PLAIN.pixels(), um_per_px=2.0), sheet_row()
    located = locate(picture, plated=False)
    found, findings = measure(located, find_contents(located, picture, view="brightfield"), picture, row)
    more = (*findings, Finding("calibration_expired", {"detail": "record x was valid until then"}))
    signs = find_signs(located, picture, row, found, more)
    assert Sign("calibration_expired", OVER) in signs
    assert score(signs) == OVER
    assert score(()) == 0.0
