"""Runs that end in the middle: killed, or out of disk. Nothing acknowledged is lost, the rest is whole or not there."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from sqlalchemy import event

from tests.lots.conftest import record, run_of
from tests.lots.kills import LOT, ROOT, kill_one, left_behind
from xsect.cli import main
from xsect.lots import overview
from xsect.lots.database import Store, StoreError, open_store
from xsect.lots.store import find, keep, name_of

OUTPUTS = ("measurements.csv", "verdicts.csv", "tables.xlsx", "report.html", "report.pdf", "run.json")


def test_killed_writers_lose_nothing_acknowledged(new_url: Callable[[], str]) -> None:
    """Each kill costs at most the section in hand, which is there whole or not at all."""
    url, rng = new_url(), np.random.default_rng(5)
    acknowledged: set[int] = set()
    for number in range(4):
        acknowledged |= set(kill_one(url, 1000 * number, rng))
        assert len(left_behind(url, acknowledged)) <= number + 1
    assert acknowledged


def command(sheet: Path, criteria: Path, out: Path, store: str) -> list[str]:
    return [
        "measure", str(sheet), "--criteria", str(criteria), "--out", str(out), "--jobs", "1",
        "--date", "2026-05-04", "--store", store, "--resume",
    ]  # fmt: skip


def test_a_killed_run_is_resumed_to_the_same_bytes(tmp_path: Path, write_lot, write_criteria) -> None:
    """The run is killed as soon as the store holds its first section, at most a few ms into the next."""
    gone = {"section": "gone", "image": "gone.png"}
    sheet, criteria = write_lot(tmp_path, gone, changes={"lot": LOT}), write_criteria(tmp_path)
    whole, broken = tmp_path / "whole", tmp_path / "broken"
    store = str(tmp_path / "killed.db")
    process = subprocess.Popen(
        [sys.executable, "-m", "xsect", *command(sheet, criteria, broken, store)],
        cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip
    while process.poll() is None and not held(store):
        time.sleep(0.005)
    process.kill()
    process.communicate()
    assert process.returncode == -signal.SIGKILL
    assert held(store) == 1
    resumed = CliRunner().invoke(main, command(sheet, criteria, broken, store))
    assert resumed.exit_code == 1  # one picture is gone
    assert resumed.stdout.splitlines()[-1] == f"Kept in {store}: 1 taken over, 2 measured"
    CliRunner().invoke(main, command(sheet, criteria, whole, str(tmp_path / "whole.db")))
    assert [name for name in OUTPUTS if (whole / name).read_bytes() != (broken / name).read_bytes()] == []
    for figure in (whole / "figures").iterdir():
        assert figure.read_bytes() == (broken / "figures" / figure.name).read_bytes()


def held(store: str) -> int:
    if not os.path.exists(store):
        return 0
    try:
        with open_store(store) as opened:
            return len(overview.sections_in(opened, LOT))
    except StoreError:  # the store is being made
        return 0


def full_at(store: Store, pages: int) -> None:
    """Let the file grow to so many pages of 4 KiB and no further: SQLite then says what it says of a full disk."""
    event.listen(store.engine, "connect", lambda raw, _: raw.execute(f"PRAGMA max_page_count = {pages}"))
    store.engine.dispose()


@pytest.mark.parametrize("pages", range(50, 56))
def test_a_full_disk_costs_the_section_in_hand_only(tmp_path: Path, pages: int) -> None:
    """A page more each time, so that the disk is full at different rows of a section."""
    path, done = tmp_path / "full.db", []
    with open_store(path, create=True) as store:
        run = run_of(store)
        full_at(store, pages)

        def go_on() -> None:
            for number in range(1000):
                keep(store, run, record(f"S{number}", width=1.0 + number), str(number))
                done.append(number)

        with pytest.raises(StoreError, match=r"full.db: the disk is full; what was kept before is safe"):
            go_on()
    kept = len(done)
    assert kept > 3
    with open_store(path) as store:  # with room again
        assert overview.check(store) == ()
        assert len(overview.sections_in(store, LOT)) == kept
        assert find(store, name_of(record(f"S{kept}").row)) is None
        assert keep(store, run, record(f"S{kept}"), "k") == "measured"


def test_a_run_on_a_full_disk_says_so_and_is_resumed(
    tmp_path: Path, write_lot, write_criteria, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet, criteria, store = (
        write_lot(tmp_path, changes={"lot": LOT}),
        write_criteria(tmp_path),
        tmp_path / "s.db",
    )
    from xsect.lots import resume

    begin = resume.begin_run

    def begin_on_a_full_disk(opened: Store, **given: object) -> object:
        run = begin(opened, **given)  # type: ignore[arg-type]
        full_at(opened, os.path.getsize(store) // 4096 + 1)
        return run

    monkeypatch.setattr(resume, "begin_run", begin_on_a_full_disk)
    line = command(sheet, criteria, tmp_path / "r", str(store))
    made = CliRunner().invoke(main, line)
    assert (made.exit_code, made.stderr) == (2, f"{store}: the disk is full; what was kept before is safe\n")
    monkeypatch.undo()
    assert CliRunner().invoke(main, line).exit_code == 0
