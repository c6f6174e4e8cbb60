"""One pass over drawn sections that the interval, trust and accuracy benches share: budgets, evidence, truth.

Each section is a line of JSON, so that a broken pass goes on where it ended and no bench measures twice.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import click

from tests.bench.sections import Case, drawn, micrograph_of, row_of
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.locate.contents import find_contents
from xsect.locate.nugget import with_fused
from xsect.locate.section import locate
from xsect.measure.model_error import regime_of
from xsect.measure.section import measure
from xsect.measure.trust import find_signs
from xsect.quantities import Component, Measurement
from xsect.reasons import Refusal, status_of

KINDS = (
    "unetched", "etched", "plated", "plated_residual", "plated_grey", "segments", "dissimilar", "steel_fusion", "bse",
    "flawed", "fusion", "mixed", "heat_affected",
)  # fmt: skip
"""Kinds that both generators draw and that have a bond to be measured."""
DIFFICULTIES = ("easy", "fair", "hard")


@dataclass(frozen=True)
class Pair:
    """A true value and what was measured of it, its budget without the model error."""

    truth: float
    made: Measurement


@dataclass(frozen=True)
class Seen:
    """One section: its regime, status, signs (code to ratio) and the pairs of the whole section."""

    case: Case
    um_per_px: float
    usable: bool
    regime: str
    status: str
    signs: dict[str, float]
    pairs: tuple[Pair, ...]

    def find(self, quantity: str) -> Pair | None:
        """Return the pair of one quantity, None where it was not measured."""
        return next((pair for pair in self.pairs if pair.made.quantity == quantity), None)


def look_at(case: Case, cache: Path | None) -> Seen:
    """Draw and measure one section."""
    section = drawn(case, cache)
    return see(
        case, section.truth.quantities, micrograph_of(section), row_of(section, case), section.truth.usable
    )


def see(
    case: Case, truth: dict[str, float], micrograph: Micrograph, row: SheetRow, usable: bool = True
) -> Seen:
    """Measure one picture as the main job does, but with budgets that hold no model error, and keep the evidence."""
    um = micrograph.scale.um_per_px
    try:
        located = locate(micrograph, plated=row.plated)
        contents = find_contents(located, micrograph, view=row.view, fused=row.weld_type == "fusion")
        located = with_fused(located, contents.nuggets)
        with patch("xsect.measure.section.with_model_error", lambda found, _: found):
            found, findings = measure(located, contents, micrograph, row)
    except Refusal as refusal:
        return Seen(case, um, usable, "", "not_measured", {refusal.finding.code: math.inf}, ())
    signs = {one.code: one.ratio for one in find_signs(located, micrograph, row, found, findings)}
    pairs = tuple(
        Pair(truth[one.quantity], one)
        for one in found
        if one.segment is None and one.quantity in truth and one and math.isfinite(one.value)
    )
    regime = regime_of(located, contents.nuggets, row)
    return Seen(case, um, usable, regime, status_of(findings), signs, pairs)


def cases(
    look: str, seeds: Iterable[int], width_px: int | None, kinds: Sequence[str] = KINDS
) -> Iterator[Case]:
    """Yield the cases, all kinds of a seed before the next seed, so that a pass cut short is still balanced."""
    for seed in seeds:
        for kind in kinds:
            for difficulty in DIFFICULTIES:
                yield Case(look, kind, difficulty, seed, width_px)


def run_pass(
    todo: Iterable[Case],
    rows: Path,
    cache: Path | None,
    look: Callable[[Case, Path | None], Seen] = look_at,
) -> list[Seen]:
    """Return what is seen of the cases, in their order; those that ``rows`` holds already are read from it."""
    done = {one.case: one for one in read(rows)} if rows.exists() else {}
    out = []
    for case in todo:
        if case not in done:
            done[case] = look(case, cache)
            rows.parent.mkdir(parents=True, exist_ok=True)
            with rows.open("a", encoding="utf-8") as file:
                file.write(json.dumps(asdict(done[case])) + "\n")
        out.append(done[case])
    return out


def read(path: Path) -> list[Seen]:
    """Return the sections of a pass."""
    with path.open(encoding="utf-8") as file:
        return [_seen(json.loads(line)) for line in file]


def _seen(kept: dict[str, Any]) -> Seen:
    pairs = []
    for pair in kept["pairs"]:
        budget = tuple(Component(**part) for part in pair["made"].pop("budget"))
        pairs.append(Pair(pair["truth"], Measurement(**pair["made"], budget=budget)))
    return Seen(**{**kept, "case": Case(**kept["case"]), "pairs": tuple(pairs)})


def vouched(seen: Iterable[Seen]) -> Iterator[tuple[Seen, Pair]]:
    """Yield every pair that the tool vouches for: neither the section nor the quantity needs a look."""
    for one in seen:
        if one.status == "measured":
            yield from ((one, pair) for pair in one.pairs if pair.made.status == "measured")


def in_px(pair: Pair, um_per_px: float) -> Pair:
    """Return a pair of lengths or areas in px, its budget too; fractions as they are."""
    made = pair.made
    by = um_per_px ** {"um": 1, "um2": 2}.get(made.unit, 0)
    budget = tuple(replace(part, u=part.u / by) for part in made.budget)
    numbers = {name: getattr(made, name) / by for name in ("value", "u", "low", "high")}
    return Pair(pair.truth / by, replace(made, budget=budget, **numbers))


class Seeds(click.ParamType):
    """Seeds such as ``0:12,20:32`` (last left out)."""

    name = "seeds"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> list[int]:
        """Return every seed."""
        if isinstance(value, list):
            return value
        out: list[int] = []
        for part in value.split(","):
            first, _, last = part.partition(":")
            try:
                out += range(int(first), int(last) if last else int(first) + 1)
            except ValueError:
                self.fail(f"{part!r}: must be a number, or first:last")
        return out
