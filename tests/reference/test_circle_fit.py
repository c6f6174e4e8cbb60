"""Uncertainty of a circle fitted to serial chords against the bound that no fit can beat."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from xsect.measure.serial import fit_circle


def test_the_uncertainty_is_the_bound(table: Callable[[str], list[dict[str, float]]]) -> None:
    """100 points of radial noise σ are 50 chords: the pair of ends has σ/√2, here put on place and half-chord alike.

    Bounds printed to five decimals: half a digit is 5e-5 of the smallest.
    """
    for row in table("circle_fit_bound"):
        angles = np.radians(np.linspace(-row["arc_deg"] / 2, row["arc_deg"] / 2, 100))[50:]
        u = 1 / math.sqrt(2)
        fit = fit_circle(
            (1e5 * np.cos(angles)).tolist(), (2e5 * np.sin(angles)).tolist(), [2 * u] * 50, [u] * 50
        )
        assert fit.u_fit / 2 == pytest.approx(row["u_radius"], abs=6e-6, rel=5e-5)
        assert fit.u_centre == pytest.approx(row["u_centre"], abs=6e-6, rel=5e-5)
