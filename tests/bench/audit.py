"""Numbers of the audit: re-use found by change, false pairs, time, slips named, p-values."""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

from tests.bench.audit_changes import CHANGES, first_field
from tests.bench.audit_sections import FAMILIES, draw, read, write
from xsect.audit import selection
from xsect.audit.candidates import find_candidates
from xsect.audit.fingerprints import Fingerprint, fingerprint, working
from xsect.audit.registration import Registration, likeness, register
from xsect.audit.remembered import pictures_in_store, remember, small_copies
from xsect.audit.reuse import Picture, Recall, closest, find_reuse, with_fingerprint, with_fingerprints
from xsect.audit.slips import LENGTH_SLIPS, find_slip
from xsect.capture.lot_sheet import LotSheet, SheetRow
from xsect.lots.database import open_store
from xsect.record import LotRecord, SectionRecord
from xsect.synth.demo_scenes import WIDTH_PX

BESIDE_FIRST = 30000
"""Number of the first section of the crowd beside, which no other part of the bench draws."""


def picture(path: Path) -> Picture:
    return Picture(path.stem, path, hashlib.sha256(path.read_bytes()).hexdigest(), "")


@dataclass(frozen=True)
class Shown:
    """A family's sections of one design, and those of them that are shown once more: change, section, file."""

    first: list[Path]
    again: list[tuple[str, int, Path]]


def shown_again(family: str, given: argparse.Namespace) -> Shown:
    """Draw a family's sections and change ``each`` of them in each way; sections of which a field is shown beside its
    neighbour are themselves shown as that field."""
    paths = [draw(family, given.first + number, given.cache) for number in range(given.pictures)]
    rng, again = np.random.default_rng([11, given.first]), []
    fields = list(range(given.pictures - given.each, given.pictures))
    folder = given.cache / f"again-{family}-{given.first}"
    folder.mkdir(exist_ok=True)
    for kind, (name, change) in enumerate(CHANGES.items()):
        beside = name == "neighbouring field"
        chosen = fields if beside else rng.choice(given.pictures - given.each, given.each, replace=False)
        for at in map(int, chosen):
            pixels = read(draw(family, given.first + at, given.cache))
            if beside:
                paths[at] = folder / f"field-{at:05d}.jpg"
                write(paths[at], first_field(pixels), quality=92)
            again.append((name, at, folder / f"{kind:02d}-{at:05d}.jpg"))
            write(again[-1][2], change(pixels, rng), quality=92)
    return Shown(paths, again)


def reuse(given: argparse.Namespace) -> None:
    """Count changed copies that are found, in one package with all sections and against a record store that keeps
    them, and different sections that are held for one."""
    totals = np.zeros(7, int)
    others = beside(given)
    print("\n| family | change | of | found in the package | found by the store | lowest likeness |")
    print("| --- | --- | --- | --- | --- | --- |")
    for family in FAMILIES:
        shown = shown_again(family, given)
        first = [with_fingerprint(picture(path)) for path in shown.first]
        again = [with_fingerprint(picture(path)) for _, _, path in shown.again]
        number = {one.name: at for at, one in enumerate(first)}
        number |= {one.name: at for one, (_, at, _) in zip(again, shown.again, strict=True)}
        number |= {one.name: -at for at, one in enumerate(others, 1)}
        package = find_reuse([*first, *again, *others], jobs=given.jobs)
        kept, recall = through_store([*first, *others])
        store = find_reuse(again, kept, jobs=given.jobs, recall=recall)
        shown_as_one = {(plain(one.first.name), plain(one.second.name)): one for one in (*package, *store)}
        false = {names: one for names, one in shown_as_one.items() if number[names[0]] != number[names[1]]}
        crowd = {one.name for one in others}
        in_crowd = [names for names in false if crowd.issuperset(names)]
        as_they_are = {one.name for one in (*first, *others)}
        in_package = {(one.first.name, one.second.name): one for one in package}
        in_store = {(one.first.name, plain(one.second.name)) for one in store}
        for name in CHANGES:
            those = [
                (first[at], one)
                for one, (change, at, _) in zip(again, shown.again, strict=True)
                if change == name
            ]
            hits = [in_package[a.name, b.name] for a, b in those if (a.name, b.name) in in_package]
            by_store = sum((b.name, a.name) in in_store for a, b in those)
            low = min((one.likeness.mean for one in hits if one.likeness), default=float("nan"))
            print(f"| {family} | {name} | {len(those)} | {len(hits)} | {by_store} | {low:.2f} |", flush=True)
            totals += [len(those), len(hits), by_store, 0, 0, 0, 0]
        # different sections as they are; and those with changed copies among them, in the package
        plain_pairs = len(first) * (len(first) - 1) // 2 + len(first) * len(others)
        with_copies = plain_pairs + len(again) * (len(first) + len(others) - 1) + differing(shown.again)
        wrong = [names for names in false if names not in in_crowd]
        wrong_plain = [names for names in wrong if as_they_are.issuperset(names)]
        totals += [0, 0, 0, plain_pairs, len(wrong_plain), with_copies, len(wrong)]
        for names in wrong:
            print(f"  false: {names}: {false[names].likeness}")
        if others:
            print(f"  false among the {len(others)} beside: {len(in_crowd)} pairs")
        twins(family, first)
    of, found, by_store, pairs, false_pairs, all_pairs, all_false = totals
    print(f"| all | | {of} | {found} ({found / of:.1%}) | {by_store} ({by_store / of:.1%}) | |")
    print(f"at 95 % confidence above {at_least(found, of):.1%} and {at_least(by_store, of):.1%}")
    for what, wrong_ones, tried in (
        ("as they are", false_pairs, pairs),
        ("with copies", all_false, all_pairs),
    ):
        most = 1 - at_least(tried - wrong_ones, tried)
        print(
            f"pairs of different sections {what}: {tried}, false {wrong_ones}: below {1e4 * most:.2f} in 10,000"
        )


def differing(again: list[tuple[str, int, Path]]) -> int:
    """Return how many pairs of changed copies are of different sections."""
    count = np.unique([at for _, at, _ in again], return_counts=True)[1]
    return int(len(again) * (len(again) - 1) // 2 - (count * (count - 1) // 2).sum())


def at_least(hits: int, of: int) -> float:
    """Return the lower bound of a share at 95 % confidence, one-sided (Clopper and Pearson)."""
    return float(stats.beta.ppf(0.05, hits, of - hits + 1)) if hits else 0.0


def beside(given: argparse.Namespace) -> list[Picture]:
    """Return ``among`` pictures of other specimens, with their fingerprints: a crowd to be found in."""
    sheet = package(given.among, given.cache / "beside", first=BESIDE_FIRST) if given.among else None
    paths = [sheet.parent / f"p{number:05d}.jpg" for number in range(given.among)] if sheet else []
    return with_fingerprints([picture(path) for path in paths], jobs=given.jobs)


def plain(name: str) -> str:
    """Return a section's own name from what the store calls it."""
    return name.split(" ")[0]


def through_store(pictures: list[Picture]) -> tuple[list[Picture], Recall]:
    """Return pictures as a record store gives them back, and what it gives their reduced copies by."""
    records = tuple(
        SectionRecord(
            SheetRow(number, one.name, one.path, one.path.name, lot="earlier"),
            one.sha256, (0, 0), None, (), (), (), None,
        )
        for number, one in enumerate(pictures)
    )  # fmt: skip
    lot = LotRecord(LotSheet(Path("earlier.csv"), "", ()), None, records, {})
    other = LotRecord(LotSheet(Path("now.csv"), "", ()), None, (), {})
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder) / "a.db", create=True) as store:
        remember(store, lot, pictures)
        copies = small_copies(store, [one.sha256 for one in pictures])
        return pictures_in_store(store, other), lambda wanted: {sha256: copies[sha256] for sha256 in wanted}


def twins(family: str, pictures: list[Picture], most: int = 150) -> None:
    """Lay different sections on each other at the same place, where their outlines come nearest: the worst case."""
    rng = np.random.default_rng(17)
    same = Registration(np.eye(2, 3), False, np.zeros((0, 4), np.float32))
    found = []
    for _ in range(most):
        one, other = rng.choice(len(pictures), 2, replace=False)
        (a, factor), (b, other_factor) = (working(pictures[at].pixels()[0]) for at in (one, other))
        found.append(likeness(a, b, same, factors=(factor, other_factor)).mean)
    values = np.array(found)
    print(
        f"  {family}: {most} pairs of different sections laid on each other as they are: likeness "
        f"{values.mean():.3f} ± {values.std():.3f}, most {values.max():.3f}"
    )


def made_up(rng: np.random.Generator, real: list[Fingerprint]) -> Fingerprint:
    """A section that was never drawn: details of drawn ones, each changed in 15 % of its bits, at places of its own."""
    points = np.concatenate([one.points for one in real])
    codes = np.concatenate([np.stack([one.codes, one.mirrored], axis=1) for one in real])
    chosen = rng.integers(0, len(points), 500)
    flips = np.packbits(rng.random((500, 2, codes.shape[2] * 8)) < 0.15, axis=2)
    changed = codes[chosen] ^ flips
    places = points[chosen].copy()
    places[:, 0], places[:, 1] = rng.uniform(0, 1400, 500), rng.uniform(0, 1000, 500)
    return Fingerprint((1000, 1400), places, changed[:, 0].copy(), changed[:, 1].copy())


def candidate_time(given: argparse.Namespace) -> None:
    """Time what is not done picture by picture: the search for candidates and their registration, in one process."""
    real = [
        fingerprint(read(draw(family, given.first + number, given.cache)))
        for family in FAMILIES
        for number in range(20)
    ]
    print("\n| pictures | search, s | candidates looked at | registration, s | a picture, ms |")
    print("| --- | --- | --- | --- | --- |")
    for size in given.sizes:
        rng = np.random.default_rng(size)
        prints = [*real, *(made_up(rng, real) for _ in range(size - len(real)))]
        started = time.process_time()
        near = closest(find_candidates(prints))
        searched = time.process_time()
        for one in near:
            register(prints[one.first], prints[one.second])
        done = time.process_time()
        print(
            f"| {size} | {searched - started:.1f} | {len(near)} | {done - searched:.1f} | "
            f"{1000 * (done - started) / size:.1f} |",
            flush=True,
        )


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


def package(size: int, folder: Path, *, first: int = 0, width_px: int = WIDTH_PX, again: int = 0) -> Path:
    """Write a package of ``size`` specimens of two designs, each drawn by itself from number ``first`` on.

    Of the last ``again`` sections each shows another one's picture once more, changed as the re-use bench does.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rows, changes, own = [], list(CHANGES.values()), size - again
    for number in range(size):
        at = number if number < own else (number - own) * 7 % own
        drawn = draw(FAMILIES[at % 2], first + at // 2, folder.parent, width_px=width_px)
        path = folder / (f"p{number:05d}.jpg" if number < own else f"again-{number:05d}.jpg")
        if number < own and not path.exists():
            shutil.copyfile(drawn, path)
        elif number >= own:
            change = changes[(number - own) % len(changes)]
            write(path, change(read(drawn), np.random.default_rng([31, number])), quality=92)
        width, scale = 900 + 10 * (number % 7), 2.0 * WIDTH_PX / width_px
        rows.append(f"S{number:05d},{path.name},L1,w{number},{scale:g},{width},2026-10-{12 + number % 3}")
    sheet = folder / f"lot_{size}.csv"
    sheet.write_text(
        "section,image,lot,weld,um_per_px,stated_bond_width,cut_on\n" + "\n".join(rows) + "\n",
        encoding="utf-8",
    )
    return sheet


def whole_time(given: argparse.Namespace) -> None:
    """Audit whole packages by the command line: wall time, and the processor time of all its processes.

    One section in a hundred shows another one's picture again.
    """
    print(f"\npictures {given.width} px wide, {given.jobs} jobs")
    print("| pictures | wall, s | processor, s | a picture, s | shown again | pairs told | load |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for size in given.sizes:
        folder, out = given.cache / f"package_{given.width}", given.cache / f"report_{given.width}_{size}"
        again = size // 100
        sheet = package(size, folder, width_px=given.width, again=again)
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        started = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "xsect", "audit", sheet, "--jobs", str(given.jobs), "--quiet", "--out",
             out, "--date", "2026-11-25"], check=False,
        )  # fmt: skip
        wall = time.perf_counter() - started
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        if done.returncode not in (0, 1):
            print(f"| {size} | could not run |", flush=True)
            continue
        used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        told = json.loads((out / "run.json").read_text(encoding="utf-8"))["audit"]["reuse"]
        print(
            f"| {size} | {wall:.0f} | {used:.0f} | {used / size:.3f} | {again} | {len(told)} | "
            f"{os.getloadavg()[0]:.1f} |",
            flush=True,
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cache", type=Path, default=Path("bench_audit"), help="folder of drawn pictures")
    parser.add_argument("--pictures", type=int, default=150, help="sections of one design, of each family")
    parser.add_argument(
        "--first", type=int, default=0, help="number of the first section: other ones are fresh"
    )
    parser.add_argument(
        "--among",
        type=int,
        default=0,
        help="pictures of other specimens beside them",
    )
    parser.add_argument(
        "--each", type=int, default=12, help="pictures shown again under each change, of each family"
    )
    parser.add_argument("--tries", type=int, default=1000, help="tries of each slip; honest packages")
    parser.add_argument(
        "--sizes", type=int, nargs="*", default=[500, 1000, 2000], help="pictures of the timing"
    )
    parser.add_argument("--width", type=int, default=WIDTH_PX, help="width of the timing's pictures, px")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", nargs="*", default=["reuse", "candidates", "package", "slips", "p"])
    given = parser.parse_args()
    given.cache.mkdir(parents=True, exist_ok=True)
    if "slips" in given.only:
        slips(given.tries)
    if "p" in given.only:
        p_values(given.tries)
    if "candidates" in given.only:
        candidate_time(given)
    if "package" in given.only:
        whole_time(given)
    if "reuse" in given.only:
        reuse(given)


if __name__ == "__main__":
    main()
