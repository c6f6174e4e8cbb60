"""Scenes about fusion: their truth says what they are, and what must look like a nugget is none."""

from dataclasses import replace

import numpy as np
import pytest

from tests.synth.test_geometry import PLAIN
from xsect.synth import draw, render
from xsect.synth.design import Nugget
from xsect.synth.look import Look


@pytest.mark.parametrize("difficulty", ["easy", "hard"])
@pytest.mark.parametrize(
    ("kind", "told"),
    [("fusion", "fusion"), ("mixed", "mixed"), ("heat_affected", "solid_state"), ("reflow", "reflow")],
)
def test_truth_says_what_the_scene_is(kind: str, told: str, difficulty: str) -> None:
    for seed in range(3):
        truth = draw(kind, difficulty, seed, width_px=240).truth
        assert truth.bond_kind == told
        assert ("nugget_width" in truth.quantities) == (told in ("fusion", "mixed"))
        if told in ("fusion", "mixed"):
            share = truth.quantities["nugget_width"] / truth.quantities["bond_width"]
            assert (share > 0.5) == (told == "fusion")
            assert 0 < truth.quantities["penetration_upper"] < 1


def test_heat_fades_outward_without_a_step() -> None:
    """Grey levels along the line through a zone drawn on plain metal: no step larger than its own slope's."""
    zone = Nugget(0.0, 0.0, 120.0, 60.0, 60.0)
    plain = render(PLAIN, Look(), 0).astype(float)
    warm = render(replace(PLAIN, heat=zone), Look(heat=0.3), 0).astype(float)
    ratio = (warm / np.maximum(plain, 1))[plain > 0.99 * plain.max()]
    assert ratio.min() == pytest.approx(0.7, abs=0.02)
    row = int(np.argmin(warm.mean(axis=1) / np.maximum(plain.mean(axis=1), 1)))
    steps = np.abs(np.diff((warm / np.maximum(plain, 1))[row]))
    assert steps.max() < 0.02
