"""Intermetallic layer and free plating on drawn facing surfaces, and how they are stated.

Tolerances: a layer is promised to the larger of 0.3 px and 5 %; the intermetallic layer's inner edge has the contrast
of compound against base metal or plating alone, half of the plating's, so it is asked for to 0.4 px.
"""

import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from tests.locate.drawing import COPPER, MOUNT, Drawing, find, micrograph, sheet_row
from xsect.locate.layers import read_surfaces
from xsect.locate.section import locate
from xsect.measure.layers import layer_views, measure_layers
from xsect.pipeline import SectionResult, measure_micrograph
from xsect.quantities import QUANTITIES

COMPOUND = (0.62, 0.63, 0.64)
COLOUR = Drawing(
    mount=MOUNT, metal=COPPER, plating=10.0, filled=120.0, slope=0.25, standoff=30.0, size=(360, 900)
)
# backscatter: dark resin, copper, Cu6Sn5 0.61 of the way to tin (Castaing's rule)
ELECTRONS = replace(COLOUR, mount=(0.10,), metal=(0.50,), tin=(0.75,), noise=0.003)
LEVELS = {"colour": (COLOUR, COMPOUND), "backscatter": (ELECTRONS, (0.50 + 0.61 * 0.25,))}


def with_compound(drawing: Drawing, level: tuple[float, ...], thickness: float) -> NDArray[np.uint8]:
    """The drawing with ``thickness`` px of compound between base metal and plating."""
    return with_compounds(drawing, [level], [thickness])


def with_compounds(
    drawing: Drawing, levels: list[tuple[float, ...]], reach: list[float]
) -> NDArray[np.uint8]:
    """The drawing with compounds that reach from the base metal ``reach`` px into the plating, each laid over the one
    before: its share of each pixel is that of a plating of that thickness on the same base metal."""
    ideal = drawing.ideal()
    for level, thickness in zip(levels, reach, strict=True):
        share = share_of(drawing, thickness)
        ideal = ideal * (1 - share) + replace(drawing, tin=level).ideal() * share
    noisy = gaussian_filter(ideal, (drawing.blur, drawing.blur, 0))
    noisy += np.random.default_rng(3).normal(0, drawing.noise, noisy.shape)
    pixels = np.clip(np.rint(noisy * 255), 0, 255).astype(np.uint8)
    return pixels[..., 0] if pixels.shape[2] == 1 else pixels


def share_of(drawing: Drawing, thickness: float) -> NDArray[np.float64]:
    """The share of each pixel that a plating of this thickness would take up."""
    inner = replace(
        drawing, plating=thickness, filled=0.0, standoff=drawing.standoff + 2 * (drawing.plating - thickness)
    )
    bare = replace(inner, tin=inner.mount, metal=inner.mount).ideal()
    marked = replace(inner, tin=tuple(1.0 for _ in inner.mount), metal=inner.mount).ideal()
    return (marked - bare) / (1 - np.asarray(inner.mount))


def measured(look: str, thickness: float) -> SectionResult:
    drawing, level = LEVELS[look]
    view = "backscatter" if look == "backscatter" else "brightfield"
    row = sheet_row(plating="tin", view=view)
    return measure_micrograph(micrograph(with_compound(drawing, level, thickness)), row)


@pytest.mark.parametrize(("look", "thickness"), [("colour", 2.0), ("colour", 4.0), ("backscatter", 3.0)])
def test_intermetallic_layer(look: str, thickness: float) -> None:
    result = measured(look, thickness)
    mean, most = find(result, "imc_mean"), find(result, "imc_max")
    assert mean.value == pytest.approx(thickness, abs=0.4)
    assert mean.low <= thickness <= mean.high
    assert mean.value <= most.value <= 1.5 * thickness
    assert find(result, "imc_mean", 1).value == pytest.approx(mean.value)
    assert find(result, "plating_free_thickness").value == pytest.approx(10.0, abs=0.5)
    assert "readings, standard deviation" in mean.note


@pytest.mark.parametrize(("outer", "inner"), [(6.0, 6.0), (8.0, 4.0), (5.0, 2.5)])
def test_two_compounds_in_backscatter(outer: float, inner: float) -> None:
    """Cu6Sn5 on Cu3Sn, at 0.61 and 0.38 of the way from copper to tin (Castaing's rule): together to 0.3 px, each told
    to 0.4 px."""
    drawing = replace(ELECTRONS, plating=22.0, filled=160.0, size=(420, 1000))
    levels = [(0.50 + share * 0.25,) for share in (0.61, 0.38)]
    picture = with_compounds(drawing, levels, [outer + inner, inner])
    result = measure_micrograph(micrograph(picture), sheet_row(plating="tin", view="backscatter"))
    mean = find(result, "imc_mean")
    assert mean.value == pytest.approx(outer + inner, abs=0.3)
    assert mean.low <= outer + inner <= mean.high
    said = re.search(r"two layers: ([\d.]+) µm under the plating, ([\d.]+) µm on the base metal", mean.note)
    assert said is not None
    assert [float(one) for one in said.groups()] == pytest.approx([outer, inner], abs=0.4)
    assert find(result, "plating_free_thickness").value == pytest.approx(22.0, abs=0.5)


@pytest.mark.parametrize("look", LEVELS)
def test_what_cannot_be_seen_has_an_upper_bound(look: str) -> None:
    """No compound drawn: the bound is a pixel or two, twice the blur of 1 px at most, and never nothing."""
    drawing, _ = LEVELS[look]
    view = "backscatter" if look == "backscatter" else "brightfield"
    result = measure_micrograph(drawing.micrograph(), sheet_row(plating="tin", view=view))
    mean = find(result, "imc_mean")
    assert mean.low == 0
    assert 0 <= mean.value < 1.0
    assert 0.1 < mean.high < 2.5
    assert "upper bound" in mean.note


def test_budget_adds_up() -> None:
    for name in ("plating_free_thickness", "imc_mean", "imc_max"):
        found = find(measured("colour", 4.0), name)
        assert found.u == pytest.approx(float(np.hypot.reduce([part.u for part in found.budget])))
        assert QUANTITIES[name].unit == "um"


def test_views_for_the_figure() -> None:
    drawing, level = LEVELS["colour"]
    picture, row = micrograph(with_compound(drawing, level, 4.0), um_per_px=0.5), sheet_row(plating="tin")
    located = locate(picture, plated=True)
    surfaces = read_surfaces(located, row.view)
    measurements = measure_layers(located, surfaces, 0.5, 0.0, row)
    plating, compound = layer_views(located, surfaces, measurements, 0.5)
    assert (plating.name, compound.name) == ("free plating", "intermetallic layer")
    assert float(np.mean(plating.thickness)) == pytest.approx(plating.mean)
    # the upper surface's readings from left to right, then the lower one's
    assert np.count_nonzero(np.diff(plating.along) < 0) == 1
    assert plating.along.max() < 1.0  # mm: the picture is 900 px of 0.5 µm
