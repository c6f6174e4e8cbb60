"""Nuggets found, and not found, on drawn sections whose truth is known.

Tolerances: the rim is ragged by the grains it grew from, so its place is good to about 1.5 % of the width and 4 % of
a depth, which also holds the place of a faying line that is gone inside the nugget.
"""

from pathlib import Path

import numpy as np
import pytest

from xsect.capture.image_files import read_image
from xsect.capture.micrograph import Micrograph
from xsect.capture.scale import Scale
from xsect.locate.nugget import find_nuggets, shows_structure, with_fused
from xsect.locate.section import Located, locate
from xsect.locate.view import FUSED
from xsect.reasons import Refusal
from xsect.synth import draw
from xsect.synth.truth import Truth

REAL = Path(__file__).parents[2] / ".." / "shared" / "real"


def located(
    kind: str, seed: int, *, width_px: int = 1100, transposed: bool = False
) -> tuple[Located, Micrograph, Truth]:
    section = draw(kind, "easy", seed, width_px=width_px)
    pixels = np.ascontiguousarray(section.pixels.swapaxes(0, 1)) if transposed else section.pixels
    um = section.truth.um_per_px
    micrograph = Micrograph(pixels, Scale(um, um, 1e-4, "lot sheet"), "")
    return locate(micrograph, plated=section.truth.row["plating"] != "none"), micrograph, section.truth


@pytest.mark.parametrize(("kind", "seed"), [("steel_fusion", 0), ("mixed", 0)])
def test_a_nugget_has_its_width_and_height(kind: str, seed: int) -> None:
    found, micrograph, truth = located(kind, seed, width_px=1600)
    (one,) = find_nuggets(found, micrograph)
    assert one.certain
    um = truth.um_per_px
    assert one.width * um == pytest.approx(truth.quantities["nugget_width"], rel=0.03)
    assert one.height * um == pytest.approx(truth.quantities["nugget_height"], rel=0.06)
    assert with_fused(found, (one,)).stations.states.tolist().count(FUSED) == pytest.approx(
        one.width, rel=0.05
    )


def test_parts_side_by_side_give_the_same_nugget() -> None:
    found, micrograph, truth = located("steel_fusion", 0, transposed=True)
    assert found.parts.turned
    (one,) = find_nuggets(found, micrograph)
    assert one.width * truth.um_per_px == pytest.approx(truth.quantities["nugget_width"], rel=0.03)


@pytest.mark.parametrize(
    ("kind", "seed"), [("heat_affected", 0), ("heat_affected", 2), ("etched", 1), ("etched", 2)]
)
def test_shading_and_grains_are_no_nugget(kind: str, seed: int) -> None:
    found, micrograph, _ = located(kind, seed)
    assert shows_structure(found)
    assert not any(one.likely for one in find_nuggets(found, micrograph))


def test_unetched_metal_shows_no_structure() -> None:
    found, micrograph, _ = located("unetched", 1)
    assert not shows_structure(found)
    assert find_nuggets(found, micrograph) == ()


@pytest.mark.parametrize(
    "name", ["polished_edge_20x.jpg", "uneven_light_20x.jpg", "sem_se_500x.tif", "layer_a.tif"]
)
def test_real_pictures_without_a_weld_show_no_nugget(name: str) -> None:
    if not (REAL / name).exists():
        pytest.skip("the real pictures are not there")
    pixels = read_image(REAL / name).pixels
    micrograph = Micrograph(pixels, Scale(1.0, 1.0, 1e-3, "lot sheet"), "")
    try:
        found = locate(micrograph, plated=False)
    except Refusal:
        return
    assert not any(one.likely for one in find_nuggets(found, micrograph))
