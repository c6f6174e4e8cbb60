"""Gauge study: parts × appraisers × trials, crossed; how much of the spread is the measurement's own.

Average-and-range and analysis of variance, as in the AIAG manual Measurement Systems Analysis, 4th edition, ch. III-B
(formulas as quoted in the literature; constants are reckoned here).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from xsect.lots.constants import d2_star, range_factors
from xsect.lots.gauge_spans import Span, drawn_mean_squares, span_of

POOL_ABOVE: Final = 0.25
"""The interaction is pooled with repeatability where its F has a larger probability than this (common practice)."""
CLASSES: Final = {"1.41, whole": 1.41, "sqrt 2": math.sqrt(2)}
"""Variants of the number of distinct categories: 1.41 · PV / GRR cut to a whole number, and sqrt(2) · PV / GRR."""
_UNKNOWN: Final[Span] = (math.nan, math.nan)
_SEED: Final = 20261125


@dataclass(frozen=True)
class Study:
    """A crossed study: ``values`` (parts, appraisers, trials), all finite."""

    parts: tuple[str, ...]
    appraisers: tuple[str, ...]
    values: NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """One source of spread: its standard deviation and its share as study variation, contribution and of tolerance.

    All three are fractions; ``of_tolerance`` is 6 sd over the tolerance, NaN where none was given. The spans are 95 %
    intervals, NaN where the method gives none.
    """

    source: str
    sd: float
    of_study: float
    contribution: float
    of_tolerance: float
    sd_span: Span = _UNKNOWN
    study_span: Span = _UNKNOWN
    contribution_span: Span = _UNKNOWN

    @property
    def tolerance_span(self) -> Span:
        """95 % interval of the share of the tolerance."""
        scale = self.of_tolerance / self.sd if self.sd else math.nan
        return self.sd_span[0] * scale, self.sd_span[1] * scale


@dataclass(frozen=True)
class GaugeResult:
    """Result by one method: lines by source, numbers of distinct categories by variant with their 95 % intervals, what
    was clamped.
    """

    method: str
    lines: Mapping[str, Line]
    categories: Mapping[str, float]
    remarks: tuple[str, ...]
    category_spans: Mapping[str, Span] = field(default_factory=dict)


@dataclass(frozen=True)
class Source:
    """One row of the analysis of variance. ``f`` and ``p`` NaN where there is no test.

    ``f_repeatability`` is F over the mean square of repeatability, the denominator that the manual's own table prints.
    """

    name: str
    df: int
    ss: float
    f: float = math.nan
    p: float = math.nan
    f_repeatability: float = math.nan

    @property
    def ms(self) -> float:
        """Mean square."""
        return self.ss / self.df


def crossed_study(rows: Sequence[tuple[str, str, str, float]]) -> Study:
    """Arrange (part, appraiser, trial, value) rows; parts and appraisers in order of appearance.

    Raises ValueError that names the first cell missing, given twice or not a number, or says what there is too little
    of: two parts and two trials are the least, one appraiser will do.
    """
    parts = tuple(dict.fromkeys(row[0] for row in rows))
    appraisers = tuple(dict.fromkeys(row[1] for row in rows))
    trials = tuple(dict.fromkeys(row[2] for row in rows))
    if len(parts) < 2 or len(trials) < 2:
        raise ValueError(f"{len(parts)} part(s) and {len(trials)} trial(s): a study needs at least 2 of each")
    values = np.full((len(parts), len(appraisers), len(trials)), np.nan)
    for part, appraiser, trial, value in rows:
        place = parts.index(part), appraisers.index(appraiser), trials.index(trial)
        name = f"part {part}, appraiser {appraiser}, trial {trial}"
        if not math.isfinite(value):
            raise ValueError(f"{name}: value = {value}: must be a number")
        if not math.isnan(values[place]):
            raise ValueError(f"{name}: is given twice")
        values[place] = value
    if np.isnan(values).any():
        i, j, k = (int(axis[0]) for axis in np.nonzero(np.isnan(values)))
        raise ValueError(
            f"part {parts[i]}, appraiser {appraisers[j]}, trial {trials[k]}: is missing; every part must be "
            "measured by every appraiser in every trial"
        )
    if not np.ptp(values):
        raise ValueError("all values are alike: there is no spread to part")
    return Study(parts, appraisers, values)


@dataclass(frozen=True)
class Averages:
    """What the average-and-range method stands on; ``beyond`` are (part, appraiser, range) above the upper limit."""

    mean_range: float
    by_appraiser: tuple[tuple[str, float, float], ...]
    """(appraiser, mean, mean range)."""
    x_diff: float
    part_range: float
    range_limit: float
    beyond: tuple[tuple[str, str, float], ...]


def averages(study: Study) -> Averages:
    """Return means, ranges and the control limit of ranges."""
    ranges = np.ptp(study.values, axis=2)
    by_appraiser = study.values.mean(axis=(0, 2))
    limit = float(ranges.mean()) * range_factors(study.values.shape[2])[1]
    return Averages(
        float(ranges.mean()),
        tuple(
            (name, float(mean), float(spread))
            for name, mean, spread in zip(study.appraisers, by_appraiser, ranges.mean(axis=0), strict=True)
        ),
        float(np.ptp(by_appraiser)),
        float(np.ptp(study.values.mean(axis=(1, 2)))),
        limit,
        tuple(
            (study.parts[i], study.appraisers[j], float(ranges[i, j])) for i, j in np.argwhere(ranges > limit)
        ),
    )


def average_and_range(study: Study, *, tolerance: float = math.nan) -> GaugeResult:
    """Return the result of the average-and-range method: EV = mean range / d2, AV and PV from ranges / d2*.

    The manual's K1 is 1 / d2 (many ranges), its K2 and K3 are 1 / d2* of one range.
    """
    from xsect.lots.constants import d2

    parts, appraisers, trials = study.values.shape
    seen = averages(study)
    repeat = seen.mean_range / d2(trials)
    remarks = []
    reproduce = 0.0
    if appraisers > 1:
        raw = (seen.x_diff / d2_star(appraisers, 1)) ** 2 - repeat**2 / (parts * trials)
        if raw < 0:
            remarks.append(f"appraiser variance came out negative ({raw:.3g}) and is taken as 0")
        reproduce = math.sqrt(max(raw, 0.0))
    else:
        remarks.append("one appraiser: reproducibility cannot be told and counts as 0")
    part = seen.part_range / d2_star(parts, 1)
    return _result(
        "average and range",
        {"repeatability": repeat**2, "appraiser": reproduce**2, "part": part**2},
        tolerance,
        remarks,
    )


def sources(study: Study) -> tuple[Source, ...]:
    """Return the analysis of variance: appraiser, part, interaction, repeatability, total.

    Main effects are tested over the interaction (parts and appraisers are both random samples).
    """
    from scipy.stats import f as f_distribution

    x = study.values - study.values.mean()
    parts, appraisers, trials = x.shape
    cell, by_part, by_appraiser = x.mean(axis=2), x.mean(axis=(1, 2)), x.mean(axis=(0, 2))
    ss_part = appraisers * trials * float(by_part @ by_part)
    ss_appraiser = parts * trials * float(by_appraiser @ by_appraiser)
    inner = cell - by_part[:, None] - by_appraiser[None, :]
    ss_inner = trials * float((inner**2).sum())
    ss_repeat = float(((x - cell[:, :, None]) ** 2).sum())
    df = {
        "appraiser": appraisers - 1,
        "part": parts - 1,
        "interaction": (appraisers - 1) * (parts - 1),
        "repeatability": parts * appraisers * (trials - 1),
    }
    ms_repeat = ss_repeat / df["repeatability"]
    table = []
    for name, ss in (("appraiser", ss_appraiser), ("part", ss_part), ("interaction", ss_inner)):
        if not df[name]:
            continue
        over, df_over = (ss_inner / df["interaction"], df["interaction"]) if df["interaction"] else (0.0, 0)
        if name == "interaction" or not df_over:
            over, df_over = ms_repeat, df["repeatability"]
        ms = ss / df[name]
        f = ms / over if over else math.inf
        over_repeat = ms / ms_repeat if ms_repeat else math.inf
        table.append(
            Source(name, df[name], ss, f, float(f_distribution.sf(f, df[name], df_over)), over_repeat)
        )
    table.append(Source("repeatability", df["repeatability"], ss_repeat))
    table.append(Source("total", x.size - 1, float((x**2).sum())))
    return tuple(table)


def by_variance(
    study: Study, *, tolerance: float = math.nan, pool: Literal["auto", "yes", "no"] = "auto"
) -> GaugeResult:
    """Return the result of the analysis of variance; negative components stand at 0, and the remarks say so.

    ``pool``: interaction and repeatability as one; ``auto`` where the interaction's F has a probability above 0.25.
    """
    table = {source.name: source for source in sources(study) if source.name != "total"}
    ms = {name: source.ms for name, source in table.items()}
    df = {name: source.df for name, source in table.items()}
    inner = table.get("interaction")
    remarks = []
    pooled = inner is not None and (pool == "yes" or (pool == "auto" and inner.p > POOL_ABOVE))
    if inner is None:
        remarks.append("one appraiser: reproducibility cannot be told and counts as 0")
    elif pooled:
        df["repeatability"] += inner.df
        ms["repeatability"] = (inner.ss + table["repeatability"].ss) / df["repeatability"]
        del ms["interaction"]
        remarks.append(f"interaction (p = {inner.p:.3f}) pooled with repeatability")
    raw = _components(ms, study.values.shape)
    for name, variance in raw.items():
        if variance < 0:
            remarks.append(f"{name} variance came out negative ({variance:.3g}) and is taken as 0")
    method = f"analysis of variance, {'pooled' if pooled else 'not pooled'}"
    return _result(
        method, {name: max(variance, 0.0) for name, variance in raw.items()}, tolerance, remarks,
        drawn={
            name: np.maximum(variance, 0.0)
            for name, variance in _components(
                drawn_mean_squares(ms, df, rng=np.random.default_rng(_SEED)), study.values.shape
            ).items()
        },
    )  # fmt: skip


def _components(ms: Mapping[str, Any], shape: tuple[int, ...]) -> dict[str, Any]:
    """Return the variance of each source from the mean squares, as it comes out; numbers, or draws of them."""
    parts, appraisers, trials = shape
    over = ms.get("interaction", ms["repeatability"])
    found = {"repeatability": ms["repeatability"], "appraiser": 0.0 * ms["repeatability"]}
    if "interaction" in ms:
        found["interaction"] = (ms["interaction"] - ms["repeatability"]) / trials
    if "appraiser" in ms:
        found["appraiser"] = (ms["appraiser"] - over) / (parts * trials)
    return {**found, "part": (ms["part"] - over) / (appraisers * trials)}


def _sums(variances: Mapping[str, Any]) -> dict[str, Any]:
    """Return the variances of the sources with those made of them, in the order of the report."""
    gauge = {name: variance for name, variance in variances.items() if name != "part"}
    reproduce = sum(variance for name, variance in gauge.items() if name != "repeatability")
    whole = gauge["repeatability"] + reproduce
    part = variances["part"]
    return {**gauge, "reproducibility": reproduce, "gauge": whole, "part": part, "total": whole + part}


def _result(
    method: str, variances: Mapping[str, float], tolerance: float, remarks: list[str],
    drawn: Mapping[str, Any] | None = None,
) -> GaugeResult:  # fmt: skip
    """Return shares and categories from the variances of the sources, and their intervals from draws of them."""
    named = _sums(variances)
    draws = {} if drawn is None else _sums(drawn)
    lines = {}
    for name, v in named.items():
        spans: tuple[Span, ...] = (_UNKNOWN,) * 3
        if draws:
            share = span_of(draws[name] / draws["total"])
            spans = span_of(draws[name], np.sqrt), (math.sqrt(share[0]), math.sqrt(share[1])), share
        lines[name] = Line(
            name, math.sqrt(v), math.sqrt(v / named["total"]), v / named["total"],
            6 * math.sqrt(v) / tolerance if tolerance > 0 else math.nan, *spans,
        )  # fmt: skip
    with np.errstate(divide="ignore"):
        ratio = math.sqrt(named["part"] / named["gauge"]) if named["gauge"] else math.inf
        ends = span_of(draws["part"] / draws["gauge"], np.sqrt) if draws and named["gauge"] else _UNKNOWN
    return GaugeResult(
        method, lines, _categories(ratio), tuple(remarks),
        {name: (low, high) for (name, low), high in zip(_categories(ends[0]).items(), _categories(ends[1]).values(),
         strict=True)},
    )  # fmt: skip


def _categories(ratio: float) -> dict[str, float]:
    found = {name: factor * ratio for name, factor in CLASSES.items()}
    if math.isfinite(ratio):
        found["1.41, whole"] = float(max(1, math.floor(found["1.41, whole"])))
    return found


def judged(result: GaugeResult) -> str:
    """Return what the share of the gauge in the study variation means (bands of the AIAG manual, from memory)."""
    number = band(result.lines["gauge"].of_study)
    return f"{BANDS[number]}: {_MEANS[number]}"


BANDS: Final = ("good", "conditional", "not good enough")
_MEANS: Final = (
    "below 10 % of the study variation",
    "10 to 30 % of the study variation, may do for some uses",
    "above 30 % of the study variation",
)


def band(share: float) -> int:
    """Return the band of a share of the study variation: 0 good, 1 conditional, 2 not good enough."""
    return 0 if share < 0.10 else 1 if share <= 0.30 else 2
