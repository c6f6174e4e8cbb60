"""Layers found and read in drawn pictures.

Tolerances. A thickness is promised to the larger of 0.3 px and 5 %. A layer drawn with blur b and noise s is read to a
hundredth of a pixel where it is thicker than twice the blur; about one blur the layer's level and its thickness can
stand for each other, so that single pictures may be off by more, and only the median is asked for. A layer thinner than
that is told apart by its uncertainty.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.locate.layer_drawing import LOOKS, LayerDrawing
from xsect.locate.band import find_band
from xsect.locate.layer_profile import read_layer
from xsect.locate.steps import fit_steps
from xsect.reasons import Refusal


def read(drawing: LayerDrawing) -> float:
    return float(np.mean(read_layer(find_band(drawing.pixels())).thickness))


@pytest.mark.parametrize("look", LOOKS)
def test_thickness_from_two_to_thirty_px(look: str) -> None:
    errors = []
    for number, thickness in enumerate((2.0, 6.0, 30.0)):
        drawing = LayerDrawing(
            thickness,
            LOOKS[look],
            tilt_deg=-70 + 65 * number,
            blur=0.8 + 0.35 * number,
            shift=9 * number - 10,
        )
        errors.append(abs(read(drawing) - thickness) / max(0.3, 0.05 * thickness))
    assert np.median(errors) < 1
    assert max(errors) < 3


@pytest.mark.parametrize("look", ["tin on copper, colour", "between in grey"])
def test_layers_about_as_thin_as_the_blur(look: str) -> None:
    errors = [
        abs(read(LayerDrawing(t, LOOKS[look], tilt_deg=12, blur=b)) - t) for t, b in ((1, 1.0), (1.5, 1.4))
    ]
    assert max(errors) < 0.35


@pytest.mark.parametrize(("thickness", "scallop"), [(4.0, 0.3), (14.0, 0.25)])
def test_scalloped(thickness: float, scallop: float) -> None:
    """The mean of a scalloped layer is the drawn one: waves average out over the windows."""
    drawing = LayerDrawing(thickness, LOOKS["between in grey"], tilt_deg=5, scallop=scallop, wave=61.0)
    profile = read_layer(find_band(drawing.pixels()))
    assert float(np.mean(profile.thickness)) == pytest.approx(thickness, abs=max(0.3, 0.05 * thickness))
    # a sine of relative height a has the standard deviation a / √2; windows of 8 px hide little of a wave of 61 px
    assert float(np.std(profile.thickness)) == pytest.approx(scallop * thickness / np.sqrt(2), rel=0.15)


def test_bowed_layer() -> None:
    drawing = LayerDrawing(6.0, LOOKS["film in one metal"], bow=25.0, tilt_deg=-8)
    assert read(drawing) == pytest.approx(6.0, abs=0.3)


def test_a_place_chooses_among_several_layers() -> None:
    """Two films; the place inside one of them decides."""
    one = LayerDrawing(8.0, LOOKS["film in one metal"], shift=-60).pixels()
    two = LayerDrawing(14.0, LOOKS["film in one metal"], shift=70).pixels()
    both = np.minimum(one, two)
    for at, thickness in (((240.0, 120.0), 8.0), ((240.0, 250.0), 14.0)):
        profile = read_layer(find_band(both, at=at))
        assert float(np.mean(profile.thickness)) == pytest.approx(thickness, abs=max(0.3, 0.05 * thickness))


def test_even_picture_holds_no_layer() -> None:
    grey = LayerDrawing(5.0, ((0.5,), (0.5,), (0.5,)))
    with pytest.raises(Refusal, match="no layer"):
        find_band(grey.pixels())


def test_step_fit_returns_what_was_put_in() -> None:
    """Noise-free error functions: to the fit's own tolerance."""
    from scipy.special import ndtr

    places = np.tile(np.arange(-15.0, 16.0), (6, 1))
    edges = np.column_stack([np.linspace(-4, -2, 6), np.linspace(1, 4, 6)])
    share = ndtr((places[..., None] - edges[:, None]) / 1.3)
    profiles = 0.2 + share @ np.array([0.5, -0.3])
    fit = fit_steps(profiles[..., None], places, edges + 0.7, blur=0.8, shared=(1,))
    assert fit.edges == pytest.approx(edges, abs=1e-3)
    assert fit.blur == pytest.approx(1.3, abs=1e-3)
    assert fit.levels[:, :, 0] == pytest.approx(np.tile([0.2, 0.7, 0.4], (6, 1)), abs=1e-3)


def test_u_of_the_step_fit_is_the_scatter() -> None:
    """Independent noise: standard uncertainties within a factor of 2 of the scatter of 60 windows."""
    from scipy.special import ndtr

    places = np.tile(np.arange(-15.0, 20.0), (60, 1))
    share = ndtr((places[..., None] - np.array([0.0, 5.0])) / 1.3)
    profiles = 0.2 + share @ np.array([0.5, -0.3]) + np.random.default_rng(4).normal(0, 0.01, places.shape)
    start = np.tile([0.5, 4.0], (60, 1))
    fit = fit_steps(profiles[..., None], places, start, blur=1.0, shared=(1,))
    scatter = float(np.std(fit.thickness(1)))
    assert 0.7 * scatter < float(np.mean(fit.u_thickness(1))) < 2 * scatter


def test_wider_noise_keeps_the_mean() -> None:
    drawing = replace(LayerDrawing(10.0, LOOKS["darkest"]), noise=0.05, tilt_deg=33)
    assert read(drawing) == pytest.approx(10.0, abs=0.5)
