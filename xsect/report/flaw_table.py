"""Flaw table: flaws.csv, one row a flaw found."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, Protocol

from xsect.report.tables import Cell, Rows, csv_bytes

FLAW_COLUMNS: Final = (
    "lot", "section", "segment", "kind", "term", "reference", "where", "counted", "x_px", "y_px",
    "length_um", "u_length_um", "width_um", "area_um2",
)  # fmt: skip


class Flaw(Protocol):
    """What a row needs of a flaw: lengths in µm, area in µm², NaN where it has none; place in px."""

    @property
    def kind(self) -> str: ...  # noqa: D102
    @property
    def term(self) -> str: ...  # noqa: D102
    @property
    def number(self) -> str: ...  # noqa: D102
    @property
    def where(self) -> str: ...  # noqa: D102
    @property
    def segment(self) -> int | None: ...  # noqa: D102
    @property
    def counted(self) -> bool: ...  # noqa: D102
    @property
    def x(self) -> float: ...  # noqa: D102
    @property
    def y(self) -> float: ...  # noqa: D102
    @property
    def length(self) -> float: ...  # noqa: D102
    @property
    def u_length(self) -> float: ...  # noqa: D102
    @property
    def width(self) -> float: ...  # noqa: D102
    @property
    def area(self) -> float: ...  # noqa: D102
    @property
    def path(self) -> tuple[tuple[tuple[float, float], ...], ...]: ...  # noqa: D102


def flaw_rows(sections: Sequence[tuple[str, str, Sequence[Flaw]]]) -> Rows:
    """Return a row for each flaw of each section, given as (lot, section, flaws)."""
    return [
        (
            lot, section, one.segment, one.kind, one.term, f"ISO 6520-2 {one.number} (from memory)", one.where,
            "yes" if one.counted else "no", *(_number(value) for value in (
                one.x, one.y, one.length, one.u_length, one.width, one.area)),
        )
        for lot, section, flaws in sections
        for one in flaws
    ]  # fmt: skip


def flaws_csv(sections: Sequence[tuple[str, str, Sequence[Flaw]]]) -> bytes:
    """Return flaws.csv."""
    return csv_bytes(FLAW_COLUMNS, flaw_rows(sections))


def _number(value: float) -> Cell:
    return float(f"{value:.6g}") if math.isfinite(value) else None
