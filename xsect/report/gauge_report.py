"""Gauge report: repeated measurements, repeated verdicts, or values beside references, judged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from xsect.lots.bias import Bias
from xsect.lots.gauge import BANDS, GaugeResult, Study, averages, band, judged, sources
from xsect.lots.indices import share_beyond
from xsect.lots.verdict_study import Agreement, level
from xsect.report.gauge_chart import gauge_png, gauge_svg
from xsect.report.page import Fact
from xsect.report.plotting import figure, svg_text
from xsect.report.statistics_page import Block, StatisticsPage
from xsect.report.style import BLACK, BLUE, GREY, ORANGE
from xsect.report.tables import Cell, csv_bytes

LINE_COLUMNS: Final = (
    "method", "source", "sd", "sd_low", "sd_high", "study_variation", "study_variation_low", "study_variation_high",
    "contribution", "contribution_low", "contribution_high", "of_tolerance", "of_tolerance_low", "of_tolerance_high",
)  # fmt: skip
_CROSSED: Final = (
    "Average and range: repeatability is mean range / d2, appraisers and parts are ranges of means / d2*. Analysis of "
    "variance: parts and appraisers random; main effects are tested over the interaction, and the column beside gives "
    "F over repeatability.",
    "Interaction and repeatability are pooled where the interaction's F has a probability above 0.25. Study variation "
    "is 6 standard deviations, its shares are those of standard deviations and do not add up to 100 %.",
    "95 % intervals, of the analysis of variance: generalised inference on its mean squares (M. Hamada and "
    "S. Weerahandi, Journal of Quality Technology 32, 2000); for repeatability it is the chi-square interval. Whether "
    "to pool is taken as given. Few appraisers leave their share open upwards: 3 of them are 2 degrees of freedom. "
    "Average and range has no such intervals: its ranges are no mean squares.",
    "Numbers of distinct categories: 1.41 times part / gauge, cut to a whole number, and sqrt(2) times part / gauge. "
    "Below 10 % of the study variation and from 5 categories on a gauge is good, up to 30 % it may do (AIAG manual "
    "Measurement Systems Analysis, 4th edition, from memory).",
)


def crossed_sentences(study: Study, results: Sequence[GaugeResult]) -> tuple[str, ...]:
    """Return what a crossed study says; the analysis of variance speaks first."""
    main = results[-1]
    line = main.lines
    gauge = line["gauge"]
    if not line["repeatability"].sd:
        return (
            "Every trial of a part repeats the value to the last digit: the readings are too coarse to show the "
            "gauge's spread, or were copied. Nothing is told of it.",
        )
    low, high = gauge.study_span
    said = [
        f"The gauge takes {100 * gauge.of_study:.1f} % of the study variation ({100 * low:.1f} to {100 * high:.1f} % "
        f"at 95 %): {judged(main)}."
    ]
    if band(low) != band(high):
        said.append(
            f"The study is too small to be sure of that: {BANDS[band(low)]} to {BANDS[band(high)]} are all possible at "
            "95 %. More appraisers and parts narrow it, more trials hardly."
        )
    if math.isfinite(gauge.of_tolerance):
        low, high = gauge.tolerance_span
        said.append(
            f"Six of its standard deviations are {100 * gauge.of_tolerance:.1f} % of the tolerance "
            f"({100 * low:.1f} to {100 * high:.1f} % at 95 %)."
        )
    named = ", ".join(
        "{:.3g} ({}; {:.3g} to {:.3g} at 95 %)".format(value, name, *main.category_spans[name])
        for name, value in main.categories.items()
    )
    said.append(f"Categories of parts told apart: {named}.")
    more = "repeatability" if line["repeatability"].sd >= line["reproducibility"].sd else "the appraisers"
    said.append(f"Most of it comes from {more}.")
    seen = averages(study)
    for part, appraiser, spread in seen.beyond:
        said.append(
            f"Part {part}, appraiser {appraiser}: the range {spread:.4g} is beyond its limit {seen.range_limit:.4g}: "
            "look for a slip before the study is used."
        )
    for result in results:
        said += [f"{result.method.capitalize()}: {remark}." for remark in result.remarks]
    return tuple(said)


def crossed_page(study: Study, results: Sequence[GaugeResult], source: str) -> StatisticsPage:
    """Return the report of a crossed study."""
    parts, _, trials = study.values.shape
    facts = (
        Fact("Study", source), Fact("Parts", str(parts)), Fact("Appraisers", ", ".join(study.appraisers)),
        Fact("Trials", str(trials)), Fact("Mean", f"{study.values.mean():.5g}"), Fact("Values", str(study.values.size)),
    )  # fmt: skip
    seen = averages(study)
    blocks = [
        Block("What it says", crossed_sentences(study, results)),
        Block(
            plot=gauge_svg(study, results[-1]),
            alt="Readings less their part's mean, parts in order of size, shares of the variance; numbers in tables",
        ),
    ]
    blocks.extend(_lines(result) for result in results)
    blocks += [
        Block(
            "Analysis of variance",
            heads=("Source", "df", "Sum of squares", "Mean square", "F", "p", "F over repeatability"),
            rows=tuple(
                (s.name, str(s.df), f"{s.ss:.5g}", f"{s.ms:.5g}" if s.name != "total" else "", _or_none(s.f, ".2f"),
                 _or_none(s.p, ".3g"), _or_none(s.f_repeatability, ".2f"))
                for s in sources(study)
            ),
            numeric=(1, 2, 3, 4, 5, 6),
        ),
        Block(
            "Appraisers",
            (f"Upper limit of ranges: {seen.range_limit:.4g}. Range of the appraisers' means: {seen.x_diff:.4g}.",),
            heads=("Appraiser", "Mean", "Mean range"),
            rows=tuple((name, f"{mean:#.5g}", f"{spread:#.4g}") for name, mean, spread in seen.by_appraiser),
            numeric=(1, 2),
        ),
        Block("How it is reckoned", _CROSSED),
    ]  # fmt: skip
    return StatisticsPage("Gauge study", source, facts, tuple(blocks))


def _or_none(value: float, form: str) -> str:
    return format(value, form) if math.isfinite(value) else "–"


def _lines(result: GaugeResult) -> Block:
    return Block(
        f"{result.method.capitalize()}",
        heads=("Source", "Standard deviation", "Study variation", "Contribution", "Of tolerance"),
        rows=tuple(
            (line.source, f"{line.sd:#.4g}{_span(line.sd_span, 1, '#.4g')}", *(
                f"{100 * value:.2f} %{_span(span, 100, '.1f')}" if math.isfinite(value) else "–"
                for value, span in (
                    (line.of_study, line.study_span), (line.contribution, line.contribution_span),
                    (line.of_tolerance, line.tolerance_span),
                )
            ))
            for line in result.lines.values()
        ),
        numeric=(1, 2, 3, 4),
    )  # fmt: skip


def _span(span: tuple[float, float], factor: float, form: str) -> str:
    """Return an interval in brackets; "" where there is none, or nothing in it is open."""
    low, high = (factor * end for end in span)
    return f" ({low:{form}} to {high:{form}})" if high > low else ""


def crossed_files(study: Study, results: Sequence[GaugeResult]) -> list[tuple[str, bytes]]:
    """Return the files beside the report: the chart (SVG and PNG) and components.csv."""
    table: list[tuple[Cell, ...]] = [
        (result.method, line.source, *(
            value if math.isfinite(value) else None
            for value in (
                line.sd, *line.sd_span, line.of_study, *line.study_span, line.contribution, *line.contribution_span,
                line.of_tolerance, *line.tolerance_span,
            )
        ))
        for result in results
        for line in result.lines.values()
    ]  # fmt: skip
    return [
        ("chart.svg", gauge_svg(study, results[-1]).encode()),
        ("chart.png", gauge_png(study, results[-1])),
        ("components.csv", csv_bytes(LINE_COLUMNS, table)),
    ]


def verdict_sentences(found: Sequence[Agreement]) -> tuple[str, ...]:
    """Return what a study of verdicts says: the worst of each kind of comparison."""
    said = []
    for kind in dict.fromkeys(one.kind for one in found):
        known = [one for one in found if one.kind == kind]
        worst = min(known, key=lambda one: math.inf if math.isnan(one.kappa.kappa) else one.kappa.kappa)
        value = "–" if math.isnan(worst.kappa.kappa) else f"{worst.kappa.kappa:.2f}"
        said.append(
            f"Agreement {kind}: {level(worst.kappa.kappa)}; the least kappa is {value} ({worst.between}), "
            f"{100 * worst.kappa.observed:.0f} % of {worst.pairs} verdicts the same."
        )
    return tuple(said)


def verdict_page(found: Sequence[Agreement], source: str) -> StatisticsPage:
    """Return the report of a study of verdicts."""
    rows = tuple(
        (one.between, one.kind, str(one.pairs), _same(one), _or_none(one.kappa.kappa, ".3f"),
         "–" if "Fleiss" in one.between or math.isnan(one.kappa.interval[0])
         else "{:.3f} to {:.3f}".format(*one.kappa.interval), level(one.kappa.kappa))
        for one in found
    )  # fmt: skip
    heads = ("Between", "Kind", "Verdicts", "The same", "Kappa", "95 % interval", "Level")
    blocks = (
        Block("What it says", verdict_sentences(found)),
        Block("Comparisons", heads=heads, rows=rows, numeric=(2, 3, 4, 5)),
        Block(
            "How it is reckoned",
            ("Kappa is the agreement beyond chance: 1 is perfect, 0 what chance gives (J. Cohen, 1960; all appraisers "
             "together: J. L. Fleiss, 1971). Good from 0.9, marginal from 0.7: bands common in industry.",
             "Brackets: 95 % interval of the share (C. J. Clopper and E. S. Pearson, 1934). That of kappa is the "
             "normal approximation, which gives none where all verdicts are the same."),
        ),
    )  # fmt: skip
    return StatisticsPage("Agreement of verdicts", source, (Fact("Study", source),), blocks)


def _same(one: Agreement) -> str:
    """Return the share of verdicts that are the same, of two raters with its interval."""
    text = f"{100 * one.kappa.observed:.1f} %"
    if "Fleiss" in one.between:
        return text
    return text + _span(share_beyond(round(one.kappa.observed * one.pairs), one.pairs), 100, ".1f")


def bias_sentences(found: Bias) -> tuple[str, ...]:
    """Return what values beside references say."""
    word = "shown" if found.shown else "not shown"
    said = [
        f"Bias is {word}: value minus reference is {found.mean:+.4g} ({found.low:+.4g} to {found.high:+.4g} at 95 %) "
        f"over {len(found.parts)} parts.",
        f"95 % of single deviations lie between {found.agreement[0]:+.4g} and {found.agreement[1]:+.4g} (limits of "
        f"agreement; each end ± {found.agreement_reach:.2g} at 95 %).",
    ]
    line = found.linearity
    if line:
        moves = "changes" if line.p_slope < 0.05 else "is not shown to change"
        said.append(
            f"The bias {moves} along the range: {100 * line.slope:+.3g} % of the reference (p = {line.p_slope:.2g})."
        )
    return tuple(text.replace("-", "−") for text in said)


def bias_page(found: Bias, source: str) -> StatisticsPage:
    """Return the report of values beside references."""
    blocks = (Block("What it says", bias_sentences(found)), *bias_blocks(found))
    return StatisticsPage("Bias and linearity", source, (Fact("Study", source),), blocks)


def bias_blocks(found: Bias) -> tuple[Block, ...]:
    """Return plot, table and method of values beside references."""
    rows = tuple(
        (part, f"{ref:#.5g}", str(n), f"{dev:+#.3g}".replace("-", "−")) for part, ref, n, dev in found.parts
    )
    heads = ("Part", "Reference", "Values", "Mean deviation")
    return (
        Block(
            plot=bias_svg(found),
            alt="Deviations over the reference with mean and fitted line, and over the mean of both with the limits of "
            "agreement",
            caption="Left: bias (line) with its 95 % interval (band), and how it changes along the reference (broken). "
            "Right: limits of agreement (broken), each with its 95 % interval (band).",
        ),
        Block("Parts", heads=heads, rows=rows, numeric=(1, 2, 3)),
        Block(
            "How it is reckoned",
            ("The mean and its interval (Student's t) stand on the parts' mean deviations, since trials of one part "
             "share its error. Linearity: least squares of the deviation over the reference.",
             "Limits of agreement: mean ± 1.96 standard deviations of a single deviation (J. M. Bland and "
             "D. G. Altman, 1986), what trials of one part average away added again."),
        ),
    )  # fmt: skip


def bias_svg(found: Bias) -> str:
    """Return deviations over the reference, and over the mean of both, as an SVG element, 7.1 inches wide."""
    with figure(7.1, 2.6) as drawing:
        reference, deviation = (
            np.array([part[1] for part in found.parts]),
            np.array([part[3] for part in found.parts]),
        )
        left = drawing.add_axes((0.09, 0.18, 0.40, 0.74))
        left.axhspan(found.low, found.high, color="#DCEBF5", linewidth=0)
        left.axhline(found.mean, color=BLUE, linewidth=1.0)
        if found.linearity:
            ends = np.array([reference.min(), reference.max()])
            left.plot(
                ends, found.linearity.intercept + found.linearity.slope * ends, color=ORANGE, linewidth=1.2,
                linestyle=(0, (6, 1.5, 1, 1.5)),
            )  # fmt: skip
        left.set_ylabel("value − reference")
        right = drawing.add_axes((0.57, 0.18, 0.40, 0.74), sharey=left)
        for end in found.agreement:
            right.axhspan(
                end - found.agreement_reach, end + found.agreement_reach, color="#FBEBD3", linewidth=0
            )
            right.axhline(end, color=ORANGE, linewidth=1.2, linestyle=(0, (4, 2)))
        right.axhline(found.mean, color=BLUE, linewidth=1.0)
        for axes, x, name in (
            (left, reference, "reference"), (right, reference + deviation / 2, "mean of value and reference"),
        ):  # fmt: skip
            axes.axhline(0, color=GREY, linewidth=0.7)
            axes.plot(x, deviation, marker="o", markersize=3.6, linestyle="", color=BLACK)
            axes.set_xlabel(name)
        return svg_text(drawing, title="Deviations over the reference, and over the mean of both")
