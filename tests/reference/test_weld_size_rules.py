"""Weld size rules d = k · sqrt(t) as limits of a criteria file; the tables print three decimals of a mm."""

from collections.abc import Callable
from pathlib import Path

import pytest

from xsect.capture.lot_sheet import SheetRow
from xsect.judge.criteria import Limit


@pytest.mark.parametrize(("factor", "column"), [(3.5, "d_3p5"), (4.0, "d_4"), (5.0, "d_5")])
def test_weld_size_rule(table: Callable[[str], list[dict[str, float]]], factor: float, column: str) -> None:
    for line in table("weld_size_rules"):
        thin = 1000 * line["t_mm"]
        row = SheetRow(2, "a", Path("a"), "a", upper_thickness_um=1.7 * thin, lower_thickness_um=thin)
        limit = Limit("times_sqrt_mm", factor, "thinner_part")
        assert limit.value(row) == pytest.approx(1000 * line[column], abs=0.5)
