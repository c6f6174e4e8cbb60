"""Scale in metadata: what states a pixel size is read, what only looks like one is named."""

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image

from xsect.capture.image_files import read_image
from xsect.capture.metadata_scale import Metadata, _microscope, from_density, unit_um

REAL = Path(__file__).parents[2].parent / "shared" / "real"
PICTURE = np.random.default_rng(3).integers(0, 256, (100, 1000), dtype=np.uint8)


def of_tiff(folder: Path, **options: Any) -> Metadata:
    tifffile.imwrite(folder / "a.tif", PICTURE, photometric="minisblack", **options)
    return read_image(folder / "a.tif").metadata


def of_pillow(folder: Path, kind: str, **options: Any) -> Metadata:
    Image.fromarray(PICTURE).save(folder / "a", kind, **options)
    return read_image(folder / "a").metadata


def sizes(metadata: Metadata) -> list[tuple[float, float]]:
    return [(scale.x_um, scale.y_um) for scale in metadata.scales]


def approx(x: float, y: float | None = None, rel: float = 1e-9) -> list[Any]:
    return [(pytest.approx(x, rel=rel), pytest.approx(x if y is None else y, rel=rel))]


def test_resolution_tags_with_a_unit(tmp_path: Path) -> None:
    # Tags hold fractions of 32-bit numbers: good to about nine digits.
    found = of_tiff(tmp_path, resolution=(1e4 / 0.582, 1e4 / 0.6), resolutionunit="CENTIMETER")
    assert sizes(found) == approx(0.582, 0.6, rel=1e-7)
    assert found.scales[0].detail == "TIFF resolution"
    found = of_tiff(tmp_path, resolution=(25400 / 0.582,) * 2, resolutionunit="INCH")
    assert sizes(found) == approx(0.582, rel=1e-7)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"resolution": (200, 200), "resolutionunit": "NONE"}, "200 × 200 without a unit, a placeholder"),
        ({}, "1 × 1 without a unit, a placeholder"),
        ({"resolution": (72, 72), "resolutionunit": "INCH"}, "72 dots per inch, a print density"),
        ({"resolution": (300, 300), "resolutionunit": "INCH"}, "300 dots per inch, a print density"),
        ({"resolution": (2400, 2400), "resolutionunit": "INCH"}, "2400 dots per inch, a printer's"),
        ({"resolution": (945, 945), "resolutionunit": "CENTIMETER"}, "for a scan, give um_per_px = 10.582"),
        ({"resolution": (96, 96), "resolutionunit": "INCH"}, "96 dots per inch, a print density"),
        ({"resolution": (200, 200), "resolutionunit": "INCH"}, "200 dots per inch, a print density"),
        ({"resolution": (118, 118), "resolutionunit": "CENTIMETER"}, "299.7 dots per inch, a print density"),
        ({"resolution": (33, 33), "resolutionunit": "CENTIMETER"}, "83.82 dots per inch, a print density"),
        ({"resolution": (2e7, 2e7), "resolutionunit": "CENTIMETER"}, "its unit must be wrong"),
    ],
)
def test_placeholders_are_no_scale(tmp_path: Path, options: dict[str, Any], words: str) -> None:
    found = of_tiff(tmp_path, **options)
    assert found.scales == ()
    (note,) = found.notes
    assert note.startswith("TIFF resolution: ")
    assert words in note


def test_a_scale_close_to_a_printers_density_is_one(tmp_path: Path) -> None:
    """0.1 % beside 4800 dots per inch (5.2917 µm): no rounding of a density leads there."""
    found = of_tiff(tmp_path, resolution=(1e4 / 5.297,) * 2, resolutionunit="CENTIMETER")
    assert sizes(found) == approx(5.297, rel=1e-6)


def test_zero_resolution_says_nothing() -> None:
    assert from_density("TIFF resolution", (0, 0), 1e4, 1000) == Metadata()


@pytest.mark.parametrize("unit", ["um", "\\u00B5m", "micron", "microns"])
def test_a_unit_that_stands_only_in_the_description(tmp_path: Path, unit: str) -> None:
    found = of_tiff(tmp_path, resolution=(1 / 0.582,) * 2, imagej=True, metadata={"unit": unit})
    assert sizes(found) == approx(0.582, rel=1e-7)
    assert found.scales[0].detail == "TIFF resolution, unit from the description"


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
def test_a_micro_sign_in_the_description(tmp_path: Path, encoding: str) -> None:
    text = "ImageJ=1.53\nunit=µm\n".encode(encoding)
    found = of_tiff(tmp_path, resolution=(2, 2), resolutionunit="NONE", description=text, metadata=None)
    assert sizes(found) == approx(0.5)


def test_a_unit_that_is_no_length_leaves_a_placeholder(tmp_path: Path) -> None:
    found = of_tiff(tmp_path, resolution=(2, 2), imagej=True, metadata={"unit": "pixel"})
    assert found.scales == ()


def test_description_and_tag_that_disagree_are_both_kept(tmp_path: Path) -> None:
    found = of_tiff(
        tmp_path, resolution=(1e4, 1e4), resolutionunit="CENTIMETER", description="unit=nm", metadata=None
    )
    assert sizes(found) == [*approx(1.0)]
    assert "its unit must be wrong" in found.notes[0]


def ome(folder: Path, x: float, y: float | None, unit: str | None, **more: Any) -> Metadata:
    metadata: dict[str, Any] = {"axes": "YX", "PhysicalSizeX": x, **more}
    if y is not None:
        metadata["PhysicalSizeY"] = y
    if unit is not None:
        metadata |= {"PhysicalSizeXUnit": unit, "PhysicalSizeYUnit": unit}
    return of_tiff(folder, ome=True, metadata=metadata)


@pytest.mark.parametrize(
    ("x", "y", "unit", "expected"),
    [
        (0.0597, 0.0584, "µm", approx(0.0597, 0.0584)),
        (582.0, 582.0, "nm", approx(0.582)),
        (5.82e-4, 5.82e-4, "mm", approx(0.582)),
        (0.582, None, None, approx(0.582)),  # the schema's default unit is µm
        (0.582, 0.582, "nm", []),  # micrometres labelled nanometres
        (0.582, 0.582, "pixel", []),
    ],
)
def test_ome_pixel_sizes(
    tmp_path: Path, x: float, y: float | None, unit: str | None, expected: list[Any]
) -> None:
    found = ome(tmp_path, x, y, unit)
    assert sizes(found) == expected
    assert len(found.notes) == (1 if expected else 2)  # the resolution tag is a placeholder each time


def test_ome_of_another_size_belongs_to_the_picture_before_it_was_resized(tmp_path: Path) -> None:
    xml = (
        '<OME xmlns="http://www.openmicroscopy.org/Schemas/OME/2016-06"><Image ID="Image:0"><Pixels '
        'ID="Pixels:0" DimensionOrder="XYCZT" Type="uint8" SizeX="2000" SizeY="200" SizeC="1" SizeZ="1" '
        'SizeT="1" PhysicalSizeX="0.5" PhysicalSizeY="0.5"/></Image></OME>'
    )
    tifffile.imwrite(tmp_path / "a.tif", PICTURE, description=xml, metadata=None)
    found = read_image(tmp_path / "a.tif").metadata
    assert found.scales == ()
    assert found.notes[0] == (
        "OME pixel size: for 2000 columns, the picture has 1000: cropped or resized since"
    )


def test_png_density(tmp_path: Path) -> None:
    # A PNG keeps whole pixels per metre: 1,718,213 of them here.
    found = of_pillow(tmp_path, "PNG", dpi=(25400 / 0.582,) * 2)
    assert sizes(found) == approx(0.582, rel=1e-6)
    assert of_pillow(tmp_path, "PNG", dpi=(96, 96)).notes == (
        "PNG pHYs: 96.01 dots per inch, a print density",
    )
    assert of_pillow(tmp_path, "PNG") == Metadata()


def test_bmp_density(tmp_path: Path) -> None:
    found = of_pillow(tmp_path, "BMP", dpi=(25400 / 0.582,) * 2)
    assert sizes(found) == approx(0.582, rel=1e-5)
    assert of_pillow(tmp_path, "BMP").notes == ("BMP density: 96.01 dots per inch, a print density",)


def test_jpeg_density_and_exif(tmp_path: Path) -> None:
    assert of_pillow(tmp_path, "JPEG", dpi=(72, 72)).notes == (
        "JFIF density: 72 dots per inch, a print density",
    )
    exif = Image.Exif()
    exif[282], exif[283], exif[296] = 1e4 / 0.582, 1e4 / 0.6, 3
    found = of_pillow(tmp_path, "JPEG", exif=exif)
    assert sizes(found) == approx(0.582, 0.6, rel=1e-6)
    assert found.scales[0].detail == "EXIF resolution"


@pytest.mark.parametrize(
    ("tree", "expected"),
    [
        ({"Scan": {"PixelWidth": 5.82e-7, "PixelHeight": 6e-7}}, approx(0.582, 0.6)),
        ({"Scan": {"PixelWidth": 5.82e-7}, "EScan": {"PixelWidth": 5.82e-7}}, approx(0.582)),
        ({"pixelsizex": 5.82e-7, "pixelsizey": 5.82e-7}, approx(0.582)),
        ({"ap_image_pixel_size": ("Image Pixel Size", 582.0, "nm")}, approx(0.582)),
        ({"XCalibration": 0.582, "YCalibration": 0.6, "CalibrationUnits": "um"}, approx(0.582, 0.6)),
        (
            {
                "spatial-calibration-x": 0.582,
                "spatial-calibration-y": 0.582,
                "spatial-calibration-units": "um",
            },
            approx(0.582),
        ),
        ({"Scan": {"PixelWidth": 5.82e-7, "HorFieldsize": 5.82e-4}}, approx(0.582)),
        # The picture was halved after it was taken: the width of field tells.
        ({"Scan": {"PixelWidth": 5.82e-7, "HorFieldsize": 11.64e-4}}, [*approx(0.582), *approx(1.164)]),
        ({"Scan": {"PixelWidth": 0.582}}, []),
        ({"Scan": {"PixelWidth": "", "PixelHeight": ""}}, []),
        ({"Scan": {"PixelWidth": 5.82e-10}}, []),
        ({"Scan": {"Dwell": 1e-6}}, []),
    ],
)
def test_entries_of_microscopes(tree: dict[str, Any], expected: list[Any]) -> None:
    assert sizes(_microscope(tree, 1000)) == expected


def test_units() -> None:
    assert unit_um("µm") == unit_um("μm") == unit_um(" um ") == 1.0  # micro sign and Greek mu
    assert unit_um("Å") == 1e-4
    assert unit_um("furlong") is None


@pytest.mark.skipif(not REAL.is_dir(), reason="real pictures are not here")
@pytest.mark.parametrize(
    ("name", "um_per_px"),
    [
        ("sem_se_500x.tif", 0.582812),
        ("sem_bse_20kx.tif", 0.0145703),
        ("polished_edge_20x.jpg", None),
        ("mosaic_50x.jpg", None),
        ("stage_micrometer_10x.png", None),
        ("layer_a.tif", None),
    ],
)
def test_real_pictures(name: str, um_per_px: float | None) -> None:
    found = read_image(REAL / name).metadata
    assert sizes(found) == ([] if um_per_px is None else approx(um_per_px))


def test_metadata_survives_a_palette_or_rgba_copy(tmp_path: Path) -> None:
    dots = (25400 / 0.582,) * 2
    for mode in ("P", "RGBA", "1"):
        out = io.BytesIO()
        Image.fromarray(PICTURE).convert(mode).save(out, "PNG", dpi=dots)
        (tmp_path / "a").write_bytes(out.getvalue())
        assert sizes(read_image(tmp_path / "a").metadata) == approx(0.582, rel=1e-6)
