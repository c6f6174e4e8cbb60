"""Write the demo of an audit: an honest supplier's package and one with planted troubles. All names are invented."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from xsect.synth.burn import Pixels
from xsect.synth.demo import CALIBRATION, _write_picture, draw_weld, sheet_row
from xsect.synth.demo_scenes import (
    Weld,
)

OLD_CALIBRATION = "bench1_obj5"
"""The record of the other bench, which had expired when the troubled package's first sections were cut."""

CLAIM = """\
# What the made-up supplier says of this sample.
source = "Initial sample report, made up"
reliability = 0.7           # at least this share of the welds conforms ...
confidence = 0.95           # ... with this confidence
lot_size = 400
level = "S-3"
aql = 1.5                   # % nonconforming, ISO 2859-1
sampled_over_days = 3

[process_sd]
bond_width = 18.0           # µm, from earlier lots
"""


@dataclass(frozen=True)
class Shown:
    """One row of a package: the weld that was drawn, what is stated, and what was done to its picture.

    ``copy_of``: section whose picture is shown instead, mirrored and a little lighter. ``half``: the picture is shown
    at half its size. ``expired``: the sheet names the old calibration record. ``planted`` names the trouble.
    """

    weld: Weld
    copy_of: str = ""
    half: bool = False
    expired: bool = False
    planted: str = ""


HONEST = tuple(
    Shown(Weld(f"H{number:02d}", "jpg", bond, stated, offset, gap, tilt_deg=tilt, etched=etched))
    for number, (bond, stated, offset, gap, tilt, etched) in enumerate(
        (
            (912, 910, 8, 72, 1.1, False), (887, 890, -14, 75, -0.7, False), (931, 930, 20, 70, 0.4, True),
            (896, 900, -6, 74, 2.0, False), (921, 920, 26, 71, -1.6, False), (905, 910, 3, 73, 0.9, True),
            (878, 870, 11, 76, -2.1, False), (917, 920, -19, 72, 1.4, False), (899, 890, 15, 74, 0.2, False),
            (926, 930, -4, 71, -0.5, True), (891, 890, 9, 75, 1.8, False), (908, 910, -11, 73, -1.2, False),
        ),
        1,
    )
)  # fmt: skip

TROUBLED = (
    Shown(Weld("T01", "jpg", 915, 920, 6, 72, tilt_deg=0.8), expired=True),
    Shown(Weld("T02", "jpg", 907, 950, -12, 74, tilt_deg=-1.3), expired=True, planted="rounded up"),
    Shown(Weld("T03", "jpg", 884, 880, 18, 75, tilt_deg=1.7), expired=True),
    Shown(Weld("T04", "jpg", 922, 920, 9, 71, tilt_deg=0.5), copy_of="T09", planted="re-used picture"),
    Shown(Weld("T05", "jpg", 762, 800, -8, 84, tilt_deg=-0.9), planted="rounded up"),
    Shown(Weld("T06", "jpg", 901, 900, 13, 73, tilt_deg=1.2), half=True, planted="scale"),
    Shown(Weld("T07", "jpg", 893, 890, -5, 74, tilt_deg=-2.0, etched=True)),
    Shown(Weld("T08", "jpg", 860, 900, 16, 76, tilt_deg=0.3), planted="rounded up"),
    Shown(Weld("T09", "jpg", 919, 920, -10, 72, tilt_deg=-0.4)),
    Shown(Weld("T10", "jpg", 876, 880, 4, 75, tilt_deg=1.5, etched=True)),
    Shown(Weld("T11", "jpg", 911, 950, -17, 73, tilt_deg=-1.1), planted="rounded up"),
    Shown(Weld("T12", "jpg", 858, 900, 7, 76, tilt_deg=0.6), planted="rounded up"),
)
"""Planted: T04 shows T09's picture mirrored; T06's scale is off by 2; five widths are rounded up to the next 50 µm, of
which T05's crosses the limit; the calibration of the first three had expired."""


def write_packages(folder: Path) -> None:
    """Write ``honest_package/`` and ``troubled_package/`` into ``folder``: pictures, lot.csv, claim.toml."""
    _write(folder / "honest_package", HONEST, "LQ417-2650", 31)
    _write(folder / "troubled_package", TROUBLED, "LQ417-2661", 32)


def _write(folder: Path, shown: Sequence[Shown], lot: str, first_seed: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    drawn = {
        one.weld.section: draw_weld(one.weld, 100 * first_seed + number)[0]
        for number, one in enumerate(shown)
    }
    rows: list[dict[str, str | float]] = []
    for number, one in enumerate(shown):
        name = f"{lot}_{one.weld.section}.jpg"
        _write_picture(folder / name, _treated(one, drawn))
        row = sheet_row(
            one.weld,
            name,
            lot,
            made_on=f"2026-10-{5 + number // 4:02d}",
            cut_on=f"2026-10-{12 + number // 4:02d}",
            piece=f"piece {number + 1}",
            calibration=OLD_CALIBRATION if one.expired else CALIBRATION,
            operator="bench 1" if one.expired else "bench 2",
        )
        rows.append(row)
    with (folder / "lot.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(rows)
    (folder / "claim.toml").write_text(CLAIM, encoding="utf-8", newline="\n")


def _treated(one: Shown, drawn: dict[str, Pixels]) -> Pixels:
    if one.copy_of:
        lighter = np.clip(drawn[one.copy_of][:, ::-1].astype(np.float32) * 1.06 + 3, 0, 255)
        return np.asarray(lighter, np.uint8)
    pixels = drawn[one.weld.section]
    if one.half:
        return np.asarray(cv2.resize(pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
    return pixels
