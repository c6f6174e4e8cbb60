"""A small drawn lot and a criteria file, shared by the tests that run whole jobs."""

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from xsect import synth

CRITERIA = """\
name = "made up for the tests"
weld_type = "solid_state"
source = "none"
[[clause]]
id = "width"
quantity = "bond_width"
at_least = {{ um = {least} }}
"""


@pytest.fixture(scope="session")
def drawn() -> list[tuple[np.ndarray, dict[str, Any]]]:
    """Two easy sections, drawn small for speed: their pixels and what a lot sheet says of them."""
    sections = [synth.draw("unetched", "easy", seed, width_px=500) for seed in (1, 2)]
    return [
        (section.pixels, {"um_per_px": round(section.truth.um_per_px, 6), **section.truth.row})
        for section in sections
    ]


@pytest.fixture(scope="session")
def write_lot(drawn: list[tuple[np.ndarray, dict[str, Any]]]) -> Callable[..., Path]:
    """Write the two sections S1 and S2 with their sheet lot.csv into a folder; further rows come behind them.

    ``changes`` replace columns of all rows, the further ones too.
    """

    def write(folder: Path, *more: dict[str, Any], changes: dict[str, Any] | None = None) -> Path:
        rows = []
        for number, (pixels, row) in enumerate(drawn, 1):
            picture = pixels[..., ::-1] if pixels.ndim == 3 else pixels
            cv2.imwrite(str(folder / f"s{number}.png"), picture)
            rows.append({"section": f"S{number}", "image": f"s{number}.png", **row})
        rows += [{**rows[0], **extra} for extra in more]
        rows = [{**row, **(changes or {})} for row in rows]
        sheet = folder / "lot.csv"
        with sheet.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(dict.fromkeys(key for row in rows for key in row)))
            writer.writeheader()
            writer.writerows(rows)
        return sheet

    return write


@pytest.fixture(scope="session")
def write_criteria() -> Callable[..., Path]:
    """Write a criteria file with one clause: the bond is at least so many µm wide."""

    def write(folder: Path, least: float = 10) -> Path:
        path = folder / "criteria.toml"
        path.write_text(CRITERIA.format(least=least), encoding="utf-8")
        return path

    return write
