"""Trend: a quantity over lots or sections as a control chart, with its changes, lots and spread taken apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from xsect.lots.changes import MOST_POINTS, Change, change_points
from xsect.lots.charts import Chart, Kind, Plan, choose_kind, control_chart
from xsect.lots.rows import DATE, Row, Rows, RowsError, Subgroup, subgroups
from xsect.lots.run_rules import RULE_SETS
from xsect.lots.spread import FEWEST_POINTS, Limits
from xsect.lots.variance import Components, LotMean, components_by_reml, lot_means


@dataclass(frozen=True)
class Frozen:
    """Limits kept from an earlier chart, to judge new points by: of which quantity, for which kind of chart."""

    quantity: str
    segment: int | None
    kind: Kind
    basis: str
    limits: Limits


@dataclass(frozen=True)
class TrendPlan:
    """What a trend is asked for.

    ``baseline``: which points set the limits: a number (the first so many), a date or a lot (up to and including it),
    "" for all. ``phases``: lots or dates with which a new phase begins. ``frozen``: limits kept from an earlier chart.
    ``vouched_only``: sections that need a look are shown but not reckoned with. ``gauge_sd``: repeatability of the
    measurement, where it is known from a study; else the sections' own uncertainties are used.
    """

    kind: Kind | None = None
    rules: str = "zone"
    baseline: str = ""
    phases: tuple[str, ...] = ()
    frozen: Frozen | None = None
    vouched_only: bool = False
    gauge_sd: float | None = None
    weight: float = 0.2
    k: float = 0.5
    h: float = 5.0


@dataclass(frozen=True)
class Point:
    """One place of the chart: a lot or a single section; ``used`` are the rows reckoned with, ``rows`` all it holds.

    ``u`` is the standard uncertainty of the plotted mean: what scatters shrinks with the number of sections, what they
    share does not. NaN where a section's is not known.
    """

    label: str
    lot: str
    made_on: str
    rows: tuple[Row, ...]
    used: tuple[Row, ...]
    value: float
    u: float

    @property
    def looks(self) -> int:
        """How many of its sections need a look."""
        return sum(row.status == "needs_review" for row in self.rows)

    @property
    def by_hand(self) -> tuple[Row, ...]:
        """Its rows whose value a person set."""
        return tuple(row for row in self.rows if row.by_hand)

    @property
    def verdict(self) -> str:
        """The gravest verdict of its sections that have a number, "" where none was judged."""
        from xsect.lots.rows import VERDICT_WORDS

        return next(
            (word for word in VERDICT_WORDS if any(row.verdict == word for row in self.rows if row.usable)),
            "",
        )


@dataclass(frozen=True)
class Spread:
    """Spread of sections within lots (or from section to section), and without the measurement's share.

    ``gauge`` is the measurement's standard deviation, NaN where unknown; ``process`` is NaN where nothing is left.
    ``source`` says where the gauge's came from.
    """

    observed: float
    gauge: float
    process: float
    source: str


@dataclass(frozen=True)
class Trend:
    """A trend, whole. ``missing`` are (place, label) of points without a number, shown between their neighbours."""

    title: str
    rows: Rows
    plan: TrendPlan
    basis: str
    reason: str
    points: tuple[Point, ...]
    missing: tuple[tuple[float, str], ...]
    chart: Chart
    baseline: NDArray[np.bool_]
    changes: tuple[Change, ...]
    changes_by: str
    components: Components | None
    lots: tuple[tuple[str, LotMean], ...]
    spread: Spread
    notes: tuple[str, ...]

    @property
    def frozen(self) -> Frozen:
        """The limits of the last phase, to be kept for later points."""
        return Frozen(
            self.rows.quantity, self.rows.segment, self.chart.kind, self.basis, self.chart.limits[-1]
        )


def make_trend(rows: Rows, plan: TrendPlan, *, title: str = "") -> Trend:
    """Chart the rows of one quantity. Raises RowsError, one line, where there is too little to chart."""
    name = f"{title}: " if title else ""
    held = [(group, group.values(vouched_only=plan.vouched_only)) for group in subgroups(rows)]
    full = [(group, values) for group, values in held if values.size]
    if sum(values.size for _, values in full) < FEWEST_POINTS:
        raise RowsError(f"{name}{rows.quantity}: fewer than {FEWEST_POINTS} sections have a number to chart")
    suited, reason = choose_kind([values for _, values in full])
    kind = plan.kind or (plan.frozen.kind if plan.frozen else suited)
    reason = reason if kind == suited else "as asked for"
    singly = kind == "individuals" or (kind in ("ewma", "cusum") and suited == "individuals")
    as_means = kind == "lot_means" or (kind in ("ewma", "cusum") and suited == "lot_means")
    basis = "sections" if singly else "lot means" if as_means else "lots"
    _check_frozen(rows, plan, kind, basis)
    groups = [group for group, _ in held]
    points, missing = _points(_singles(groups) if singly else groups, plan)
    values = [np.array([row.value for row in point.used]) for point in points]
    baseline = baseline_mask(points, plan.baseline)
    phase = phase_numbers(points, plan.phases)
    drawn = Plan(
        kind, RULE_SETS[plan.rules], baseline, plan.frozen.limits if plan.frozen else None, phase,
        plan.weight, plan.k, plan.h,
    )  # fmt: skip
    try:
        charted = (
            [np.array([value.mean()]) for value in values] if as_means and kind != "lot_means" else values
        )
        chart = control_chart(charted, drawn)
        several = [value for _, value in full if value.size > 1]
        lots = [value for _, value in full]
        comparable = len(full) > 1 and bool(several) and any(np.ptp(value) for value in several)
        components = components_by_reml(lots) if comparable else None
    except ValueError as error:
        raise RowsError(f"{name}{rows.quantity}: {error}") from error
    means = lot_means(lots) if several or all(value.size == 1 for value in lots) else ()
    notes = [*rows.notes]
    by_lot = suited != "individuals"
    changes: tuple[Change, ...] = ()
    if len(full if by_lot else points) > MOST_POINTS:
        notes.append(f"changes are not searched among more than {MOST_POINTS} points")
    elif by_lot:
        changes = _changes_by_lot(groups, points, plan, weighted=suited != "lot_means")
    else:
        changes = _changes(points, phase, weighted=False, shortest=3)  # two single sections make no level
    return Trend(
        title, rows, plan, basis, reason, points, missing, chart, baseline,
        changes, "lot" if by_lot else "section", components,
        tuple((group.label, mean) for (group, _), mean in zip(full, means, strict=False)) if several else (),
        _spread(rows, plan, components, chart), tuple(notes),
    )  # fmt: skip


def _check_frozen(rows: Rows, plan: TrendPlan, kind: Kind, basis: str) -> None:
    frozen = plan.frozen
    if frozen is None:
        return
    for what, kept, now in (
        ("quantity", frozen.quantity, rows.quantity), ("segment", frozen.segment, rows.segment),
        ("chart", frozen.kind, kind), ("points", frozen.basis, basis),
    ):  # fmt: skip
        if kept != now:
            raise RowsError(f"frozen limits are of {what} {kept}, not {now}: they do not fit this chart")


def _singles(groups: Sequence[Subgroup]) -> list[Subgroup]:
    """Return every section as a group of its own, in order of time."""
    return [Subgroup(row.section, (row,)) for group in groups for row in group.rows]


def _points(
    groups: Sequence[Subgroup], plan: TrendPlan
) -> tuple[tuple[Point, ...], tuple[tuple[float, str], ...]]:
    points: list[Point] = []
    missing = []
    for group in groups:
        used = group.used(vouched_only=plan.vouched_only)
        if not used:
            missing.append((len(points) - 0.5, group.label))
            continue
        scatter = sum(row.u_scatter**2 for row in used) / len(used) ** 2
        u = math.sqrt(scatter + (sum(row.u_common for row in used) / len(used)) ** 2)
        mean = sum(row.value for row in used) / len(used)
        points.append(Point(group.label, used[0].lot, group.made_on, group.rows, used, mean, u))
    return tuple(points), tuple(missing)


def _place(points: Sequence[Point], text: str, what: str) -> int:
    """Return the first point of a lot, or the first not made before a date."""
    if DATE.fullmatch(text):
        if not all(point.made_on for point in points):
            raise RowsError(f"{what} = {text}: not every point has a date (made_on); name a lot")
        return next((i for i, point in enumerate(points) if point.made_on >= text), len(points))
    found = [i for i, point in enumerate(points) if text in (point.lot, point.label)]
    if not found:
        raise RowsError(f"{what} = {text}: no lot (or section) of that name is on the chart")
    return found[0]


def baseline_mask(points: Sequence[Point], text: str) -> NDArray[np.bool_]:
    """Return which points set the limits: the first N, those up to a date, or up to the end of a lot; "" for all."""
    mask = np.ones(len(points), bool)
    if not text:
        return mask
    if text.isdigit():
        last = int(text)
    elif DATE.fullmatch(text):
        _place(points, text, "baseline")
        last = sum(point.made_on <= text for point in points)
    else:
        first = _place(points, text, "baseline")
        last = max(i for i in range(first, len(points)) if text in (points[i].lot, points[i].label)) + 1
    if last < FEWEST_POINTS:
        raise RowsError(f"baseline = {text}: {last} points, must be at least {FEWEST_POINTS}")
    mask[last:] = False
    return mask


def phase_numbers(points: Sequence[Point], starts: Sequence[str]) -> NDArray[np.int64]:
    """Return each point's phase: a new one begins with every lot or date named."""
    phase = np.zeros(len(points), dtype=np.int64)
    for text in starts:
        place = _place(points, text, "phase")
        if not 0 < place < len(points):
            raise RowsError(f"phase = {text}: must begin between the first point and the last")
        phase[place:] += 1
    return phase


def _changes(
    points: Sequence[Point], phase: NDArray[np.int64], *, weighted: bool, shortest: int
) -> tuple[Change, ...]:
    """Return the changes inside each phase; known borders of phases are no findings."""
    found = []
    for one in np.unique(phase):
        places = np.flatnonzero(phase == one)
        first = int(places[0])
        here = points[first : int(places[-1]) + 1]
        values = np.array([point.value for point in here])
        weights = np.array([float(len(point.used)) for point in here]) if weighted else None
        found += [
            replace(c, place=c.place + first, earliest=c.earliest + first, latest=c.latest + first)
            for c in change_points(values, weights=weights, shortest=shortest)
        ]
    return tuple(found)


def _changes_by_lot(
    groups: Sequence[Subgroup], points: Sequence[Point], plan: TrendPlan, *, weighted: bool
) -> tuple[Change, ...]:
    """Return changes between lots, at places of the chart: a lot's first point there."""
    lots, _ = _points(groups, plan)
    first = {point.lot or point.label: i for i, point in reversed(list(enumerate(points)))}
    at = [first[lot.lot or lot.label] for lot in lots]
    phase = phase_numbers(lots, plan.phases)
    return tuple(
        replace(c, place=at[c.place], earliest=at[c.earliest], latest=at[c.latest])
        for c in _changes(lots, phase, weighted=weighted, shortest=2)
    )


def _spread(rows: Rows, plan: TrendPlan, components: Components | None, chart: Chart) -> Spread:
    observed = components.sd_within if components else chart.limits[-1].sigma
    used = [row for row in rows.usable if not (plan.vouched_only and row.status == "needs_review")]
    if plan.gauge_sd is not None:
        gauge, source = plan.gauge_sd, "the gauge study"
    else:
        gauge = math.sqrt(sum(row.u_scatter**2 for row in used) / len(used))
        source = "the sections' own uncertainties, without the part that the scale gives to all"
    left = observed**2 - gauge**2
    return Spread(observed, gauge, math.sqrt(left) if left > 0 else math.nan, source)
