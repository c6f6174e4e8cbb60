"""Typeface: which signs the package's own typeface has, and what stands in for names it cannot write."""

from __future__ import annotations

from functools import cache

from xsect.capture.lot_sheet import SheetRow
from xsect.report.style import REGULAR
from xsect.report.wording import printable


def covered(text: str) -> bool:
    """Return whether the package's typeface has a sign for every letter of a text."""
    return set(map(ord, text)) <= _signs()


def drawn_name(row: SheetRow) -> str:
    """Return a section's name for plots and pictures; its row's number where the typeface cannot write it."""
    name = printable(row.section)
    return name if covered(name) else f"row {row.number}"


@cache
def _signs() -> frozenset[int]:
    from matplotlib.ft2font import FT2Font

    controls = range(0x20)
    return frozenset(FT2Font(str(REGULAR)).get_charmap()) | frozenset(controls)
