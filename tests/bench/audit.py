"""Numbers of the audit: re-use found by change, false pairs, time, slips named, p-values. ``--help`` tells "
"the options."""

from __future__ import annotations

import argparse
import hashlib
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import cv2
import numpy as np

from tests.bench.audit_changes import CHANGES, first_field
from xsect.audit import selection
from xsect.audit.candidates import find_candidates
from xsect.audit.fingerprints import Fingerprint
from xsect.audit.reuse import Picture, find_reuse
from xsect.audit.slips import LENGTH_SLIPS, find_slip
from xsect.synth.demo import draw_weld
from xsect.synth.demo_scenes import Weld


def draw(number: int, folder: Path) -> Path:
    """Draw section ``number`` of one design, with its own bond, tilt and texture; every third etched, every fifth
    grey."""
    path = folder / f"{number:04d}.jpg"
    if not path.exists():
        rng = np.random.default_rng([77, number])
        weld = Weld(
            f"S{number}", "jpg", float(rng.normal(905, 20)), 0, float(rng.normal(0, 15)), float(rng.normal(73, 3)),
            tilt_deg=float(rng.normal(0, 1.5)), etched=number % 3 == 2, grey=number % 5 == 4,
        )  # fmt: skip
        write(path, draw_weld(weld, 50000 + number)[0], quality=90)
    return path


def write(path: Path, pixels: np.ndarray, *, quality: int) -> None:
    ordered = pixels if pixels.ndim == 2 else pixels[..., ::-1]
    cv2.imwrite(str(path), ordered, [cv2.IMWRITE_JPEG_QUALITY, quality])


def read(path: Path) -> np.ndarray:
    stored = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    return stored if stored.ndim == 2 else np.ascontiguousarray(stored[..., ::-1])


def picture(path: Path) -> Picture:
    return Picture(path.stem, path, hashlib.sha256(path.read_bytes()).hexdigest(), "")


def reuse(paths: list[Path], folder: Path, each: int, jobs: int) -> None:
    """Show ``each`` pictures once more under every change, and count what is found and what is found in vain."""
    started = time.perf_counter()
    found = find_reuse([picture(path) for path in paths], jobs=jobs)
    pairs = len(paths) * (len(paths) - 1) // 2
    took = time.perf_counter() - started
    print(f"\nfalse pairs among different sections of one design: {len(found)} of {pairs}")
    print(f"({took:.0f} s for {len(paths)} pictures, {jobs} processes)")
    rng = np.random.default_rng(11)
    print("\n| change | found | of | lowest likeness |\n| --- | --- | --- | --- |")
    every, wrong = [], 0
    for name, change in CHANGES.items():
        chosen = rng.choice(len(paths), each, replace=False)
        shown, expected = [], set()
        for number, at in enumerate(chosen):
            pixels = read(paths[at])
            first, second = folder / f"a{number:03d}.jpg", folder / f"b{number:03d}.jpg"
            write(first, first_field(pixels) if name == "neighbouring field" else pixels, quality=92)
            write(second, change(pixels, rng), quality=92)
            shown += [picture(first), picture(second)]
            expected.add((first.stem, second.stem))
        pairs_found = {(one.first.name, one.second.name): one for one in find_reuse(shown, jobs=jobs)}
        hits = [pairs_found[pair] for pair in expected if pair in pairs_found]
        wrong += len(pairs_found) - len(hits)
        every.append(len(hits) / each)
        like = [one.likeness.mean for one in hits if one.likeness]
        print(f"| {name} | {len(hits)} | {each} | {min(like, default=float('nan')):.2f} |", flush=True)
    print(f"| all | {np.mean(every):.1%} | {each * len(CHANGES)} | false pairs beside: {wrong} |")


def made_up(rng: np.random.Generator, points: int = 500) -> Fingerprint:
    """A fingerprint of nothing: to time the search for candidates alone."""
    codes = rng.integers(0, 256, (2, points, 16), dtype=np.uint8)
    places = np.column_stack(
        [rng.uniform(0, 1400, (points, 2)), rng.uniform(2, 12, points), rng.uniform(0, 360, points)]
    )
    return Fingerprint((1000, 1400), places.astype(np.float32), codes[0], codes[1])


def candidate_time(sizes: list[int]) -> None:
    print("\n| pictures | search for candidates, s | a picture, ms | candidates |\n| --- | --- | --- | --- |")
    for size in sizes:
        rng = np.random.default_rng(size)
        prints = [made_up(rng) for _ in range(size)]
        started = time.process_time()
        found = find_candidates(prints)
        took = time.process_time() - started
        print(f"| {size} | {took:.1f} | {1000 * took / size:.1f} | {len(found)} |", flush=True)


def slips(tries: int) -> None:
    """Values read with 2 % spread, then slipped by each factor; and values off by a plain reading error."""
    rng = np.random.default_rng(12)
    print("\n| slip | named right |\n| --- | --- |")
    for factor, name in LENGTH_SLIPS:
        hits = 0
        for _ in range(tries):
            true = rng.uniform(500, 2000)
            said = true * (1 + rng.normal(0, 0.02)) / factor
            slip = find_slip(
                said, true * (1 + rng.normal(0, 0.005)), u_measured=0.005 * true, u_stated=0.02, unit="um"
            )
            hits += slip is not None and slip.factor == factor
        print(f"| {name} | {hits / tries:.1%} |")
    plain = sum(
        find_slip(900 * (1 + rng.normal(0, 0.04)), 900.0, u_measured=4.5, u_stated=0.02, unit="um")
        is not None
        for _ in range(tries)
    )
    print(f"| none: readings with twice the spread, named in vain | {plain / tries:.2%} |")


def p_values(packages: int) -> None:
    """Honest packages of 10 to 60 sections, stated to 1 or 10 µm with 2 % spread."""
    rng = np.random.default_rng(13)
    found: dict[str, list[float]] = {}
    for number in range(packages):
        n = int(rng.integers(10, 60))
        seen = rng.normal(905, 25, n)
        step = (1, 10)[number % 2]
        said = list(np.rint(seen * (1 + rng.normal(0, 0.02, n)) / step) * step)
        measured = list(seen * (1 + rng.normal(0, 0.005, n)))
        signs = (
            selection.missing_numbers([f"S{at}" for at in range(n) if rng.random() > selection.SPOILT]),
            selection.cut_days([str(rng.integers(5)) for _ in range(n)], days=5),
            selection.small_spread(said, process_sd=float(np.hypot(25, 18.1))),
            selection.smaller_than_measured(said, measured),
            selection.terminal_digits(said, rng),
            selection.repeated_values(said, rng),
            selection.crowded_at_limit(said, measured, limit=890, above=True),
        )
        for sign in signs:
            if sign:
                found.setdefault(sign.title, []).append(sign.p)
    print("\n| look | packages | p < 0.05 | p < 0.01 |\n| --- | --- | --- | --- |")
    for title, p in found.items():
        values = np.array(p)
        print(f"| {title} | {len(p)} | {(values < 0.05).mean():.1%} | {(values < 0.01).mean():.1%} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cache", type=Path, default=Path("bench_audit"), help="folder of drawn pictures")
    parser.add_argument(
        "--pictures", type=int, default=150, help="sections of one design (150 make 11,175 pairs)"
    )
    parser.add_argument("--each", type=int, default=40, help="pictures shown again under each change")
    parser.add_argument("--tries", type=int, default=1000, help="tries of each slip; honest packages")
    parser.add_argument(
        "--sizes", type=int, nargs="*", default=[500, 1000, 2000], help="pictures of the timing"
    )
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", nargs="*", default=["reuse", "time", "slips", "p"])
    given = parser.parse_args()
    if "slips" in given.only:
        slips(given.tries)
    if "p" in given.only:
        p_values(given.tries)
    if "time" in given.only:
        candidate_time(given.sizes)
    if "reuse" in given.only:
        (given.cache / "again").mkdir(parents=True, exist_ok=True)
        with ProcessPoolExecutor(given.jobs) as pool:
            paths = list(pool.map(partial(draw, folder=given.cache), range(given.pictures)))
        reuse(paths, given.cache / "again", given.each, given.jobs)


if __name__ == "__main__":
    main()
