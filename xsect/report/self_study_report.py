"""Report of a self-study: how far measurements depend on how the picture was taken."""

from __future__ import annotations

import math

import numpy as np

from xsect.lots.bias import FEWEST, Bias, bias
from xsect.lots.looks import SelfStudy
from xsect.quantities import COVERAGE_FACTOR, QUANTITIES, show, shown_unit
from xsect.report.gauge_report import bias_blocks, bias_sentences
from xsect.report.page import Fact
from xsect.report.plotting import figure, svg_text
from xsect.report.statistics_page import Block, StatisticsPage
from xsect.report.style import BLACK, BLUE, GREY
from xsect.report.tables import Cell, csv_bytes

LOOK_COLUMNS = ("lot", "section", "quantity", "value", "u_scatter", "look", "value_again")
_HOW = (
    "Every picture is shifted by up to 3 px and turned by up to 1.5° (cubic resampling), made up to 5 % darker or "
    "brighter, and given noise of 0.8 % of full scale; the same looks for all sections. Each look is measured from "
    "the start.",
    "The standard deviation is pooled over the sections. It is the part of the uncertainty that comes with the "
    "exposure: polishing, etching and the place of the cut are the same in every look.",
)


def self_sentences(found: SelfStudy) -> tuple[str, ...]:
    """Return what the study says, the gravest first."""
    unit = QUANTITIES[found.quantity].unit
    sd, stated, bound = (show(v, unit, digits_from=v) for v in (found.sd, found.stated, found.sd_bound))
    covered = found.sd_bound <= found.stated
    word = (
        "cover it"
        if covered
        else "do not cover it"
        if found.sd > found.stated
        else "are not shown to cover it"
    )
    said = [
        f"The stated uncertainties {word}: imaged again, values scatter by {sd} (below {bound} at 95 % confidence); "
        f"the sections state {stated} without the scale's part."
    ]
    far = [
        one for one in found.sections
        if one.values and np.max(np.abs(np.array(one.values) - one.value)) > COVERAGE_FACTOR * one.u
    ]  # fmt: skip
    if far:
        named = ", ".join(one.section for one in far[:6])
        said.append(
            f"Some look leaves the 95 % interval in {len(far)} of {len(found.sections)} sections: {named}."
        )
    refused = sum(one.refused for one in found.sections)
    if refused:
        said.append(
            f"{refused} looks of {found.looks * len(found.sections)} were not measured, and do not count."
        )
    said += _by_hand(found)
    if found.skipped:
        said.append(f"Not measured as they are, and left out: {', '.join(found.skipped)}.")
    return tuple(said)


def _hand_values(found: SelfStudy) -> Bias | None:
    """Return the values set against the analyst's, None where the sheet states fewer than five."""
    rows = [
        (f"{one.lot} {one.section}".strip(), one.by_hand, one.value)
        for one in found.sections
        if math.isfinite(one.by_hand)
    ]
    return bias(rows) if len(rows) >= FEWEST else None


def _by_hand(found: SelfStudy) -> list[str]:
    against = _hand_values(found)
    if against:
        return [f"Against the values that the lot sheet states: {text}" for text in bias_sentences(against)]
    given = sum(math.isfinite(one.by_hand) for one in found.sections)
    if not given:
        return [
            f"The lot sheet states no values read by hand (column stated_{found.quantity}): bias cannot be told."
        ]
    return [f"The lot sheet states {given} values read by hand: bias needs at least {FEWEST}."]


def self_page(found: SelfStudy, source: str) -> StatisticsPage:
    """Return the report."""
    quantity, unit = QUANTITIES[found.quantity], QUANTITIES[found.quantity].unit
    facts = (
        Fact("Quantity", quantity.label), Fact("Lot sheet", source), Fact("Sections", str(len(found.sections))),
        Fact("Looks a section", str(found.looks)),
    )  # fmt: skip
    rows = tuple(
        (
            f"{one.lot} {one.section}".strip(), show(one.value, unit, digits_from=one.u or None),
            show(one.u, unit, digits_from=one.u or None), str(len(one.values)),
            show(one.sd, unit, digits_from=one.sd or None),
            "–" if math.isnan(one.offset)
            else f"{'+' if one.offset >= 0 else '−'}{show(abs(one.offset), unit, digits_from=one.sd or None)}",
        )
        for one in found.sections
    )  # fmt: skip
    against = _hand_values(found)
    heads = ("Section", "Value", "u without scale", "Looks", "sd over looks", "Mean of looks − value")
    blocks = (
        Block("What it says", self_sentences(found)),
        Block(
            plot=self_svg(found),
            alt="Deviations of the looks from each section's value, with its interval; numbers in the table",
            caption="Dots: looks. Grey bars: the section's own 95 % interval, without the scale's part.",
        ),
        Block("Sections", heads=heads, rows=rows, numeric=(1, 2, 3, 4, 5)),
        *((Block("Against values read by hand"), *bias_blocks(against)) if against else ()),
        Block("How it is done", _HOW),
    )
    return StatisticsPage("Self-study of the measurement", f"{quantity.label}: {source}", facts, blocks)


def self_svg(found: SelfStudy) -> str:
    """Return the looks' deviations section by section as an SVG element, 7.1 inches wide."""
    unit = QUANTITIES[found.quantity].unit
    reach = max(COVERAGE_FACTOR * one.u for one in found.sections)
    factor, name = shown_unit(reach, unit)
    with figure(7.1, 2.6) as drawing:
        axes = drawing.add_axes((0.09, 0.2, 0.90, 0.74))
        axes.axhline(0, color=BLACK, linewidth=0.7)
        for place, one in enumerate(found.sections):
            half = COVERAGE_FACTOR * one.u * factor
            axes.plot((place, place), (-half, half), color=GREY, linewidth=1.4)
            away = (np.array(one.values) - one.value) * factor
            spread = np.linspace(-0.12, 0.12, away.size) if away.size > 1 else np.zeros(away.size)
            axes.plot(
                place + spread,
                away,
                marker="o",
                markersize=3.2,
                linestyle="",
                color=BLUE,
                markerfacecolor="white",
            )
        step = math.ceil(len(found.sections) / 30)
        axes.set_xticks(
            range(0, len(found.sections), step), [one.section for one in found.sections][::step], parse_math=False,
            rotation=90 if len(found.sections) > 12 else 0,
        )  # fmt: skip
        axes.set_xlim(-0.6, len(found.sections) - 0.4)
        axes.set_ylabel(f"look − value, {name}")
        return svg_text(drawing, title="Deviations of the looks from each section's value")


def self_files(found: SelfStudy) -> list[tuple[str, bytes]]:
    """Return looks.csv: every value of every look."""
    rows: list[tuple[Cell, ...]] = [
        (one.lot, one.section, found.quantity, one.value, one.u, number, value)
        for one in found.sections
        for number, value in enumerate(one.values, 1)
    ]
    return [("looks.csv", csv_bytes(LOOK_COLUMNS, rows))]
