"""Findings: what a trend says, in plain sentences with numbers, the gravest first."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import Final

from xsect.lots.changes import Change
from xsect.lots.rows import WELD, Row
from xsect.lots.run_rules import RULES
from xsect.lots.trend import Trend
from xsect.lots.variance import lag_one
from xsect.quantities import Unit, decimals, show, shown_unit

ENOUGH_POINTS: Final = 20
"""Points from which limits are no longer called provisional (common practice: 20 to 25)."""
MANY_NAMED: Final = 8
FEW_NAMED: Final = 3
MANY_ON_BOUND: Final = 0.2


def findings(trend: Trend) -> tuple[str, ...]:
    """Return the findings: signals, changes, lots, spread, sections that need a look, and what limits the chart."""
    return tuple(
        sentence
        for part in (_signals, _changes, _lots, _spread, _standing, _limits)
        for sentence in part(trend)
    )


def difference(value: float, unit: Unit, u: float) -> str:
    """Write the size of a difference: as a quantity is written, in percentage points for fractions."""
    text = show(abs(value), unit, digits_from=u)
    return text.replace("%", "percentage points") if unit == "fraction" else text


def _sd(value: float, unit: Unit) -> str:
    """Write a standard deviation; one of a fraction that is 0 has no digits of its own."""
    return difference(value, unit, value) if value else "0"


def span(low: float, high: float, unit: Unit) -> str:
    """Write an interval in one unit."""
    factor, name = shown_unit(max(abs(low), abs(high)), unit)
    places = decimals(high * factor, (high - low) * factor / 4)
    text = f"{low * factor:.{places}f} to {high * factor:.{places}f} {name}".replace("-", "−")
    return text.rstrip()


def _what(trend: Trend) -> str:
    if trend.basis != "sections":
        return "lot"
    return "weld" if all(point.label.startswith(WELD) for point in trend.points) else "section"


def _named(trend: Trend, place: int) -> str:
    point = trend.points[place]
    of_lot = f" of lot {point.lot}" if trend.basis == "sections" and point.lot else ""
    return f"{_what(trend)} {point.label.removeprefix(WELD)}{of_lot}"


def _lot_named(trend: Trend, place: int) -> str:
    return f"lot {trend.points[place].lot or trend.points[place].label}"


def _short(trend: Trend, place: int) -> str:
    point = trend.points[place]
    return f"{point.lot} {point.label}" if trend.basis == "sections" and point.lot else point.label


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _signalled(trend: Trend) -> list[int]:
    return sorted({signal.place for signal in trend.chart.signals})


def _signals(trend: Trend) -> list[str]:
    places = _signalled(trend)
    if not places:
        return [
            f"No signal: the {len(trend.points)} {_what(trend)}s vary as chance lets them within the limits."
        ]
    names = [_short(trend, place) for place in places[:MANY_NAMED]]
    more = f" and {len(places) - MANY_NAMED} more" if len(places) > MANY_NAMED else ""
    counts = Counter((signal.rule, signal.panel) for signal in trend.chart.signals)
    causes = "; ".join(
        f"{RULES[rule].sentence + f' ({rule})' if rule in RULES else 'beyond a limit'}, {panel}: "
        f"{_count(number, 'point')}"
        for (rule, panel), number in sorted(counts.items(), key=lambda one: -one[1])
    )
    verb, them = ("signals", "it is") if len(places) == 1 else ("signal", "they are")
    return [
        f"{len(places)} of {len(trend.points)} {_what(trend)}s {verb}: {', '.join(names)}{more}. "
        f"Find the cause before {them} released. Patterns: {causes}."
    ]


def _changes(trend: Trend) -> list[str]:
    ends = [change.place for change in trend.changes[1:]] + [len(trend.points)]
    said = [_change(trend, change, end) for change, end in zip(trend.changes, ends, strict=False)]
    drawn_over = trend.changes and not trend.plan.baseline and not trend.plan.frozen
    if drawn_over:
        said.append(
            "The limits are drawn over the change: set them from a baseline before it, or begin a phase with it."
        )
    return said


def _change(trend: Trend, change: Change, end: int) -> str:
    unit = trend.rows.unit
    u = (change.high - change.low) / 4
    low, high = sorted((abs(change.low), abs(change.high)))
    if change.low < 0 < change.high:
        low = 0.0
    size = difference(change.shift, unit, u)
    word = "lower" if change.shift < 0 else "higher"
    signals = sum(change.place <= place < end for place in _signalled(trend))
    began = ""
    named = _lot_named if trend.changes_by == "lot" else _named
    if change.earliest != change.latest:
        began = (
            f" The change began between {named(trend, change.earliest)} and {named(trend, change.latest)}."
        )
    until = "" if end == len(trend.points) else f" up to {named(trend, end - 1)}"
    return (
        f"Since {named(trend, change.place)}{until} the mean is {size} {word} "
        f"({span(low, high, unit)} at 95 %), {_count(signals, 'signal')}.{began}"
    )


def _lots(trend: Trend) -> list[str]:
    parts = trend.components
    if parts is None:
        return []
    unit = trend.rows.unit
    sure = parts.share_low > 0
    whole = ", the change included," if trend.changes else ""
    text = (
        f"Lot to lot the standard deviation is {_sd(parts.sd_lots, unit)}, within lots "
        f"{_sd(parts.sd_within, unit)}: lots{whole} make {100 * parts.share:.0f} % "
        f"of the variance ({100 * parts.share_low:.0f} % to {100 * parts.share_high:.0f} % at 95 %)."
    )
    return [text if sure else f"{text} No difference between lots is shown."]


def _spread(trend: Trend) -> list[str]:
    spread, unit = trend.spread, trend.rows.unit
    where = "within lots" if trend.components else "from point to point"
    if math.isnan(spread.gauge):
        return ["The measurement's share of the spread is not known: not every section has an uncertainty."]
    share = (spread.gauge / spread.observed) ** 2
    seen, gauge = (_sd(sd, unit) for sd in (spread.observed, spread.gauge))
    if math.isnan(spread.process):
        return [
            f"The spread {where} ({seen}) is no larger than the measurement's own ({gauge}, from {spread.source}): "
            "the process's cannot be told from it."
        ]
    left = _sd(spread.process, unit)
    return [
        f"Of the standard deviation {where}, {seen}, the measurement makes {gauge} ({100 * share:.0f} % of the "
        f"variance; from {spread.source}); the process alone has {left}."
    ]


def _standing(trend: Trend) -> list[str]:
    rows = trend.rows.rows
    kind = "weld" if all(row.section.startswith(WELD) for row in rows) else "section"
    looks = [row for row in rows if row.status == "needs_review" and row.usable]
    undecided = sum(row.verdict == "undecided" for row in rows)
    absent = sum(not row.usable for row in rows)
    said = []
    if looks:
        counted = (
            "shown but left out of the reckoning"
            if trend.plan.vouched_only
            else "shown hollow and reckoned with"
        )
        verb = "needs" if len(looks) == 1 else "need"
        text = f"{len(looks)} of {_count(len(rows), kind)} {verb} a look: {counted}"
        sure = [row.value for row in rows if row.usable and row.status == "measured"]
        if sure and not trend.plan.vouched_only:
            every = [row.value for row in rows if row.usable]
            shift = sum(sure) / len(sure) - sum(every) / len(every)
            text += (
                f"; without them the mean would be {_moved(shift, trend.rows.unit, trend.spread.observed)}"
            )
        said.append(text + ".")
    said += by_hand(rows)
    if undecided:
        said.append(f"{_count(undecided, kind)} undecided: the interval straddles a limit.")
    if absent:
        seen = "crosses at the lower edge" if trend.missing else "the lots' points stand without them"
        said.append(f"{_count(absent, kind)} not measured: {seen}.")
    return said


def by_hand(rows: Sequence[Row]) -> list[str]:
    """Say which values a person set, who, when, why, and what was measured; [] where nobody did."""
    found = [row for row in rows if row.by_hand]
    if not found:
        return []
    named = "; ".join(
        f"{f'lot {row.lot}, ' if row.lot else ''}section {row.section} ({row.by_hand})"
        for row in found[:FEW_NAMED]
    )
    more = f"; and {len(found) - FEW_NAMED} more" if len(found) > FEW_NAMED else ""
    holds = "holds a value" if len(found) == 1 else "hold values"
    return [f"{_count(len(found), 'section')} {holds} set by hand, reckoned with as set: {named}{more}."]


def _moved(shift: float, unit: Unit, sd: float) -> str:
    if abs(shift) < 0.02 * sd:
        return "the same"
    return f"{difference(shift, unit, 0.1 * sd)} {'lower' if shift < 0 else 'higher'}"


def _limits(trend: Trend) -> list[str]:
    said = []
    for number, limits in enumerate(trend.chart.limits, 1):
        phase = f" of phase {number}" if len(trend.chart.limits) > 1 else ""
        if trend.plan.frozen:
            said.append("The limits are frozen from an earlier chart.")
            break
        if 0 < limits.points < ENOUGH_POINTS:
            said.append(
                f"The limits{phase} rest on {limits.points} points and are provisional: {ENOUGH_POINTS} to 25 are "
                "common."
            )
    used = [row.value for point in trend.points for row in point.used]
    on_bound = sum(value in trend.rows.natural for value in used) / len(used)
    if on_bound >= MANY_ON_BOUND:
        said.append(
            f"{100 * on_bound:.0f} % of the values lie on the quantity's own bound: limits of a normal spread do not "
            "suit them, and signals are to be read with care."
        )
    values = [point.value for point in trend.points]
    if (
        trend.chart.kind in ("individuals", "lot_means")
        and len(values) >= ENOUGH_POINTS
        and not trend.changes
    ):
        import numpy as np

        lag = lag_one(np.array(values))
        # beyond two standard errors of a white series, and large enough to narrow the limits
        if lag > max(0.25, 2 / math.sqrt(len(values))):
            said.append(
                f"Neighbouring points resemble one another (autocorrelation {lag:.2f}): limits from moving ranges are "
                "too narrow, and signals more frequent than they mean."
            )
    return said
