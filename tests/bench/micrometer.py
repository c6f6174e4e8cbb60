"""Bench of the stage micrometer: draw micrometers of known scale, read them, and tell how far off the scales are.

python -m tests.bench.micrometer --sorts clean,hard --seeds 0:200 --jobs 2

clean: sharp, all styles of lines, light and tilt; hard: out of focus, noisy, faint, unevenly lit, dirty, covered, JPEG;
fine: lines 1.2 to 5 px apart, many of them not resolved; calibration: whole calibrations of two axes, 2 + 2 pictures
and a micrometer that is off by its certificate's uncertainty; grid: square grids of thin and wide lines, that fill the
picture or end in it, on pixels that are not square and slant.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from multiprocessing import get_context
from typing import Any

import click
import cv2
import numpy as np
from scipy.special import ndtr

from tests.bench.run import names, seed_range
from xsect.capture.axis_scales import combine_axes
from xsect.capture.calibrate import combine_readings
from xsect.capture.micrometer import read_grid, read_micrometer
from xsect.quantities import COVERAGE_FACTOR
from xsect.reasons import Refusal
from xsect.synth.micrometer import MicrometerScene, draw_micrometer, random_scene

SORTS = ("clean", "hard", "fine", "calibration", "grid")
U_CERTIFICATE = 5e-4


@dataclass(frozen=True)
class Outcome:
    """Relative errors of the scales read (one, or x and y), how many intervals hold the truth, or the refusal."""

    sort: str
    seed: int
    errors: tuple[float, ...] = ()
    u: float = 0.0
    held: int = 0
    refusal: str = ""


def scene_of(sort: str, seed: int) -> MicrometerScene:
    """Return a random scene of 960 × 720 px whose scale and place differ with the seed."""
    rng = np.random.default_rng([seed, SORTS.index(sort), 401])
    full = random_scene(seed + 10_000)
    factor = full.width_px / 960
    scene = replace(
        full, width_px=960, height_px=720, start_px=(full.start_px[0] / factor, full.start_px[1] / factor)
    )
    if sort == "hard":
        pitch_px = scene.pitch / scene.um_per_px_x
        spoilt = {
            "tilt_deg": float(rng.uniform(-35, 35)),
            "blur_px": float(rng.uniform(1.2, max(0.25 * pitch_px, 1.6))),
            "contrast": float(rng.uniform(0.08, 0.3)),
            "noise": float(rng.uniform(0.02, 0.08)),
            "uneven": float(rng.uniform(0.3, 0.8)),
            "dust": int(rng.integers(20, 60)),
            "divisions": int(rng.choice([15, 25, 40])),
        }
        chosen = rng.choice(list(spoilt), 2, replace=False)
        return replace(scene, **{name: spoilt[name] for name in chosen})  # type: ignore[arg-type]
    if sort == "fine":
        pitch_px = float(rng.uniform(1.2, 5.0))
        scale = scene.pitch / pitch_px
        unit = float(rng.uniform(12, 40)) * scale
        return replace(
            scene, um_per_px_x=scale, um_per_px_y=scale, divisions=int(600 / pitch_px),
            lengths=(unit, 1.5 * unit, 2.1 * unit),
        )  # fmt: skip
    return scene


def true_scale(scene: MicrometerScene) -> float:
    """Return the scale at right angles to the lines: their wave vector in px, times the pitch."""
    angle = np.radians(scene.tilt_deg)
    return float(np.hypot(scene.um_per_px_x * np.cos(angle), scene.um_per_px_y * np.sin(angle)))


def picture_of(scene: MicrometerScene, sort: str, seed: int) -> Any:
    """Draw a scene; hard ones are spoilt further: a stretch covered by a label, JPEG."""
    picture: Any = draw_micrometer(scene, seed)
    if sort != "hard":
        return picture
    rng = np.random.default_rng([seed, 402])
    scale = 255 if picture.dtype == np.uint8 else 65535
    x, y = int(rng.integers(0, 800)), int(rng.integers(200, 500))
    cv2.rectangle(picture, (x, y), (x + int(rng.integers(20, 150)), y + 40), scale, -1)
    if picture.dtype == np.uint8:
        data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 95))])[1]
        picture = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
    return picture


def one_reading(sort: str, seed: int) -> Outcome:
    """Read one picture."""
    scene = scene_of(sort, seed)
    reading = read_micrometer(picture_of(scene, sort, seed), pitch_um=scene.pitch)
    true = true_scale(scene)
    held = reading.interval[0] <= true <= reading.interval[1]
    return Outcome(sort, seed, (reading.um_per_px / true - 1,), reading.u_relative, int(held))


def one_calibration(seed: int) -> Outcome:
    """Calibrate both axes by two pictures each of a micrometer whose pitch is off."""
    rng = np.random.default_rng([seed, 403])
    scene = scene_of("calibration", seed)
    scene = replace(scene, um_per_px_y=scene.um_per_px_x * float(rng.uniform(0.98, 1.02)), divisions=60)
    drawn = scene.pitch * (1 + U_CERTIFICATE * float(rng.standard_normal()))
    readings = []
    for turn in (0.0, 0.0, 90.0, 90.0):
        place = (float(rng.uniform(10, 80)), 360.0) if turn == 0 else (480.0, float(rng.uniform(10, 60)))
        shot = replace(scene, pitch=drawn, tilt_deg=turn + float(rng.uniform(-4, 4)), start_px=place)
        picture = draw_micrometer(shot, int(rng.integers(2**31)))
        readings.append(
            read_micrometer(picture, pitch_um=scene.pitch, u_pitch_um=U_CERTIFICATE * scene.pitch)
        )
    found = combine_readings(readings)
    errors = found.x_um / scene.um_per_px_x - 1, found.y_um / scene.um_per_px_y - 1
    held = sum(abs(error) <= COVERAGE_FACTOR * found.u_relative for error in errors)
    return Outcome("calibration", seed, errors, found.u_relative, held)


def grid_picture(seed: int) -> tuple[Any, float, tuple[float, float]]:
    """Draw a square grid of 960 × 720 px; return it with its pitch (µm) and the true scales in x and y."""
    rng = np.random.default_rng([seed, 404])
    x_um = float(np.exp(rng.uniform(np.log(0.2), np.log(4))))
    y_um = x_um * float(rng.choice([1, rng.uniform(0.97, 1.03)]))
    axes = np.radians(90 + float(rng.choice([0, rng.uniform(-0.6, 0.6)])))
    turn = np.radians(rng.uniform(-12, 12))
    pitch_px = float(np.exp(rng.uniform(np.log(8), np.log(80))))
    pitch, blur = pitch_px * x_um, float(rng.uniform(0.6, min(2.5, 0.15 * pitch_px + 0.3)))
    half, sigma = (
        pitch * float(rng.uniform(0.03, 0.2)),
        np.hypot(blur, np.sqrt(1 / 12)) * np.sqrt(x_um * y_um),
    )
    contrast, noise, uneven = rng.uniform(0.2, 0.9), rng.uniform(0.002, 0.03), rng.uniform(0, 0.4)
    column, row = np.meshgrid(np.arange(960.0), np.arange(720.0))
    x, y = column * x_um + row * y_um * np.cos(axes), row * y_um * np.sin(axes)
    ink, inside = np.zeros(x.shape), np.ones(x.shape)
    ends = rng.random() < 0.4
    for place, size in (
        (np.cos(turn) * x + np.sin(turn) * y, 960 * x_um), (np.cos(turn) * y - np.sin(turn) * x, 720 * y_um),
    ):  # fmt: skip
        off = place - rng.uniform(0, pitch)
        # A grid ends with a whole line.
        last = pitch * (round(rng.uniform(0.5, 0.9) * size / pitch) + 0.5)
        if ends:
            inside *= ndtr((last - off) / sigma)
        off -= pitch * np.rint(off / pitch)
        ink = np.maximum(ink, ndtr((off + half) / sigma) - ndtr((off - half) / sigma))
    down, along = np.mgrid[-1:1:720j, -1:1:960j]  # type: ignore[misc]
    light = 0.85 * (1 + uneven * (along * rng.choice([-1, 1]) - 0.5 * (along**2 + down**2)))
    shade = contrast * ink * inside
    shade = 1 - contrast + shade if rng.random() < 0.3 else 1 - shade
    levels = 255 * (light * shade + noise * rng.standard_normal(ink.shape))
    return np.rint(levels.clip(0, 255)).astype(np.uint8), pitch, (x_um, y_um)


def one_grid(seed: int) -> Outcome:
    """Read both axes from one picture of a grid."""
    picture, pitch, true = grid_picture(seed)
    found = combine_axes(read_grid(picture, pitch_um=pitch), grid=True)
    errors = found.x_um / true[0] - 1, found.y_um / true[1] - 1
    held = sum(abs(error) <= COVERAGE_FACTOR * found.u_relative for error in errors)
    return Outcome("grid", seed, errors, found.u_relative, held)


def run_case(case: tuple[str, int]) -> Outcome:
    """Run one case; a refusal is an outcome. Runs in a worker."""
    try:
        if case[0] == "grid":
            return one_grid(case[1])
        return one_calibration(case[1]) if case[0] == "calibration" else one_reading(*case)
    except (Refusal, ValueError) as refusal:
        return Outcome(*case, refusal=str(refusal))


def run_cases(cases: list[tuple[str, int]], workers: int) -> Iterator[Outcome]:
    """Yield the outcomes in the order of the cases."""
    with get_context("spawn").Pool(workers, cv2.setNumThreads, (1,)) as pool:
        yield from pool.imap(run_case, cases, chunksize=4)


def report(outcomes: list[Outcome]) -> str:
    """Return a table, a row a sort, and the refusals with their reasons."""
    lines = [
        "| sort | read | refused | error, % : median | 95th | largest | scales off by more than 1 % | intervals hold |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for sort in dict.fromkeys(one.sort for one in outcomes):
        group = [one for one in outcomes if one.sort == sort]
        read = [one for one in group if one.errors]
        errors = 100 * np.abs([error for one in read for error in one.errors]) if read else np.array([np.nan])
        held, count = sum(one.held for one in read), sum(len(one.errors) for one in read)
        lines.append(
            f"| {sort} | {len(read)} | {len(group) - len(read)} | {np.median(errors):.4f} | "
            f"{np.quantile(errors, 0.95):.4f} | {errors.max():.4f} | {int((errors > 1).sum())} | "
            f"{held} of {count} = {held / max(count, 1):.1%} |"
        )
    lines += ["", *(f"{one.sort} {one.seed}: {one.refusal}" for one in outcomes if one.refusal)]
    lines += [
        f"{one.sort} {one.seed}: off by {max(one.errors, key=abs):+.4%}, u {one.u:.4%}"
        for one in outcomes
        if one.errors and max(map(abs, one.errors)) > (5e-4 if one.sort == "clean" else 2e-3)
    ]
    return "\n".join(lines)


@click.command(help=__doc__)
@click.option("--sorts", default="", help="Comma-separated; all where left out.")
@click.option("--seeds", default="0:200", show_default=True, help="first:last, last left out.")
@click.option("--jobs", default=1, show_default=True, type=click.IntRange(1))
def main(sorts: str, seeds: str, jobs: int) -> None:
    """Run the bench."""
    cases = [(sort, seed) for sort in names(sorts, SORTS, "--sorts") for seed in seed_range(seeds)]
    click.echo(report(list(run_cases(cases, jobs))))


if __name__ == "__main__":
    main()
