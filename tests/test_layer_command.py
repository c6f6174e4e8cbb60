"""``xsect layer`` on drawn pictures, and on real ones where they are at hand.

Tolerances: the drawn layer to 0.3 px; the real ones to 3 % and 6 % of the mean thickness that a person outlined.
"""

import csv
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from scipy.ndimage import gaussian_filter

from tests.locate.layer_drawing import LOOKS, LayerDrawing
from xsect.cli import main
from xsect.measure.layer_image import measure_layer
from xsect.reasons import Refusal

REAL = Path(__file__).parents[2] / "shared" / "real"
DRAWING = LayerDrawing(9.0, LOOKS["between in grey"], tilt_deg=17)


def run(folder: Path, *options: str, drawing: LayerDrawing = DRAWING) -> Result:
    picture = folder / "coating.png"
    cv2.imwrite(str(picture), drawing.pixels())
    return CliRunner().invoke(main, ["layer", str(picture), *options])


def told(result: Result, name: str) -> float:
    (line,) = (line for line in result.output.splitlines() if line.startswith(name))
    return float(line.removeprefix(name).split()[0].rstrip(","))


def test_readings_table_and_picture(tmp_path: Path) -> None:
    result = run(tmp_path, "--um-per-px", "0.5")
    assert result.exit_code == 0, result.output
    assert told(result, "mean") == pytest.approx(4.5, abs=0.15)
    assert "lot sheet" not in result.output
    with (tmp_path / "coating_layer.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == told(result, "readings") >= 5
    thickness = [float(row["thickness_um"]) for row in rows]
    assert told(result, "mean") == pytest.approx(np.mean(thickness), abs=0.006)
    assert told(result, "standard deviation") == pytest.approx(np.std(thickness, ddof=1), abs=0.006)
    edges = [
        [float(row[f"{edge}_{axis}_px"]) for axis in "xy"] for row in rows for edge in ("upper", "lower")
    ]
    lengths = np.hypot(*(np.array(edges[1::2]) - np.array(edges[::2])).T)
    assert 0.5 * lengths == pytest.approx(thickness, abs=0.01)
    assert cv2.imread(str(tmp_path / "coating_layer.png")) is not None


def test_without_a_scale_in_px(tmp_path: Path) -> None:
    result = run(tmp_path, "--out", str(tmp_path / "new"))
    assert told(result, "mean") == pytest.approx(9.0, abs=0.3)
    assert "thickness in px: no scale was given" in result.output
    assert (tmp_path / "new" / "coating_layer.csv").exists()


def test_oblique_cut(tmp_path: Path) -> None:
    """A lean of 60° shows the layer twice as thick."""
    upright, leaning = run(tmp_path), run(tmp_path, "--tilt", "60", "--u-tilt", "1")
    assert told(leaning, "mean") == pytest.approx(told(upright, "mean") / 2, abs=0.011)
    assert told(leaning, "u of the mean") > told(upright, "u of the mean")
    assert told(leaning, "standard deviation") <= told(upright, "standard deviation")
    assert "not corrected" in upright.output
    assert "corrected for a lean of 60°" in leaning.output
    with (tmp_path / "coating_layer.csv").open(encoding="utf-8") as file:
        thickness = [float(row["thickness_px"]) for row in csv.DictReader(file)]
    assert told(leaning, "mean") == pytest.approx(np.mean(thickness), abs=0.006)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--at", "nowhere"], "must be two numbers"),
        (["--calibration", "missing"], "missing"),
        (["--um-per-px", "0"], "x>0"),
        (["--at", "512,5000"], "the place 512,5000 lies outside the picture of 480 × 360 px"),
    ],
)
def test_what_cannot_be_used_is_named(tmp_path: Path, options: list[str], says: str) -> None:
    result = run(tmp_path, *options)
    assert result.exit_code == 2
    assert says in result.output


def test_no_picture(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["layer", str(tmp_path / "none.png")])
    assert (result.exit_code, result.output.count("\n")) == (2, 1)
    assert "no such file" in result.output


def test_layer_too_thin_has_an_upper_bound() -> None:
    """In backscatter contrast a layer of a third of the blur is one soft edge: the interval must reach the truth."""
    found = measure_layer(LayerDrawing(0.5, LOOKS["backscatter"], blur=1.5).pixels(), None)
    assert found.low <= 0.5 <= found.high
    assert found.high > 0.5
    assert not found.resolved
    assert any("thinner" in note for note in found.notes)


def stack(*bands: tuple[int, int], size: tuple[int, int] = (420, 640)) -> np.ndarray:
    """Horizontal bands of (rows, level) on each other, blurred, with noise."""
    ideal = np.repeat([float(level) for _, level in bands], [rows for rows, _ in bands])
    column = np.pad(ideal, (0, size[0] - len(ideal)), mode="edge")[:, None] * np.ones(size[1])
    noisy = gaussian_filter(column, 1.0) + np.random.default_rng(2).normal(0, 2, column.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    "picture",
    [
        pytest.param(stack((420, 120)), id="one material"),
        pytest.param(np.tile(np.linspace(60, 160, 640), (420, 1)).astype(np.uint8), id="shading alone"),
        pytest.param(
            np.hstack([stack((180, 60), (210, 140), (30, 200)), stack((210, 60), (210, 200))]),
            id="layer that ends",
        ),
    ],
)
def test_no_layer_is_refused(picture: np.ndarray) -> None:
    with pytest.raises(Refusal, match="no layer was found"):
        measure_layer(picture, None)


def test_one_boundary_is_no_layer_of_any_thickness() -> None:
    """Nothing lies between the two materials, so nothing may be told but an upper bound: the blur's own width."""
    found = measure_layer(stack((210, 140), (210, 200)), None)
    assert not found.resolved
    assert found.low == 0
    assert found.high < 3


def test_two_layers_on_each_other() -> None:
    """Measured as one it is said; a place inside one of them singles it out."""
    picture = stack((180, 60), (30, 140), (40, 100), (170, 200))
    both = measure_layer(picture, None)
    assert both.mean == pytest.approx(70, abs=0.3)
    assert any("two layers are measured as one" in note for note in both.notes)
    for y, thickness in ((195, 30), (230, 40)):
        one = measure_layer(picture, None, at=(320, y))
        assert one.mean == pytest.approx(thickness, abs=0.3)
        assert not any("two layers" in note for note in one.notes)


@pytest.mark.skipif(not REAL.exists(), reason="the real pictures are not at hand")
@pytest.mark.parametrize(("name", "truth", "share"), [("a", 119.2, 0.03), ("b", 149.1, 0.06)])
def test_real_layers(tmp_path: Path, name: str, truth: float, share: float) -> None:
    picture = str(REAL / f"layer_{name}.tif")
    result = CliRunner().invoke(main, ["layer", picture, "--out", str(tmp_path)])
    assert told(result, "mean") == pytest.approx(truth, rel=share)
    assert "several stretches" in result.output
