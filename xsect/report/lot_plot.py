"""Lot plot: the bond width of every section with its 95 % interval, against the limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from xsect.record import LotRecord, SectionRecord
from xsect.report.plotting import figure, svg_text
from xsect.report.standing import worst
from xsect.report.style import BLACK, GREY, VERDICT_STYLES
from xsect.report.typeface import drawn_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes

QUANTITY: Final = "bond_width"
_MOST_NAMES = 40


def lot_plot(lot: LotRecord) -> str:
    """Return the plot as an SVG element, 7.1 × 2.9 inches; lengths in mm.

    Shape and colour of a mark tell the verdict on the bond width; a hollow mark is a section that needs a
    look, a cross on the lower edge one whose bond width was not measured.
    """
    with figure(7.1, 2.5) as drawing:
        axes = drawing.add_axes((0.075, 0.27, 0.915, 0.60))
        size = 6.0 if len(lot.sections) <= 60 else 3.5
        for place, record in enumerate(lot.sections):
            _show_section(axes, place, record, size)
        limited = _show_limits(axes, lot)
        _name_sections(axes, lot)
        axes.set_ylabel("bond width, mm")
        axes.grid(axis="y", color="#D9D9D9", linewidth=0.6)
        axes.margins(y=0.12)
        _show_legend(axes, lot, limited=limited)
        return svg_text(drawing, title="Bond width of every section against the limits")


def _show_section(axes: Axes, place: int, record: SectionRecord, size: float) -> None:
    found = record.find(QUANTITY)
    style = VERDICT_STYLES[verdict_on_width(record)]
    if not found or record.status == "not_measured":
        at_edge: Any = axes.get_xaxis_transform()
        axes.plot(place, 0.03, marker="x", color=GREY, transform=at_edge, clip_on=False, markersize=size)
        return
    value, low, high = found.value / 1000, found.low / 1000, found.high / 1000
    axes.plot((place, place), (low, high), color=style.colour, linewidth=1.4)
    hollow = record.status == "needs_review"
    axes.plot(
        place, value, marker=style.marker, markersize=size, color=style.colour,
        markerfacecolor="white" if hollow else style.colour, markeredgewidth=1.4,
    )  # fmt: skip


def verdict_on_width(record: SectionRecord) -> str:
    """Return the gravest verdict on the bond width, "" where no clause could judge it."""
    word = worst(verdict for verdict in record.verdicts if verdict.quantity == QUANTITY)
    return "" if word == "not_measured" else word


def _show_limits(axes: Axes, lot: LotRecord) -> bool:
    """Draw the limits of whole sections; they may differ from row to row. Return whether there are any."""
    drawn = False
    for place, record in enumerate(lot.sections):
        for verdict in record.verdicts:
            if verdict.quantity != QUANTITY or verdict.segment is not None:
                continue
            for limit in (verdict.at_least / 1000, verdict.at_most / 1000):
                if math.isfinite(limit):
                    axes.plot(
                        (place - 0.5, place + 0.5), (limit, limit), color=BLACK, linewidth=1.0, dashes=(4, 2)
                    )
                    drawn = True
    return drawn


def _name_sections(axes: Axes, lot: LotRecord) -> None:
    names = [_short(drawn_name(record.row)) for record in lot.sections]
    step = math.ceil(len(names) / _MOST_NAMES) if names else 1
    upright = len(names) > 10 or max((len(name) for name in names), default=0) > 9
    axes.set_xticks(
        range(0, len(names), step), names[::step], rotation=90 if upright else 0, parse_math=False
    )
    axes.set_xlim(-0.6, max(len(names), 1) - 0.4)


def _short(name: str) -> str:
    return name if len(name) <= 14 else f"{name[:13]}…"


def _show_legend(axes: Axes, lot: LotRecord, *, limited: bool) -> None:
    from matplotlib.lines import Line2D

    seen = {verdict_on_width(record) for record in lot.sections if record.status != "not_measured"}
    handles = [
        Line2D([], [], color=style.colour, marker=style.marker, linestyle="", label=style.label)
        for name, style in VERDICT_STYLES.items()
        if name in seen
    ]
    statuses = {record.status for record in lot.sections}
    if "needs_review" in statuses:
        hollow = {"marker": "o", "linestyle": "", "markerfacecolor": "white", "color": BLACK}
        handles.append(Line2D([], [], label="hollow: needs a look", **hollow))  # type: ignore[arg-type]
    if any(not record.find(QUANTITY) or record.status == "not_measured" for record in lot.sections):
        handles.append(Line2D([], [], color=GREY, marker="x", linestyle="", label="not measured"))
    if limited:
        handles.append(Line2D([], [], color=BLACK, linestyle=(0, (4, 2)), linewidth=1.0, label="limit"))
    axes.legend(
        handles=handles, loc="lower left", bbox_to_anchor=(0, 1.02), ncols=len(handles) or 1, frameon=False,
        borderaxespad=0, columnspacing=1.4, handletextpad=0.4,
    )  # fmt: skip
