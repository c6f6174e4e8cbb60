"""Gauge study: parts × appraisers × trials, crossed; how much of the spread is the measurement's own.

Average-and-range and analysis of variance, as in the AIAG manual Measurement Systems Analysis, 4th edition, ch. III-B
(formulas as quoted in the literature; constants are reckoned here).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from xsect.lots.constants import d2_star, range_factors

POOL_ABOVE: Final = 0.25
"""The interaction is pooled with repeatability where its F has a larger probability than this (common practice)."""
CLASSES: Final = {"1.41, whole": 1.41, "sqrt 2": math.sqrt(2)}
"""Variants of the number of distinct categories: 1.41 · PV / GRR cut to a whole number, and sqrt(2) · PV / GRR."""


@dataclass(frozen=True)
class Study:
    """A crossed study: ``values`` (parts, appraisers, trials), all finite."""

    parts: tuple[str, ...]
    appraisers: tuple[str, ...]
    values: NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """One source of spread: its standard deviation and its share as study variation, contribution and of tolerance.

    All three are fractions; ``of_tolerance`` is 6 sd over the tolerance, NaN where none was given.
    """

    source: str
    sd: float
    of_study: float
    contribution: float
    of_tolerance: float


@dataclass(frozen=True)
class GaugeResult:
    """Result by one method: lines by source, numbers of distinct categories by variant, what was clamped."""

    method: str
    lines: Mapping[str, Line]
    categories: Mapping[str, float]
    remarks: tuple[str, ...]


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
        {"repeatability": repeat**2, "appraiser": reproduce**2},
        part**2,
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
    table = {source.name: source for source in sources(study)}
    parts, appraisers, trials = study.values.shape
    repeat = table["repeatability"].ms
    inner = table.get("interaction")
    remarks, variances = [], {}
    if inner is None:
        remarks.append("one appraiser: reproducibility cannot be told and counts as 0")
        pooled, over = False, repeat
    else:
        pooled = pool == "yes" or (pool == "auto" and inner.p > POOL_ABOVE)
        if pooled:
            repeat = (inner.ss + table["repeatability"].ss) / (inner.df + table["repeatability"].df)
            over = repeat
            remarks.append(f"interaction (p = {inner.p:.3f}) pooled with repeatability")
        else:
            over = inner.ms
            variances["interaction"] = (inner.ms - repeat) / trials
    if "appraiser" in table:
        variances["appraiser"] = (table["appraiser"].ms - over) / (parts * trials)
    part = (table["part"].ms - over) / (appraisers * trials)
    for name, variance in (*variances.items(), ("part", part)):
        if variance < 0:
            remarks.append(f"{name} variance came out negative ({variance:.3g}) and is taken as 0")
    gauge = {"repeatability": repeat, "appraiser": 0.0} | {k: max(v, 0.0) for k, v in variances.items()}
    method = f"analysis of variance, {'pooled' if pooled else 'not pooled'}"
    return _result(method, gauge, max(part, 0.0), tolerance, remarks)


def _result(
    method: str, gauge: Mapping[str, float], part: float, tolerance: float, remarks: list[str]
) -> GaugeResult:
    """Return shares and categories from the variances of the gauge's sources and of the parts."""
    reproduce = sum(variance for name, variance in gauge.items() if name != "repeatability")
    total_gauge = gauge["repeatability"] + reproduce
    total = total_gauge + part
    named = {**gauge, "reproducibility": reproduce, "gauge": total_gauge, "part": part, "total": total}
    lines = {
        name: Line(
            name, math.sqrt(v), math.sqrt(v / total), v / total,
            6 * math.sqrt(v) / tolerance if tolerance > 0 else math.nan,
        )
        for name, v in named.items()
    }  # fmt: skip
    ratio = math.sqrt(part / total_gauge) if total_gauge else math.inf
    categories = {name: factor * ratio for name, factor in CLASSES.items()}
    if math.isfinite(ratio):
        categories["1.41, whole"] = float(max(1, math.floor(categories["1.41, whole"])))
    return GaugeResult(method, lines, categories, tuple(remarks))


def judged(result: GaugeResult) -> str:
    """Return what the share of the gauge in the study variation means (bands of the AIAG manual, from memory)."""
    share = result.lines["gauge"].of_study
    if share < 0.10:
        return "good: below 10 % of the study variation"
    if share <= 0.30:
        return "conditional: 10 to 30 % of the study variation, may do for some uses"
    return "not good enough: above 30 % of the study variation"
