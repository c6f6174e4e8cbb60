"""Score: many outcomes become tables of errors, coverage, refusals and times."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from tests.bench.outcomes import Outcome, Reading
from xsect.quantities import QUANTITIES

HEAD = (
    "quantity", "n", "measured", "needs look", "refused", "median error", "p95", "median %", "p95 %", "bias",
    "95 % interval holds", "half-width",
)  # fmt: skip
UNIT_SHOWN = {"um": "px", "um2": "px²", "fraction": "pp"}

Group = tuple[str, str]


def report(outcomes: Sequence[Outcome], title: str, *, flagged: bool = False) -> str:
    """Return the whole report in Markdown; with ``flagged`` also the errors of sections put aside.

    Errors are of quantities that were measured and not put aside; px are of the picture, pp percentage
    points.
    """
    lines = [f"# {title}", "", _time_lines(outcomes), ""]
    for kind, difficulty in sorted(
        {(one.case.kind, one.case.difficulty) for one in outcomes}, key=_order(outcomes)
    ):
        here = [one for one in outcomes if (one.case.kind, one.case.difficulty) == (kind, difficulty)]
        lines += [f"## {kind}, {difficulty}: {len(here)} sections", "", *_counts(here), ""]
        rows = list(_quantity_rows(here, flagged=flagged))
        if rows:
            lines += [_line(HEAD), _line(["---"] * len(HEAD)), *map(_line, rows), ""]
    return "\n".join(lines)


def _order(outcomes: Sequence[Outcome]):
    kinds = list(dict.fromkeys(one.case.kind for one in outcomes))
    levels = list(dict.fromkeys(one.case.difficulty for one in outcomes))
    return lambda group: (kinds.index(group[0]), levels.index(group[1]))


def _line(cells: Iterable[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def _time_lines(outcomes: Sequence[Outcome]) -> str:
    seconds = np.array([one.seconds for one in outcomes])
    png = np.array([one.seconds_png for one in outcomes])
    jpeg = np.array([one.seconds_jpeg for one in outcomes])
    to_png, to_jpeg = np.median(seconds / png), np.median(seconds / jpeg)
    return (
        f"Time a section: median {np.median(seconds):.3f} s, longest {seconds.max():.3f} s; against decoding "
        f"the same picture {to_png:.1f} × PNG, {to_jpeg:.1f} × JPEG (medians)."
    )


def _counts(outcomes: Sequence[Outcome]) -> list[str]:
    """Return what is told once a group: statuses, findings, segments, notches, false bonds."""
    status = Counter(one.status for one in outcomes)
    codes = Counter(code for one in outcomes for code, _ in one.findings)
    lines = [
        "- sections: "
        + ", ".join(f"{status[name]} {name}" for name in ("measured", "needs_review", "not_measured")),
        "- findings: " + (", ".join(f"{code} {count}" for code, count in codes.most_common()) or "none"),
    ]
    if not all(one.usable for one in outcomes):
        wrong = [one.case.seed for one in outcomes if not one.usable and one.status == "measured"]
        lines.append(f"- **unusable pictures measured without a flag: {len(wrong)}** {wrong or ''}".rstrip())
        return lines
    bare = [one for one in outcomes if one.bonds[0] == 0]
    if bare:
        false = [one for one in bare if one.bonds[1] > 0]
        quiet = [one.case.seed for one in false if one.status == "measured"]
        lines.append(
            f"- **false bonds: {len(false)} of {len(bare)}**, not flagged {len(quiet)} {quiet or ''}".rstrip()
        )
    bonded = [one for one in outcomes if one.bonds[0] > 0]
    if bonded:
        right = sum(one.bonds[0] == one.bonds[1] for one in bonded)
        lines.append(f"- number of bond segments right: {right} of {len(bonded)}")
        errors = np.array([error for one in bonded for error in one.notch_errors if one.status == "measured"])
        if len(errors):
            size = np.abs(errors)
            lines.append(
                f"- notches (px, outward positive): median {np.median(errors):+.2f}, median size "
                f"{np.median(size):.2f}, p95 {np.percentile(size, 95):.2f}, n {len(errors)}"
            )
    told = [one for one in outcomes if one.kind[1]]
    lines.append(f"- bond kind right: {sum(one.kind[0] == one.kind[1] for one in told)} of {len(told)} told")
    return lines


def _quantity_rows(outcomes: Sequence[Outcome], *, flagged: bool) -> Iterable[list[str]]:
    names = [
        name for name in QUANTITIES if any(one.quantity == name for out in outcomes for one in out.readings)
    ]
    for name in names:
        for single in (False, True):
            here = [
                (out, one)
                for out in outcomes
                for one in out.readings
                if one.quantity == name and (one.segment > 0) == single
            ]
            if not here:
                continue
            label = f"{name}, each segment" if single else name
            yield [label, *_shares([one for _, one in here]), *_errors(here, name, "measured")]
            if flagged and any(one.status == "needs_review" for _, one in here):
                yield [f"{label} (put aside)", "", "", "", "", *_errors(here, name, "needs_review")]


def _shares(here: Sequence[Reading]) -> list[str]:
    count = Counter(one.status for one in here)
    shares = [
        f"{100 * count[name] / len(here):.0f} %" for name in ("measured", "needs_review", "not_measured")
    ]
    return [str(len(here)), *shares]


def _errors(here: Sequence[tuple[Outcome, Reading]], name: str, status: str) -> list[str]:
    """Return the cells from median error to half-width, of the readings with this status."""
    kept = [(out, one) for out, one in here if one.status == status]
    if not kept:
        return ["–"] * 7
    unit = QUANTITIES[name].unit
    power = {"um": 1, "um2": 2}.get(unit, 0)
    per = np.array([out.um_per_px**power if power else 0.01 for out, _ in kept])
    error = np.array([one.error for _, one in kept]) / per
    truth = np.array([one.truth for _, one in kept]) / per
    half = np.array([(one.high - one.low) / 2 for _, one in kept]) / per
    held = np.mean([one.low <= one.truth <= one.high for _, one in kept])
    shown = UNIT_SHOWN[unit]
    size, nonzero = np.abs(error), truth != 0
    relative = 100 * size[nonzero] / np.abs(truth[nonzero])
    percent = (
        [f"{np.median(relative):.2f}", f"{np.percentile(relative, 95):.2f}"] if len(relative) else ["–", "–"]
    )
    return [
        f"{np.median(size):.2f} {shown}",
        f"{np.percentile(size, 95):.2f} {shown}",
        *percent,
        f"{np.median(error):+.2f} {shown}",
        f"{100 * held:.0f} % of {len(kept)}",
        f"{np.median(half):.2f} {shown}",
    ]


def write_readings(outcomes: Sequence[Outcome], path: Path) -> None:
    """Write every reading as a CSV row, for a closer look."""
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(
            [
                *("look", "kind", "difficulty", "seed", "quantity", "segment", "truth", "value"),
                *("low", "high", "status", "um_per_px", "codes"),
            ]
        )
        for out in outcomes:
            codes = " ".join(code for code, _ in out.findings)
            for one in out.readings:
                numbers = [f"{value:.6g}" for value in (one.truth, one.value, one.low, one.high)]
                case = [out.case.look, out.case.kind, out.case.difficulty, out.case.seed]
                writer.writerow(
                    [*case, one.quantity, one.segment, *numbers, one.status, f"{out.um_per_px:.6g}", codes]
                )
