"""Write the demo: two small made-up lots with lot sheets and truth, and the stage micrometer behind them."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from xsect.synth.burn import Pixels
from xsect.synth.demo_scenes import (
    GOOD_LOT,
    HEIGHT_PX,
    PROJECTION_DIAMETER_UM,
    PROJECTION_HEIGHT_UM,
    SHEET_UM,
    TERMINAL_UM,
    TIN_UM,
    TROUBLE_LOT,
    UM_PER_PX,
    WIDTH_PX,
    Weld,
    design_weld,
    look_of,
)
from xsect.synth.micrometer import MicrometerScene, draw_micrometer
from xsect.synth.picture import render
from xsect.synth.profile import unroll
from xsect.synth.reckon import reckon
from xsect.synth.truth import Truth

CALIBRATION = "bench2_obj5"
JPEG_QUALITY = 90


def write_demo(folder: Path) -> None:
    """Write ``good_lot/`` and ``trouble_lot/`` into ``folder``: pictures, lot.csv, truth.csv.

    truth.csv holds what was drawn: section, quantity, segment (empty: whole section), value in µm, µm² or as
    a fraction; a section without rows cannot be measured.
    """
    _write_lot(folder / "good_lot", GOOD_LOT, "LQ417-2638", "2026-09-17", "2026-09-21", 11)
    _write_lot(folder / "trouble_lot", TROUBLE_LOT, "LQ417-2644", "2026-10-29", "2026-11-02", 12)


def draw_weld(weld: Weld, seed: int) -> tuple[Pixels, Truth]:
    """Return a demo weld's picture and truth; an unusable picture has a truth without quantities."""
    rng = np.random.default_rng(seed)
    design = design_weld(weld, rng)
    profile = unroll(design)
    pixels = render(design, look_of(weld, rng), seed, profile=profile)
    if weld.out_of_focus:
        nothing = Truth(UM_PER_PX, {}, bond_kind="none", usable=False)
        return np.asarray(cv2.GaussianBlur(pixels, (0, 0), 16), np.uint8), nothing
    return pixels, reckon(design, profile, {})


def sheet_row(
    weld: Weld,
    image: str,
    lot: str,
    *,
    made_on: str,
    cut_on: str,
    piece: str,
    calibration: str = CALIBRATION,
    operator: str = "bench 2",
) -> dict[str, str | float]:
    """Return the lot sheet's row of one drawn weld."""
    return {
        "section": weld.section,
        "image": image,
        "calibration": calibration,
        "lot": lot,
        "supplier": "Lindquell Stanzteile (made up)",
        "made_on": made_on,
        "cut_on": cut_on,
        "operator": operator,
        "weld": piece,
        "weld_type": "solid_state",
        "upper_material": "copper alloy sheet",
        "lower_material": "copper terminal",
        "upper_thickness_um": SHEET_UM,
        "lower_thickness_um": TERMINAL_UM,
        "projection_height_um": PROJECTION_HEIGHT_UM,
        "projection_diameter_um": PROJECTION_DIAMETER_UM,
        "plating": "tin",
        "plating_um": TIN_UM,
        "view": "brightfield",
        "etchant": "ammonia-peroxide" if weld.etched else "",
        "stated_bond_width": weld.stated,
    }


def _write_lot(
    folder: Path, welds: Sequence[Weld], lot: str, made_on: str, cut_on: str, first_seed: int
) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    sheet: list[dict[str, str | float]] = []
    truths: list[tuple[str, str, str, str]] = []
    for number, weld in enumerate(welds):
        pixels, truth = draw_weld(weld, 100 * first_seed + number)
        name = f"{lot}_{weld.section}.{weld.extension}"
        _write_picture(folder / name, pixels)
        row = sheet_row(weld, name, lot, made_on=made_on, cut_on=cut_on, piece=f"cavity {number + 1}")
        sheet.append(row)
        truths += _truth_rows(weld.section, truth)
    with (folder / "lot.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(sheet[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(sheet)
    with (folder / "truth.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("section", "quantity", "segment", "value"))
        writer.writerows(truths)


def _truth_rows(section: str, truth: Truth) -> list[tuple[str, str, str, str]]:
    rows = [(section, name, "", f"{value:.6g}") for name, value in sorted(truth.quantities.items())]
    for number, segment in enumerate(truth.segments, 1):
        rows += [(section, name, str(number), f"{value:.6g}") for name, value in sorted(segment.items())]
    return rows


def _write_picture(path: Path, pixels: Pixels) -> None:
    """Write one picture in the format of its name; TIFF is packed without loss."""
    if path.suffix == ".tif":
        import tifffile

        tifffile.imwrite(path, pixels, compression="zlib", predictor=True, metadata=None, software="")
        return
    options = [cv2.IMWRITE_PNG_COMPRESSION, 9]
    if path.suffix == ".jpg":
        # Colour at full resolution: coarser colour would smear layers of tin a few pixels thick.
        options = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
        options += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    ordered = np.asarray(pixels if pixels.ndim == 2 else pixels[..., ::-1], np.uint8)
    _, code = cv2.imencode(path.suffix, np.ascontiguousarray(ordered), options)
    path.write_bytes(code.tobytes())


def draw_demo_micrometer(*, along_rows: bool) -> Pixels:
    """Return the picture of a 50 µm stage micrometer on the demo's microscope, along its rows or columns."""
    scene = MicrometerScene(
        um_per_px_x=UM_PER_PX,
        um_per_px_y=UM_PER_PX,
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        pitch=50.0,
        divisions=48 if along_rows else 34,
        line_width=12.0,
        lengths=(110.0, 160.0, 230.0),
        start_px=(118.3, 560.7) if along_rows else (640.2, 71.6),
        tilt_deg=0.8 if along_rows else 90.5,
        numbers=along_rows,
        contrast=0.75,
        blur_px=1.0,
        uneven=0.12,
        noise=0.004,
        dust=6,
    )
    return draw_micrometer(scene, 5 if along_rows else 6)


def write_micrometer(folder: Path) -> None:
    """Write the two pictures of the stage micrometer on which the sample lots' calibration record rests."""
    for name in ("rows", "columns"):
        _write_picture(folder / f"{CALIBRATION}_{name}.png", draw_demo_micrometer(along_rows=name == "rows"))
