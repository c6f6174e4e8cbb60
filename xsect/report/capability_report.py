"""Capability report: what the indices say in words, tables and the chart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from xsect.lots.capability import Capability, Indices
from xsect.lots.findings import by_hand, span
from xsect.lots.indices import Index
from xsect.lots.rows import Row, Rows
from xsect.quantities import QUANTITIES, Unit, show
from xsect.report.capability_chart import capability_png, capability_svg
from xsect.report.page import Fact
from xsect.report.statistics_page import Block, StatisticsPage
from xsect.report.tables import Cell, csv_bytes

INDEX_COLUMNS: Final = ("quantity", "index", "gauge", "value", "low", "high", "at_least")
_HOW: Final = (
    "Cp and Cpk stand on the spread within lots, Pp and Ppk on that of all values. Intervals: chi-square for Cp and "
    "Pp, the normal approximation of A. F. Bissell (1990) for Cpk and Ppk; tolerance intervals are exact (noncentral "
    "t).",
    "Values that do not follow the normal curve are transformed together with the limits (log-odds between known "
    "bounds, Box-Cox, Johnson), and only where the Anderson-Darling test accepts the result at 5 %.",
    "Without the gauge: the variance of repeated measurements is taken out of both spreads, and counts as known.",
)


def sentences(found: Capability, quantity: str, used: Sequence[Row], absent: int) -> tuple[str, ...]:
    """Return what the result says, the gravest first."""
    unit = QUANTITIES[quantity].unit
    said = [f"No index is given: {found.no_index}."] if found.no_index else []
    counts = _counts(found.observed, found.judged)
    if counts is not None:
        said.append(_shown(counts, found.judged, found))
        if found.shape is not None:
            said.append(_needed(found, counts))
    low, high = found.beyond_share
    said.append(
        f"{found.beyond} of {found.n} values lie beyond a limit: {span(100 * low, 100 * high, 'word')} % of all "
        "sections at 95 % confidence."
    )
    process, observed = found.process, found.observed
    alone, seen = (_counts(indices, found.judged) for indices in (process, observed))
    if alone and seen:
        said.append(
            f"The measurement (sd {show(found.gauge_sd, unit, digits_from=found.gauge_sd)}) widens the spread: without "
            f"it {found.judged} would be {alone.value:.2f} instead of {seen.value:.2f}."
        )
    looks = sum(row.status == "needs_review" for row in used)
    undecided = sum(row.verdict == "undecided" for row in used)
    if looks:
        verbs = ("needs", "is") if looks == 1 else ("need", "are")
        said.append(f"{looks} of {found.n} sections {verbs[0]} a look (hollow) and {verbs[1]} reckoned with.")
    said += by_hand(used)
    if undecided:
        said.append(f"{undecided} of {found.n} sections are undecided: their interval straddles a limit.")
    if absent:
        said.append(
            f"{absent} sections have no number and cannot count: if they failed, the process is worse than this."
        )
    return (*said, *(f"{remark[0].upper()}{remark[1:]}." for remark in found.remarks))


def _shown(index: Index, name: str, found: Capability) -> str:
    text = f"{name} = {index.value:.2f} ({index.low:.2f} to {index.high:.2f} at 95 %)"
    if index.bound >= found.target:
        return f"Capable: {text}; {found.target:g} is exceeded with 95 % confidence."
    if index.value < found.target:
        return f"Not capable: {text}, below {found.target:g}."
    return f"Not shown: {text}; the bound at 95 % confidence, {index.bound:.2f}, is below {found.target:g}."


def _counts(indices: Indices | None, name: str) -> Index | None:
    """Return the index that counts, by its name."""
    return dict(_named(indices)).get(name)


def _needed(found: Capability, index: Index) -> str:
    if found.needed is None:
        if index.value <= found.target:
            return f"No number of further sections would show {found.target:g}: {found.judged} itself has to rise."
        return f"{found.judged} is so little above {found.target:g} that no usable number of sections would show it."
    more = found.needed - found.n
    if more <= 0:
        return f"No further sections are needed to show {found.target:g}."
    return (
        f"{more} more sections, in lots like these, would show {found.target:g} at 95 % confidence, if {found.judged} "
        f"stays at {index.value:.2f}."
    )


def capability_page(
    found: Capability, rows: Rows, used: Sequence[Row], sources: Sequence[str]
) -> StatisticsPage:
    """Return the report; ``used`` are the rows behind the values."""
    quantity, unit = QUANTITIES[rows.quantity], rows.unit
    segment = "" if rows.segment is None else f", segment {rows.segment}"
    limits = found.specification
    facts = (
        Fact("Quantity", f"{quantity.label}{segment}"),
        Fact("Limits", _limits(found, unit)),
        Fact("Sections", f"{found.n} in {found.lots} lots" if found.lots < found.n else str(found.n)),
        Fact("Mean", show(found.mean, unit, digits_from=found.sd / 5)),
        Fact(
            "Sources", ", ".join(sources[:4]) + (f" and {len(sources) - 4} more" if len(sources) > 4 else "")
        ),
        Fact("Spread, all values", show(found.sd, unit, digits_from=found.sd)),
        Fact("Spread within lots", show(found.sd_within, unit, digits_from=found.sd_within)),
        Fact("Shape", _shape(found)),
        Fact("Tolerance interval", _tolerance(found, unit)),
        Fact("Natural bounds", _natural(limits.natural, unit)),
        *((Fact("Limits from", limits.origin),) if limits.origin else ()),
    )
    values = np.array([row.value for row in used])
    looks = np.array([row.status == "needs_review" for row in used])
    blocks = (
        Block(
            "What it says",
            (
                *sentences(found, rows.quantity, used, len(rows.rows) - len(used)),
                *(f"{note[0].upper()}{note[1:]}." for note in rows.notes),
            ),
        ),
        Block(
            plot=capability_svg(found, rows.quantity, values, looks),
            alt="Histogram of the values against the limits, and a probability plot; the numbers stand in the tables",
            caption="Left: sections, fitted curve, mean and limits. Right: values over normal scores; on the line they "
            "follow the fitted shape.",
        ),
        Block(
            "Indices",
            heads=("Index", "Value", "95 % interval", "At least, at 95 %", "What is judged"),
            rows=tuple(_index_rows(found)),
            numeric=(1, 2, 3),
        ),
        Block("How it is reckoned", _HOW),
    )
    return StatisticsPage("Capability", f"{quantity.label}{segment}", facts, blocks)


def _index_rows(found: Capability) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for indices, what in ((found.observed, "as measured"), (found.process, "without the gauge's share")):
        for name, index in _named(indices):
            rows.append(
                (
                    name,
                    f"{index.value:.2f}",
                    f"{index.low:.2f} to {index.high:.2f}",
                    f"{index.bound:.2f}",
                    what,
                )
            )
    return rows


def _named(indices: Indices | None) -> list[tuple[str, Index]]:
    if indices is None:
        return []
    pairs = (("Cp", indices.cp), ("Cpk", indices.cpk), ("Pp", indices.pp), ("Ppk", indices.ppk))
    return [(name, index) for name, index in pairs if index is not None]


def _limits(found: Capability, unit: Unit) -> str:
    ends = (("at least", found.specification.lower), ("at most", found.specification.upper))
    return ", ".join(f"{word} {show(end, unit)}" for word, end in ends if math.isfinite(end))


def _natural(bounds: tuple[float, float], unit: Unit) -> str:
    said = [
        f"{word} {show(end, unit)}"
        for word, end in zip(("from", "to"), bounds, strict=True)
        if math.isfinite(end)
    ]
    return " ".join(said) or "none"


def _shape(found: Capability) -> str:
    if found.shape is None:
        return "no curve"
    tested = f"p = {found.shape.p:.2g}" if math.isfinite(found.shape.p) else "too few values to test"
    return f"{found.shape.words} ({tested})"


def _tolerance(found: Capability, unit: Unit) -> str:
    low, high = found.tolerance
    share = f"{100 * found.coverage:g} % of all sections"
    if math.isfinite(low) and math.isfinite(high):
        return f"{span(low, high, unit)} holds {share}"
    if math.isfinite(low):
        return f"{share} are above {show(low, unit)}"
    return f"{share} are below {show(high, unit)}" if math.isfinite(high) else "none without a curve"


def capability_files(found: Capability, rows: Rows, used: Sequence[Row]) -> list[tuple[str, bytes]]:
    """Return the files beside the report: the chart (SVG and PNG) and indices.csv."""
    values = np.array([row.value for row in used])
    looks = np.array([row.status == "needs_review" for row in used])
    table: list[tuple[Cell, ...]] = [
        (rows.quantity, name, what, index.value, index.low, index.high, index.bound)
        for indices, what in ((found.observed, "included"), (found.process, "taken out"))
        for name, index in _named(indices)
    ]
    return [
        ("chart.svg", capability_svg(found, rows.quantity, values, looks).encode()),
        ("chart.png", capability_png(found, rows.quantity, values, looks)),
        ("indices.csv", csv_bytes(INDEX_COLUMNS, table)),
    ]
