"""Control charts of values in their order of time: limits from a baseline or given, phases, unequal subgroups.

Individuals and moving range, means with ranges or standard deviations, means of lots as individuals. Limits are
centre ± 3 standard deviations of what is plotted (W. A. Shewhart; NIST/SEMATECH e-Handbook, 6.3.2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from xsect.lots.constants import c4, d2, range_factors, sd_factors
from xsect.lots.run_rules import RULE_SETS, Signal, run_signals
from xsect.lots.spread import Floats, Groups, Limits, moving_range_sigma, pooled_sigma, range_sigma, sd_sigma

Kind = Literal["individuals", "xbar_r", "xbar_s", "lot_means", "ewma", "cusum"]
KINDS: Final[tuple[Kind, ...]] = ("individuals", "xbar_r", "xbar_s", "lot_means", "ewma", "cusum")
LARGEST_FOR_RANGE: Final = 8
"""Largest subgroup whose range is used; beyond, it wastes what the values tell (common practice)."""

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Panel:
    """One panel of a chart: what is plotted at each place and its limits there, all (n,).

    ``sigma`` is the standard deviation of a plotted point, None where points are not normal and the rules of zones
    do not hold. NaN in ``values``: nothing to plot (the first moving range, the range of one value).
    """

    name: str
    values: Floats
    centre: Floats
    lower: Floats
    upper: Floats
    sigma: Floats | None = None


@dataclass(frozen=True)
class Chart:
    """A chart: panels over the same places, the phase of each place, the limits of each phase, and all signals."""

    kind: Kind
    panels: tuple[Panel, ...]
    sizes: Ints
    phase: Ints
    limits: tuple[Limits, ...]
    signals: tuple[Signal, ...]

    def signalled(self, panel: str) -> list[int]:
        """Return the places of a panel that signal, each once."""
        return sorted({signal.place for signal in self.signals if signal.panel == panel})


@dataclass(frozen=True)
class Plan:
    """How to draw a chart.

    ``kind`` None: chosen by the data. ``baseline``: which subgroups set the limits, (n,) bool, None for all; a phase
    without one in it uses all its own. ``given``: limits frozen earlier, for all phases. ``phase``: number of each
    subgroup's phase, (n,). ``weight``, ``k`` and ``h`` are of EWMA and CUSUM, in standard deviations of the mean.
    """

    kind: Kind | None = None
    rules: Sequence[str] = RULE_SETS["zone"]
    baseline: NDArray[np.bool_] | None = None
    given: Limits | None = None
    phase: Ints | None = None
    weight: float = 0.2
    k: float = 0.5
    h: float = 5.0
    steady: bool = False


def choose_kind(groups: Groups) -> tuple[Kind, str]:
    """Return the kind of chart that suits the subgroups, and why in words.

    Where lots scatter more among one another than their inner spread explains (F test of the moving range of their
    means at 1 %), limits from within would signal at nearly every lot: then the means are charted as individuals.
    """
    sizes = [group.size for group in groups]
    several = sum(size > 1 for size in sizes)
    if several < max(2, len(sizes) / 2):
        return "individuals", "most subgroups hold one section"
    if len(groups) >= 5 and _scatter_among(groups) < 0.01:
        return "lot_means", "lots scatter more among one another than the spread within them explains"
    if len(set(sizes)) == 1 and sizes[0] <= LARGEST_FOR_RANGE:
        return "xbar_r", f"subgroups of {sizes[0]}"
    return "xbar_s", "subgroups of unequal size" if len(set(sizes)) > 1 else f"subgroups of {sizes[0]}"


def _scatter_among(groups: Groups) -> float:
    """Return the probability of so much scatter from lot to lot if there were only the spread within."""
    from scipy.special import fdtrc

    among, dof_among = moving_range_sigma(np.array([group.mean() for group in groups]))
    within, dof_within = pooled_sigma(groups)
    if not within:
        return 0.0 if among else 1.0
    expected = within**2 * np.mean([1 / group.size for group in groups])
    return float(fdtrc(dof_among, dof_within, among**2 / expected))


def control_chart(groups: Groups, plan: Plan) -> Chart:
    """Draw up a chart of subgroups in their order of time; a subgroup is an array of at least one finite value.

    ``individuals`` plots every value, so that its places are the values one after the other; baseline and phases of
    subgroups carry over. Raises ValueError where there are too few points for limits, or no spread.
    """
    kind = plan.kind or choose_kind(groups)[0]
    baseline = np.ones(len(groups), bool) if plan.baseline is None else plan.baseline
    phase = np.zeros(len(groups), dtype=np.int64) if plan.phase is None else plan.phase
    sizes = np.array([group.size for group in groups], dtype=np.int64)
    single = bool((sizes == 1).all())
    if kind == "individuals" or (single and kind in ("ewma", "cusum")):
        baseline, phase = np.repeat(baseline, sizes), np.repeat(phase, sizes)
        groups = [np.array([value]) for group in groups for value in group]
        sizes = np.ones(len(groups), dtype=np.int64)
    limits = tuple(
        plan.given or _estimate(kind, [groups[i] for i in _basis(phase == one, baseline)])
        for one in np.unique(phase)
    )
    place = np.searchsorted(np.unique(phase), phase)
    centre = np.array([one.centre for one in limits])[place]
    sigma = np.array([one.sigma for one in limits])[place]
    means = np.array([group.mean() for group in groups])
    spread_of_mean = sigma if kind == "lot_means" else sigma / np.sqrt(sizes)
    if kind in ("ewma", "cusum"):
        from xsect.lots.memory_charts import memory_panels

        panels = memory_panels(kind, means, centre, spread_of_mean, phase, plan)
        signals = _beyond(panels)
    else:
        top = Panel(
            "mean" if kind in ("xbar_r", "xbar_s", "lot_means") else "value",
            means, centre, centre - 3 * spread_of_mean, centre + 3 * spread_of_mean, spread_of_mean,
        )  # fmt: skip
        panels = (top, _spread_panel(kind, groups, means, sigma, phase))
        signals = [
            Signal(one.place, one.rule, top.name)
            for one in run_signals((means - centre) / spread_of_mean, plan.rules, phase=phase)
        ] + _beyond(panels[1:])
    return Chart(kind, panels, sizes, phase, limits, tuple(signals))


def _basis(here: NDArray[np.bool_], baseline: NDArray[np.bool_]) -> list[int]:
    chosen = here & baseline
    return [int(i) for i in np.flatnonzero(chosen if chosen.any() else here)]


def _estimate(kind: Kind, groups: Groups) -> Limits:
    values = np.concatenate(groups)
    if kind == "lot_means":
        means = np.array([group.mean() for group in groups])
        return Limits(float(means.mean()), *moving_range_sigma(means), len(groups))
    if kind == "xbar_r":
        sigma, dof = range_sigma(groups)
    elif kind == "individuals" or values.size == len(groups):
        sigma, dof = moving_range_sigma(values)
    else:
        sigma, dof = sd_sigma(groups)
    return Limits(float(values.mean()), sigma, dof, len(groups))


def _spread_panel(kind: Kind, groups: Groups, means: Floats, sigma: Floats, phase: Ints) -> Panel:
    """Return the lower panel: moving range, range or standard deviation."""
    if kind in ("individuals", "lot_means"):
        step = np.abs(np.diff(means, prepend=np.nan))
        step[1:][np.diff(phase) != 0] = np.nan  # no range across the border of two phases
        centre = sigma * d2(2)
        return Panel("moving range", step, centre, centre * range_factors(2)[0], centre * range_factors(2)[1])
    of, mean, factors = (
        (np.ptp, d2, range_factors) if kind == "xbar_r" else (lambda x: x.std(ddof=1), c4, sd_factors)
    )
    values, centre, lower, upper = (np.full(len(groups), np.nan) for _ in range(4))
    for i, group in enumerate(groups):
        if group.size > 1:
            low, high = factors(group.size)
            values[i], centre[i] = of(group), mean(group.size) * sigma[i]
            lower[i], upper[i] = low * centre[i], high * centre[i]
    return Panel("range" if kind == "xbar_r" else "standard deviation", values, centre, lower, upper)


def _beyond(panels: Sequence[Panel]) -> list[Signal]:
    return [
        Signal(int(place), "limit", panel.name)
        for panel in panels
        for place in np.flatnonzero((panel.values > panel.upper) | (panel.values < panel.lower))
    ]
