"""Bench of burned-in scale bars: draw bars of known ends over pictures, read them, tell how far off the ends are.

python -m tests.bench.bars --seeds 0:300 --jobs 2

Bars are drawn eight times finer and averaged, so that their ends may lie anywhere between pixels. One picture in five
holds no bar but what looks like one: level scratches, letters, an arrow, a frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing import get_context
from typing import Any

import click
import cv2
import numpy as np

from tests.bench.run import seed_range
from xsect.capture.scale_bar import read_scale_bar
from xsect.reasons import Refusal

FINER = 8
ROWS, COLS = 420, 640
STYLES = ("plain", "ticks", "one-sided ticks", "interrupted", "in a box", "in a strip", "none")
LABELS = ("above", "below", "beside", "none", "unreadable")
STORES = ("as drawn", "jpeg", "16 bit", "palette")
INKS = {
    "black": (0, 0, 0),
    "white": (255, 255, 255),
    "red": (255, 0, 0),
    "yellow": (255, 255, 0),
    "blue": (0, 0, 255),
}
FACE = cv2.FONT_HERSHEY_SIMPLEX
FIELDS = ("style", "label", "ink", "store", "turn", "snap")


@dataclass(frozen=True)
class Outcome:
    """One picture: what was drawn, the larger error of the two ends (px), or why nothing was read."""

    seed: int
    what: dict[str, str]
    error: float = np.nan
    refusal: str = ""


def ground(rng: np.random.Generator, colour: bool) -> Any:
    """Metal above a dark mount, with grain, pores, a gap and fine scratches, some of them level."""
    grey = np.full((ROWS, COLS), float(rng.uniform(120, 200)))
    grey += cv2.resize(rng.normal(0, rng.uniform(4, 16), (ROWS // 8, COLS // 8)), (COLS, ROWS))
    for _ in range(int(rng.integers(10, 50))):
        place = (int(rng.integers(COLS)), int(rng.integers(ROWS)))
        axes = (int(rng.integers(1, 7)), int(rng.integers(1, 5)))
        cv2.ellipse(grey, place, axes, float(rng.uniform(0, 180)), 0, 360, 0.0, -1)
    for _ in range(int(rng.integers(0, 6))):
        x, y = int(rng.integers(0, 400)), int(rng.integers(20, 330))
        end = (x + int(rng.integers(60, 300)), y + int(rng.choice([0, 0, 1, 3])))
        cv2.line(grey, (x, y), end, float(rng.choice([0.0, 255.0])), int(rng.integers(1, 4)))
    grey[-90:] = rng.uniform(8, 40)
    grey = cv2.GaussianBlur(grey, (0, 0), float(rng.uniform(0.7, 1.6)))
    tint = (1.1, 0.85, 0.7) if colour else (1.0, 1.0, 1.0)
    picture = grey[..., None] * tint
    noise = rng.normal(0, rng.uniform(0.5, 4), (ROWS, COLS, 3 if colour else 1))
    return (picture + noise).clip(0, 255)


def draw(seed: int) -> tuple[Any, dict[str, str], tuple[float, float] | None, bool]:
    """Return the picture, what was drawn, the bar's true ends along it (None: no bar) and whether it is upright."""
    rng = np.random.default_rng([seed, 501])
    style = str(rng.choice(STYLES))
    label = str(rng.choice(LABELS))
    ink_name = str(rng.choice(list(INKS)))
    store = str(rng.choice(STORES))
    turn, snap = bool(rng.random() < 0.3), bool(rng.random() < 0.6)
    colour = ink_name not in ("black", "white") or bool(rng.random() < 0.5)
    ink = np.array(INKS[ink_name], float)
    picture = ground(rng, colour)
    if turn:
        picture = np.ascontiguousarray(picture.swapaxes(0, 1))
        picture = cv2.resize(picture, (COLS, ROWS), interpolation=cv2.INTER_AREA).reshape(ROWS, COLS, -1)
    if picture.shape[2] == 1:
        picture = np.repeat(picture, 3, axis=2)
    traits = (
        style,
        label,
        ink_name,
        store,
        "upright" if turn else "level",
        "whole px" if snap else "fractions",
    )
    what = dict(zip(FIELDS, traits, strict=True))
    length, thick = float(rng.uniform(90, 380)), int(rng.integers(2, 9))
    x, y = float(rng.uniform(60, COLS - length - 60)), int(rng.integers(80, 270))
    if snap:
        length, x = round(length), round(x) - 0.5
    if style == "in a strip":
        picture[360:] = 0 if ink.sum() > 250 else 255
        y = 390
    if style == "in a box":
        other = (255.0,) * 3 if ink.sum() < 380 else (0.0,) * 3
        cv2.rectangle(picture, (int(x) - 22, y - 45), (int(x + length) + 22, y + 50), other, -1)
    alpha = np.zeros((ROWS * FINER, COLS * FINER), np.uint8)

    def box(x0: float, y0: float, x1: float, y1: float) -> None:
        """Fill a rectangle given by its edges, px with pixel centres at whole numbers."""
        r0, r1, c0, c1 = (round((edge + 0.5) * FINER) for edge in (y0, y1, x0, x1))
        alpha[r0:r1, c0:c1] = 255

    ends = None
    if style != "none":
        top, bottom = y - 0.5, y - 0.5 + thick
        if style == "interrupted":
            box(x, top, x + 0.28 * length, bottom)
            box(x + 0.72 * length, top, x + length, bottom)
        else:
            box(x, top, x + length, bottom)
        ends = (x, x + length)
        if style in ("ticks", "one-sided ticks", "interrupted", "in a strip"):
            wide = float(rng.integers(2, 5)) if snap else float(rng.uniform(2, 5))
            up, down = thick + 5, 0 if style == "one-sided ticks" else thick + 5
            for left in (x, x + length - wide):
                box(left, top - up, left + wide, bottom + down)
            ends = (x + wide / 2, x + length - wide / 2)
    else:
        arrow = np.zeros((ROWS, COLS), np.uint8)
        cv2.arrowedLine(arrow, (400, 60), (330, 140), 255, 3, cv2.LINE_AA)
        cv2.rectangle(arrow, (60, 60), (200, 150), 255, 2)
        alpha = np.maximum(
            alpha, cv2.resize(arrow, None, fx=FINER, fy=FINER, interpolation=cv2.INTER_NEAREST)
        )
    share = cv2.resize(alpha, (COLS, ROWS), interpolation=cv2.INTER_AREA)
    _write(share, style, label, x, y, length, thick, rng)
    picture = picture + (ink - picture) * (share[..., None] / 255.0)
    picture = np.rint(picture.clip(0, 255)).astype(np.uint8)
    picture = picture if colour else np.ascontiguousarray(picture[..., 0])
    if turn:
        picture = np.ascontiguousarray(picture.swapaxes(0, 1))
    return _stored(picture, store, rng), what, ends, turn


def _write(share: Any, style: str, label: str, x: float, y: int, length: float, thick: int, rng: Any) -> None:
    """Write the label's letters into the ink's shares; unreadable ones are mere dots."""
    size = float(rng.uniform(0.6, 1.0))
    text = "50 um" if label != "unreadable" else ""
    if style == "interrupted":
        size = min(size, 0.38 * length / 95)
        cv2.putText(
            share, "50 um", (int(x + 0.34 * length), y + thick // 2 + 8), FACE, size, 255, 2, cv2.LINE_AA
        )
    elif style == "none":
        cv2.putText(share, "sample 12", (300, 200), FACE, size, 255, 2, cv2.LINE_AA)
    elif label == "unreadable":
        for k in range(6):
            share[y - 25 : y - 21, int(x) + 30 + 9 * k : int(x) + 33 + 9 * k] = 255
    elif label == "above" or (label == "below" and style == "in a strip"):
        cv2.putText(share, text, (int(x + length / 3), y - thick - 14), FACE, size, 255, 2, cv2.LINE_AA)
    elif label == "below":
        cv2.putText(share, text, (int(x + length / 3), y + 2 * thick + 32), FACE, size, 255, 2, cv2.LINE_AA)
    elif label == "beside":
        cv2.putText(share, text, (int(x + length) + 15, y + 8), FACE, 0.5, 255, 1, cv2.LINE_AA)


def _stored(picture: Any, store: str, rng: np.random.Generator) -> Any:
    if store == "jpeg":
        quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(75, 96))]
        bgr = picture[..., ::-1] if picture.ndim == 3 else picture
        data = cv2.imencode(".jpg", np.ascontiguousarray(bgr), quality)[1]
        return cv2.imdecode(data, cv2.IMREAD_COLOR_RGB if picture.ndim == 3 else cv2.IMREAD_GRAYSCALE)
    if store == "16 bit":
        return picture.astype(np.uint16) * np.uint16(257)
    if store == "palette" and picture.ndim == 3:
        from PIL import Image

        return np.asarray(Image.fromarray(picture).quantize(256).convert("RGB"))
    return picture


def run_case(seed: int) -> Outcome:
    """Draw and read one picture; runs in a worker."""
    picture, what, ends, upright = draw(seed)
    try:
        reading = read_scale_bar(picture, bar_um=50)
    except Refusal as refusal:
        return Outcome(seed, what, refusal=str(refusal))
    if ends is None or reading.horizontal == upright:
        return Outcome(seed, what, np.inf)
    place = 1 if upright else 0
    return Outcome(seed, what, max(abs(reading.ends[k][place] - ends[k]) for k in (0, 1)))


def run_cases(seeds: range, workers: int) -> Iterator[Outcome]:
    """Yield the outcomes in the order of the seeds."""
    with get_context("spawn").Pool(workers, cv2.setNumThreads, (1,)) as pool:
        yield from pool.imap(run_case, seeds, chunksize=8)


def report(outcomes: list[Outcome]) -> str:
    """Return one table of ends and refusals, by every trait, and the cases that went wrong."""
    lines = [
        "| trait | pictures | refused | end off, px: median | 95th | beyond 0.7 px |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    groups: dict[str, list[Outcome]] = {"all with a bar": [o for o in outcomes if o.what["style"] != "none"]}
    for one in outcomes:
        for name in FIELDS:
            if name == "style" or one.what["style"] != "none":
                groups.setdefault(f"{name}: {one.what[name]}", []).append(one)
    for name, group in groups.items():
        errors = np.array([one.error for one in group if not one.refusal])
        told = "– | – | 0" if not errors.size else (
            f"{np.median(errors):.2f} | {np.quantile(errors, 0.95):.2f} | {int((errors > 0.7).sum())}"
        )  # fmt: skip
        lines.append(f"| {name} | {len(group)} | {len(group) - errors.size} | {told} |")
    lines += [
        f"{one.seed}: {' / '.join(one.what.values())}: {one.refusal or f'{one.error:.2f} px'}"
        for one in outcomes
        if one.error > 0.7 or (one.refusal and one.what["style"] != "none")
    ]
    return "\n".join(lines)


@click.command(help=__doc__)
@click.option("--seeds", default="0:300", show_default=True, help="first:last, last left out.")
@click.option("--jobs", default=1, show_default=True, type=click.IntRange(1))
def main(seeds: str, jobs: int) -> None:
    """Run the bench."""
    click.echo(report(list(run_cases(seed_range(seeds), jobs))))


if __name__ == "__main__":
    main()
