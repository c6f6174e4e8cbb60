"""The truth bench scores right: known errors come out as they were put in."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tests.bench import run, sections
from tests.bench.outcomes import Outcome, measure_case, notch_errors
from tests.bench.overlay import write_overlay
from tests.bench.score import report, write_readings
from tests.bench.second_look import draw
from tests.bench.sections import Case, drawn, row_of
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.locate.view import JOINED, OPEN, NotchView, SectionView
from xsect.pipeline import SectionResult
from xsect.quantities import Component, measured, word
from xsect.reasons import Finding
from xsect.synth.truth import DrawnSection, Truth


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw small: the bench's arithmetic does not depend on the size."""

    class Small:
        KINDS, DIFFICULTIES = sections.LOOKS["second"].KINDS, sections.LOOKS["second"].DIFFICULTIES

        @staticmethod
        def draw(kind: str, difficulty: str, seed: int) -> DrawnSection:
            return draw(kind, difficulty, seed, width_px=420)

    monkeypatch.setitem(sections.LOOKS, "second", Small)


class Oracle:
    """Measures by looking the truth up, off by ``off`` px in bond width, with ``u`` px uncertainty."""

    def __init__(
        self, truth: Truth, off: float = 0.0, u: float = 1.0, findings: tuple[Finding, ...] = ()
    ) -> None:
        self.truth, self.off, self.u, self.findings = truth, off, u, findings

    def __call__(self, micrograph: Micrograph, row: SheetRow) -> SectionResult:
        assert row.um_per_px == pytest.approx(micrograph.scale.um_per_px)
        um, made = self.truth.um_per_px, []
        for segment, values in [(None, self.truth.quantities), *enumerate(self.truth.segments, 1)]:
            for name, value in values.items():
                off = self.off * um if name == "bond_width" else 0.0
                made.append(measured(name, value + off, (Component("edge", self.u * um),), segment=segment))
        made.append(word("bond_kind", self.truth.bond_kind))
        return SectionResult(tuple(made), self.findings, view_of(self.truth, self.off / 2))


def view_of(truth: Truth, outward: float) -> SectionView:
    """Return a view whose notches lie ``outward`` px beyond the true ones."""
    notches = []
    for i, pair in enumerate(truth.notches, 1):
        along = np.subtract(pair[1], pair[0]) / math.dist(*pair)
        for side, (x, y), sign in zip(("left", "right"), pair, (-1, 1), strict=True):
            dx, dy = along * sign * outward
            notches.append(NotchView(i, side, x + dx, y + dy, 1.0))
    line = np.array([[10.0, 20.0], [11.0, 20.0], [12.0, 20.0]])
    states = np.array([OPEN, JOINED, JOINED], np.int8)
    return SectionView(
        (line,), line, np.arange(3.0), states, np.zeros(3), np.full(3, np.nan),
        tuple(notches), np.zeros((3, 3, 3), np.uint8), 1.0,
    )  # fmt: skip


def outcome_of(case: Case, **oracle: float | tuple[Finding, ...]) -> Outcome:
    """Return the outcome of one case measured by an oracle."""
    return measure_case(case, Oracle(drawn(case, None).truth, **oracle), None)[0]


CASE = Case("second", "segments", "easy", 3)
BLURRED = Finding("out_of_focus", {"blur": "9"})


def test_true_values_score_no_error() -> None:
    outcome = outcome_of(CASE)
    assert outcome.bonds[0] == outcome.bonds[1] >= 2
    assert {one.segment for one in outcome.readings} == set(range(outcome.bonds[0] + 1))
    assert all(one.error == pytest.approx(0) and one.status == "measured" for one in outcome.readings)
    assert outcome.notch_errors == pytest.approx([0.0] * 2 * outcome.bonds[0], abs=1e-9)
    assert "| bond_width | 1 | 100 % | 0 % | 0 % | 0.00 px" in report([outcome], "t")


def test_a_known_error_comes_out_in_px_with_its_sign() -> None:
    text = report([outcome_of(CASE, off=-3.0, u=1.0), outcome_of(CASE, off=-5.0, u=1.0)], "t")
    row = next(line for line in text.splitlines() if line.startswith("| bond_width |"))
    cells = [cell.strip() for cell in row.strip("|").split("|")]
    assert (cells[5], cells[9], cells[10], cells[11]) == ("4.00 px", "-4.00 px", "0 % of 2", "1.96 px")
    assert "notches (px, outward positive): median -2.00" in text


def test_sections_put_aside_are_counted_apart() -> None:
    text = report([outcome_of(CASE), outcome_of(CASE, off=9.0, findings=(BLURRED,))], "t", flagged=True)
    assert "| bond_width | 2 | 50 % | 50 % | 0 % | 0.00 px" in text
    assert "| bond_width (put aside) |  |  |  |  | 9.00 px" in text
    assert "out_of_focus 1" in text


def test_false_bonds_and_quiet_unusable_pictures_are_told() -> None:
    bond = (measured("bond_width", 50.0, (Component("edge", 1.0),), segment=1),)

    def always(micrograph: Micrograph, row: SheetRow) -> SectionResult:
        return SectionResult(bond, (), None)

    for kind, line in (
        ("no_bond", "false bonds: 1 of 1**, not flagged 1 [4]"),
        ("unusable", "unusable pictures measured without a flag: 1** [4]"),
    ):
        assert line in report([measure_case(Case("second", kind, "easy", 4), always, None)[0]], "t")


def test_what_was_not_measured_counts_as_refused() -> None:
    def refuse(micrograph: Micrograph, row: SheetRow) -> SectionResult:
        return SectionResult((), (Finding("no_section_found", {"detail": "x"}),), None)

    outcome = measure_case(CASE, refuse, None)[0]
    assert {one.status for one in outcome.readings} == {"not_measured"}
    assert "| bond_width | 1 | 0 % | 0 % | 100 % | – |" in report([outcome], "t")


def test_notches_that_do_not_pair_up_score_nothing() -> None:
    truth = drawn(CASE, None).truth
    view = view_of(truth, 0.0)
    fewer = SectionView(
        *(getattr(view, name) if name != "notches" else view.notches[2:] for name in vars(view))
    )
    assert notch_errors(truth, fewer) == ()


@pytest.mark.parametrize("kind", ["plated", "unetched"])
def test_the_cache_gives_back_picture_and_truth(tmp_path: Path, kind: str) -> None:
    for seed in range(3):
        case = Case("second", kind, "easy", seed)
        fresh, kept, again = drawn(case, None), drawn(case, tmp_path), drawn(case, tmp_path)
        assert (fresh.pixels == kept.pixels).all()
        assert (fresh.pixels == again.pixels).all()
        assert fresh.pixels.dtype == again.pixels.dtype
        assert fresh.truth == again.truth


def test_row_carries_the_sheet_columns() -> None:
    case = Case("second", "plated", "easy", 1)
    row = row_of(drawn(case, None), case)
    assert row.plated
    assert row.plating_um is not None
    assert row.view == "brightfield"


def test_overlay_is_named_by_its_error_and_rows_are_written(tmp_path: Path) -> None:
    section = drawn(CASE, None)
    outcome, _, result = measure_case(CASE, Oracle(section.truth, off=4.0), None)
    path = write_overlay(tmp_path, outcome, section, result)
    share = 100 * 4 * section.truth.um_per_px / section.truth.quantities["bond_width"]
    assert path.name == f"segments-easy-00003-{share:+.2f}pc.png"
    write_readings([outcome], tmp_path / "rows.csv")
    assert len((tmp_path / "rows.csv").read_text().splitlines()) == 1 + len(outcome.readings)


def test_command_runs_the_main_job(tmp_path: Path) -> None:
    arguments = [
        "--kinds",
        "unetched",
        "--difficulty",
        "easy",
        "--seeds",
        "7:9",
        "--out",
        str(tmp_path / "b.md"),
    ]
    done = CliRunner().invoke(run.main, arguments, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    assert "## unetched, easy: 2 sections" in (tmp_path / "b.md").read_text()


@pytest.mark.parametrize(
    "arguments", [["--seeds", "9:9"], ["--kinds", "weld"], ["--only-draw"], ["--seeds", "a:b"]]
)
def test_command_refuses_wrong_choices(arguments: list[str]) -> None:
    assert CliRunner().invoke(run.main, arguments).exit_code == 2
