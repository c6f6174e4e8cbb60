"""Accuracy against one factor at a time: bias and spread of each quantity, everything else being equal.

python -m tests.bench.factors --rows factors.jsonl --page docs/accuracy_factors.md

Easy scenes of the package's own drawings are drawn again with one thing changed: tilt, blur, noise, grain contrast,
pixel size, how fast the gap opens. What is vouched for counts; how much is put aside instead, and why, stands beside.
"""

from __future__ import annotations

import math
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import click
import cv2
import numpy as np

import xsect
from tests.bench.intervals import spans
from tests.bench.pages import put
from tests.bench.passes import Pair, Seeds, Seen, in_px, read, run_pass, see, vouched
from tests.bench.score import UNIT_SHOWN
from tests.bench.sections import Case, micrograph_of, row_of
from xsect.quantities import QUANTITIES
from xsect.synth.design import SectionDesign
from xsect.synth.look import Grains, Look
from xsect.synth.looks import look_scene
from xsect.synth.picture import render
from xsect.synth.profile import unroll
from xsect.synth.reckon import reckon
from xsect.synth.scenes import design_scene
from xsect.synth.sheet import sheet_row
from xsect.synth.truth import DrawnSection

KINDS = ("unetched", "etched", "plated_residual", "steel_fusion")
WIDTH_PX = 900
HEADING = "Bias and spread, one factor at a time"

Changed = tuple[SectionDesign, Look]


@dataclass(frozen=True)
class Factor:
    """One factor: its name and unit, its levels, and how a level changes a scene."""

    name: str
    unit: str
    levels: tuple[float, ...]
    change: Callable[[SectionDesign, Look, float], Changed]


def _tilt(design: SectionDesign, look: Look, level: float) -> Changed:
    return replace(design, tilt_deg=level), look


def _blur(design: SectionDesign, look: Look, level: float) -> Changed:
    return design, replace(look, blur_px=level, rim_blur_px=0.0)


def _noise(design: SectionDesign, look: Look, level: float) -> Changed:
    """Noise of the electrons counted: of n of them √n."""
    return design, replace(look, electrons=(100 / level) ** 2, read_noise=0.0, bits=8)


def _grains(design: SectionDesign, look: Look, level: float) -> Changed:
    def shaded(grains: Grains | None) -> Grains | None:
        return None if grains is None else replace(grains, contrast=level / 100)

    return design, replace(
        look, grains_upper=shaded(look.grains_upper), grains_lower=shaded(look.grains_lower)
    )


def _opening(design: SectionDesign, look: Look, level: float) -> Changed:
    contacts = tuple(
        replace(
            one,
            left_flank=replace(one.left_flank, slope=level / 100),
            right_flank=replace(one.right_flank, slope=level / 100),
        )
        for one in design.contacts
    )
    return replace(design, contacts=contacts), look


def _same(design: SectionDesign, look: Look, _: float) -> Changed:
    return design, look


PIXELS = "pixel size"
FACTORS = (
    Factor("tilt", "°", (0, 5, 10, 15, 20), _tilt),
    Factor("blur", "px", (0.5, 1, 2, 3, 4.5), _blur),
    Factor("noise", "% of white", (0.5, 1, 2, 4, 8), _noise),
    Factor("grain contrast", "%", (0, 5, 10, 20, 30), _grains),
    Factor(PIXELS, "times as large", (0.6, 1, 1.5, 2, 3), _same),
    Factor("gap opening", "µm a 100 µm", (3, 6, 12, 25, 50), _opening),
)


def drawn(kind: str, factor: Factor, level: float, seed: int) -> DrawnSection:
    """Draw one scene with one factor at a level; the scene is that of kind and seed alone."""
    width = round(WIDTH_PX / level) if factor.name == PIXELS else WIDTH_PX
    rng = np.random.default_rng([zlib.crc32(f"{kind}/factors".encode()), seed])
    design = design_scene(kind, 0, rng, width)
    look = look_scene(kind, 0, rng, design)
    texture = int(rng.integers(2**32))
    row = sheet_row(design, look, kind, rng)
    design, look = factor.change(design, look, level)
    profile = unroll(design)
    return DrawnSection(
        render(design, look, texture, profile=profile), reckon(design, profile, row), kind, "easy", seed
    )


def look_at(case: Case, _: Path | None) -> Seen:
    """Draw and measure the section that a case's kind names: kind, factor and level."""
    kind, name, level = case.kind.split("/")
    factor = next(one for one in FACTORS if one.name == name)
    section = drawn(kind, factor, float(level), case.seed)
    return see(case, section.truth.quantities, micrograph_of(section), row_of(section, case))


def cases(seeds: Iterable[int]) -> Iterator[Case]:
    """Yield every scene at every level of every factor, seed after seed."""
    for seed in seeds:
        for factor in FACTORS:
            for kind in KINDS:
                if factor.name != "grain contrast" or kind in ("etched", "steel_fusion"):
                    for level in factor.levels:
                        yield Case("synth", f"{kind}/{factor.name}/{level:g}", "easy", seed)


def page(seen: Sequence[Seen], version: str) -> list[str]:
    """Return the tables in Markdown, one a factor."""
    seeds = spans({one.case.seed for one in seen})
    lines = [
        f"Measured by `python -m tests.bench.factors` with version {version}: {len(seen)} pictures of easy scenes "
        f"({', '.join(KINDS)}; seeds {seeds}), {WIDTH_PX} px wide, each drawn again with one thing changed. "
        "Cells: mean error ± standard deviation of the errors (readings); px are of the picture, pp percentage points; "
        "– where nothing was measured. Readings are those of sections vouched for; below each table, how many sections "
        "were put aside or refused at each level, and the reasons most often given.",
    ]
    for factor in FACTORS:
        here = [one for one in seen if one.case.kind.split("/")[1] == factor.name]
        if here:
            lines += ["", f"### {factor.name.capitalize()} ({factor.unit})", "", *_table(here, factor)]
    return lines


def _table(seen: Sequence[Seen], factor: Factor) -> list[str]:
    by_level = [[one for one in seen if one.case.kind.endswith(f"/{level:g}")] for level in factor.levels]
    lines = [
        "| quantity | " + " | ".join(f"{level:g}" for level in factor.levels) + " |",
        "| --- |" + " --- |" * len(factor.levels),
    ]
    for name in QUANTITIES:
        cells = [_cell(_errors(here, name), name) for here in by_level]
        if any(cell != "–" for cell in cells):
            lines.append(f"| {name} | " + " | ".join(cells) + " |")
    for title, status in (("put aside", "needs_review"), ("refused", "not_measured")):
        counts = [f"{sum(one.status == status for one in here)} of {len(here)}" for here in by_level]
        lines.append(f"| *{title}* | " + " | ".join(counts) + " |")
    lines.append("| *reasons* | " + " | ".join(_reasons(here) for here in by_level) + " |")
    return lines


def _errors(seen: Sequence[Seen], name: str) -> list[float]:
    """Return the errors of one quantity in what is vouched for."""
    return [_scaled(one, pair) for one, pair in vouched(seen) if pair.made.quantity == name]


def _scaled(one: Seen, pair: Pair) -> float:
    scaled = in_px(pair, one.um_per_px)
    return (scaled.made.value - scaled.truth) * (100 if pair.made.unit == "fraction" else 1)


def _cell(errors: Sequence[float], name: str) -> str:
    if not errors:
        return "–"
    shown = UNIT_SHOWN[QUANTITIES[name].unit]
    places = 0 if np.max(np.abs(errors)) >= 100 else 2
    spread = f" ± {np.std(errors, ddof=1):.{places}f}" if len(errors) > 1 else ""
    return f"{np.mean(errors):+.{places}f}{spread} {shown} ({len(errors)})"


def _reasons(seen: Sequence[Seen]) -> str:
    codes = Counter(
        code for one in seen for code, ratio in one.signs.items() if ratio > 1 or math.isinf(ratio)
    )
    return ", ".join(f"{code} {count}" for code, count in codes.most_common(3)) or "–"


@click.command(help=__doc__)
@click.option("--seeds", type=Seeds(), default="5000:5004", show_default=True)
@click.option(
    "--rows", required=True, type=click.Path(path_type=Path), help="Sections are added to this file."
)
@click.option(
    "--page", "target", type=click.Path(path_type=Path), help="Write the tables into this page (Markdown)."
)
@click.option("--only-report", is_flag=True, help="Tell of what the file holds already.")
def main(seeds: list[int], rows: Path, target: Path | None, only_report: bool) -> None:
    """Run the bench."""
    cv2.setNumThreads(1)
    seen = read(rows) if only_report else run_pass(cases(seeds), rows, None, look_at)
    lines = page(seen, xsect.__version__)
    click.echo("\n".join(lines))
    if target is not None:
        put(target, HEADING, lines)


if __name__ == "__main__":
    main()
