"""Style: the colours, line patterns, marks and typeface that all figures and reports share.

Colours are the set of M. Okabe and K. Ito, "Color Universal Design" (2008), told apart with any colour
vision; every meaning is carried by a pattern, a shape or a word as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

BLACK: Final = "#000000"
ORANGE: Final = "#E69F00"
SKY_BLUE: Final = "#56B4E9"
GREEN: Final = "#009E73"
YELLOW: Final = "#F0E442"
BLUE: Final = "#0072B2"
VERMILLION: Final = "#D55E00"
PURPLE: Final = "#CC79A7"
GREY: Final = "#6B6B6B"

FONTS: Final = Path(__file__).parent / "fonts"
FONT_FAMILY: Final = "Liberation Sans"
REGULAR: Final = FONTS / "LiberationSans-Regular.ttf"
BOLD: Final = FONTS / "LiberationSans-Bold.ttf"


@dataclass(frozen=True)
class StateStyle:
    """How one station state is drawn.

    ``dash`` are the lengths of strokes and gaps in line widths (empty: unbroken); ``lane`` is the height
    within the state band, 0 nearest to the lower part, so that states differ in place as well as in colour.
    """

    label: str
    colour: str
    dash: tuple[float, ...]
    lane: int


STATE_STYLES: Final[dict[str, StateStyle]] = {
    "joined": StateStyle("joined", GREEN, (), 1),
    "fused": StateStyle("fused", BLUE, (6.0, 1.0), 1),
    "plating": StateStyle("plating between", ORANGE, (2.2, 1.2), 2),
    "filled": StateStyle("gap filled with plating", PURPLE, (4.0, 1.4, 1.0, 1.4), 0),
    "open": StateStyle("open", VERMILLION, (1.0, 1.4), 0),
    "unknown": StateStyle("not known", GREY, (1.0, 3.5), 2),
}


@dataclass(frozen=True)
class VerdictStyle:
    """How one verdict is shown: its word, colour and marker (a matplotlib marker code)."""

    label: str
    colour: str
    marker: str


VERDICT_STYLES: Final[dict[str, VerdictStyle]] = {
    "accept": VerdictStyle("accept", GREEN, "o"),
    "reject": VerdictStyle("reject", VERMILLION, "s"),
    "undecided": VerdictStyle("undecided", ORANGE, "D"),
    "not_measured": VerdictStyle("not measured", GREY, "x"),
    "": VerdictStyle("not judged", BLUE, "^"),
}


def rgb(colour: str) -> tuple[int, int, int]:
    """Return a colour "#RRGGBB" as three numbers 0 to 255."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)
