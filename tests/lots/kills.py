"""Kill a program that is writing to a store, at a random moment, and look at what it left behind."""

import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from tests.lots.conftest import record
from xsect.lots import overview
from xsect.lots.database import open_store

ROOT = Path(__file__).parents[2]
LOT = record().row.lot


def kill_one(where: str, first: int, rng: np.random.Generator, *, most: int = 12) -> list[int]:
    """Start a writer, SIGKILL it after 0 to ``most`` sections and up to 4 ms more; return what it acknowledged.

    4 ms is about what one section takes, so that the kill falls anywhere in a transaction.
    """
    writer = subprocess.Popen(
        [sys.executable, "-m", "tests.lots.writer", where, str(first)],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert writer.stdout is not None
    said = [writer.stdout.readline() for _ in range(int(rng.integers(0, most + 1)))]
    if not said:
        time.sleep(rng.uniform(0.0, 1.0))  # somewhere between its start and its first sections
    time.sleep(rng.uniform(0.0, 0.004))
    writer.kill()
    # not communicate(): it would pass over lines that readline has taken from the pipe already
    assert writer.stderr is not None
    rest, faults = writer.stdout.read(), writer.stderr.read()
    writer.stdout.close()
    writer.stderr.close()
    writer.wait()
    assert faults == "", faults
    return [int(line) for line in "".join([*said, rest]).split()]


def left_behind(where: str, acknowledged: set[int]) -> set[int]:
    """Open the store, check all of it; return the sections that it holds beyond those acknowledged.

    AssertionError where one is missing or not whole.
    """
    with open_store(where, create=True) as store:
        assert overview.check(store) == ()
        held = {int(line.name.section[1:]) for line in overview.sections_in(store, LOT)}
    assert acknowledged <= held, f"acknowledged and lost: {sorted(acknowledged - held)}"
    return held - acknowledged
