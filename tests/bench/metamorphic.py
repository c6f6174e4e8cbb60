"""What must not change a measurement: how far it moves when a picture is turned, mirrored, cropped, halved, compressed.

python -m tests.bench.metamorphic --seeds 6000:6003 --page docs/accuracy_factors.md

No truth is needed. A difference of two readings of one weld should stay within the square root of the sum of the
squares of their 95 % half-widths; the tests hold a few sections to that, this bench tells the numbers of many.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import click
import cv2
import numpy as np

import xsect
from tests.bench.intervals import spans
from tests.bench.pages import put
from tests.bench.passes import Seeds
from tests.bench.sections import Case, drawn, micrograph_of, row_of
from tests.test_metamorphic import OTHER_PIXELS, SAME_PIXELS, Pixels, half
from xsect.capture.burned_in import find_burned_in
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.pipeline import SectionResult, measure_micrograph
from xsect.quantities import Measurement

KINDS = ("unetched", "etched", "plated", "segments", "steel_fusion")
WIDTH_PX = 900
HEADING = "What must not change a measurement"
CHANGES: dict[str, tuple[Callable[[Pixels], Pixels], float]] = {
    **{name: (change, 1.0) for name, change in SAME_PIXELS.items()},
    **{name: (change, 1.0) for name, change in OTHER_PIXELS.items()},
    "half the resolution": (half, 2.0),
}
"""Name to what is done, and by how much the pixels grow."""
QUANTITIES = ("bond_width", "standoff", "plating_free_thickness", "nugget_width")


@dataclass(frozen=True)
class Move:
    """How far one reading moved: px of the original picture, share of the value, share of what the intervals allow."""

    px: float
    share: float
    allowed: float


def changed(micrograph: Micrograph, change: Callable[[Pixels], Pixels], scale: float) -> Micrograph:
    """Return the picture as a camera or an export would give it otherwise."""
    pixels = np.ascontiguousarray(change(micrograph.pixels))
    by = replace(micrograph.scale, x_um=micrograph.scale.x_um * scale, y_um=micrograph.scale.y_um * scale)
    return replace(micrograph, pixels=pixels, scale=by, burned_in=find_burned_in(pixels))


def compare(one: SectionResult, other: SectionResult, um_per_px: float) -> Iterator[tuple[str, Move | None]]:
    """Yield how far each quantity moved, None where only one picture gave it."""
    for name in QUANTITIES:
        first, second = (_whole(result, name) for result in (one, other))
        if first is None and second is None:
            continue
        if first is None or second is None:
            yield name, None
            continue
        apart = abs(first.value - second.value)
        allowed = math.hypot(first.high - first.value, second.high - second.value)
        yield name, Move(apart / um_per_px, apart / max(abs(first.value), 1e-9), apart / max(allowed, 1e-9))


def _whole(result: SectionResult, name: str) -> Measurement | None:
    return next(
        (one for one in result.measurements if one.quantity == name and one.segment is None and one), None
    )


def look_at(case: Case, cache: Path | None) -> dict[tuple[str, str], Move | str | None]:
    """Measure one section and all its changes; the key "status" tells of those put aside by the change alone."""
    section = drawn(case, cache)
    micrograph, row = micrograph_of(section), row_of(section, case)
    first = measure_micrograph(micrograph, row)
    out: dict[tuple[str, str], Move | str | None] = {}
    if first.status != "measured":
        return out
    for name, (change, scale) in CHANGES.items():
        other = _again(micrograph, row, change, scale)
        out[name, "status"] = other.status
        if other.status == "measured":
            for quantity, move in compare(first, other, micrograph.scale.um_per_px):
                out[name, quantity] = move
    return out


def _again(
    micrograph: Micrograph, row: SheetRow, change: Callable[[Pixels], Pixels], scale: float
) -> SectionResult:
    return measure_micrograph(changed(micrograph, change, scale), row)


def page(found: list[dict[tuple[str, str], Move | str | None]], seeds: list[int]) -> list[str]:
    """Return the table in Markdown."""
    kept = [one for one in found if one]
    lines = [
        f"Measured by `python -m tests.bench.metamorphic` with version {xsect.__version__}: {len(kept)} sections "
        f"vouched for ({', '.join(KINDS)}; seeds {spans(set(seeds))}; easy and fair; {WIDTH_PX} px wide), each "
        'changed and measured again. "Moved": the median and the largest difference in px of the original; "agree": '
        "the share within the root of the summed squares of both 95 % half-widths.",
        "",
        "| change | sections | put aside for it | quantity | readings | moved, median | moved, largest | agree |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]  # fmt: skip
    for name in CHANGES:
        statuses = [one[name, "status"] for one in kept]
        first = f"{name} | {len(statuses)} | {sum(status != 'measured' for status in statuses)}"
        moves: dict[str, list[Move]] = defaultdict(list)
        for one in kept:
            for quantity in QUANTITIES:
                move = one.get((name, quantity))
                if isinstance(move, Move):
                    moves[quantity].append(move)
        for quantity in (quantity for quantity in QUANTITIES if moves[quantity]):
            px = [move.px for move in moves[quantity]]
            agree = np.mean([move.allowed <= 1 for move in moves[quantity]])
            lines.append(
                f"| {first} | {quantity} | {len(px)} | {np.median(px):.2f} px | {np.max(px):.2f} px | {agree:.0%} |"
            )
            first = " | | "
    return lines


@click.command(help=__doc__)
@click.option("--seeds", type=Seeds(), default="6000:6003", show_default=True)
@click.option(
    "--page", "target", type=click.Path(path_type=Path), help="Write the table into this page (Markdown)."
)
@click.option("--cache", type=click.Path(path_type=Path), help="Folder in which drawn sections are kept.")
def main(seeds: list[int], target: Path | None, cache: Path | None) -> None:
    """Run the bench."""
    cv2.setNumThreads(1)
    found = [
        look_at(Case("synth", kind, difficulty, seed, WIDTH_PX), cache)
        for seed in seeds
        for kind in KINDS
        for difficulty in ("easy", "fair")
    ]
    lines = page(found, seeds)
    click.echo("\n".join(lines))
    if target is not None:
        put(target, HEADING, lines)


if __name__ == "__main__":
    main()
