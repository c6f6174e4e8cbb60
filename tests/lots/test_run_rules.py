"""Run rules: patterns seen where they complete, none across phases; how often a process in control signals."""

import numpy as np
import pytest

from xsect.lots.run_rules import RULE_SETS, RULES, run_signals

PATTERNS = {
    "zone 1": [0, 3.1],
    "zone 2": [0, -2.1, 0, -2.2],
    "zone 3": [1.1, 0.5, 1.2, 1.3, 1.4],
    "zone 4": [0.1] * 8,
    "test 2": [-0.1] * 9,
    "test 3": [0, 0.1, 0.2, 0.3, 0.4, 0.5],
    "test 4": [0.1, -0.1] * 7,
    "test 7": [0.9, -0.9] * 7 + [0.5],
    "test 8": [1.1, -1.1] * 4,
}


@pytest.mark.parametrize("rule", PATTERNS)
def test_a_pattern_signals_where_it_completes(rule: str) -> None:
    z = np.array(PATTERNS[rule], dtype=float)
    assert [signal.place for signal in run_signals(z, (rule,))] == [z.size - 1]
    assert run_signals(z[:-1], (rule,)) == ()


def test_two_sides_do_not_add_up() -> None:
    assert run_signals(np.array([2.1, -2.1, 0.0, 1.1, 1.2, -1.3, 1.4]), ("zone 2", "zone 3")) == ()


def test_the_point_that_signals_belongs_to_the_pattern() -> None:
    # the third point lies inside: the pattern was complete before it, and is not told again
    assert [s.place for s in run_signals(np.array([2.1, 2.2, 0.0]), ("zone 2",))] == [1]


def test_no_pattern_runs_across_a_phase() -> None:
    z, phase = np.full(14, 0.5), np.repeat([0, 1], 7)
    assert run_signals(z, RULE_SETS["zone"], phase=phase) == ()
    assert run_signals(z, RULE_SETS["zone"]) != ()


def test_no_number_is_refused() -> None:
    with pytest.raises(ValueError, match="no number"):
        run_signals(np.array([0.0, np.nan]), ("zone 1",))


def test_every_rule_names_its_origin() -> None:
    assert all(rule.origin and rule.sentence for rule in RULES.values())
    assert [len(RULE_SETS[name]) for name in ("zone", "eight")] == [4, 8]


def first_signals(rules: tuple[str, ...], shift: float, runs: int, length: int, seed: int) -> np.ndarray:
    """Run length to the first signal of each of many series, by the rules' tests on one long series each."""
    rng = np.random.default_rng(seed)
    found = np.full(runs, length)
    for i in range(runs):
        z = rng.normal(shift, 1.0, length)
        hit = np.logical_or.reduce([RULES[rule].test(z) for rule in rules])
        found[i] = int(np.argmax(hit)) + 1 if hit.any() else length
    return found


@pytest.mark.parametrize(
    ("rules", "shift", "published"),
    [
        # C. W. Champ and W. H. Woodall, Technometrics 29, 1987 (from memory): all four zone rules together
        (RULE_SETS["zone"], 0.0, 91.75),
        (RULE_SETS["zone"], 1.0, 9.22),
        (RULE_SETS["limits"], 0.0, 370.4),  # 1 / 0.0026998, by the normal distribution
    ],
    ids=["in control", "shifted by one sigma", "limits alone"],
)
def test_run_length(rules: tuple[str, ...], shift: float, published: float) -> None:
    lengths = first_signals(rules, shift, runs=2500, length=3000, seed=11)
    # four standard errors of the mean of 2,500 run lengths; series cut at 3,000 shorten the longest mean by 0.1
    error = 4 * lengths.std(ddof=1) / np.sqrt(lengths.size)
    assert lengths.mean() == pytest.approx(published, abs=error + 0.2)
