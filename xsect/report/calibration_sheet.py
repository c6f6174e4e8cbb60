"""Calibration sheet: one page on how a scale was found, for the file and for the auditor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect import __version__
from xsect.capture.calibrate import Calibration, PictureReading, picture_names
from xsect.capture.marks import eight_bit
from xsect.capture.micrometer import REFERENCE_C, MicrometerReading
from xsect.quantities import COVERAGE_FACTOR, decimals
from xsect.report.canvas import Canvas
from xsect.report.plotting import figure, svg_text
from xsect.report.setting import set_pdf
from xsect.report.style import BLUE, GREEN, GREY, ORANGE, PURPLE, VERMILLION

_SERIES: Final = ((BLUE, "o"), (ORANGE, "s"), (GREEN, "^"), (PURPLE, "D"))
_MOST_PICTURES: Final = 2
_MOST_LINES: Final = 7
_PICTURE_PX: Final = 1100
_LEAST: Final = 1e-7
"""Relative uncertainty below which a part is only told to be there."""


def calibration_sheet(calibration: Calibration) -> bytes:
    """Return the sheet as PDF, undated: the same calibration gives the same bytes."""
    shown = shown_pictures(calibration)
    files = {f"picture-{at}.jpg": _jpeg(marked_picture(one)) for at, one in enumerate(shown)}
    return set_pdf("calibration.typ", _model(calibration, shown), files)


def shown_pictures(calibration: Calibration) -> list[PictureReading]:
    """Return the pictures to show: the first along rows and the first along columns."""
    shown: list[PictureReading] = []
    for picture in calibration.pictures:
        if all(picture.readings[0].along_x != other.readings[0].along_x for other in shown):
            shown.append(picture)
    return shown[:_MOST_PICTURES]


def marked_picture(picture: PictureReading) -> NDArray[np.uint8]:
    """Return the micrometer's picture in grey, at most 1100 px, with every fitted line marked.

    Lines that were used carry a solid stroke, those left out a cross of two strokes.
    """
    pixels = eight_bit(picture.raw.pixels)
    grey = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    factor = min(1.0, _PICTURE_PX / max(grey.shape))
    small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA) if factor < 1 else grey
    # Half as bright as it was, turned towards white: the marks are to be seen, not the picture.
    pale = (110 + small.astype(np.float32) * (145 / 255)).astype(np.uint8)
    canvas = Canvas(np.ascontiguousarray(np.dstack([pale] * 3)), unit=1.0)
    for reading in picture.readings:
        _mark(canvas, reading, factor)
    return canvas.pixels


def _mark(canvas: Canvas, reading: MicrometerReading, factor: float) -> None:
    cos, sin = reading.direction
    along = np.array([-sin, cos])
    half = 0.5 * (reading.band[0][1] - reading.band[0][0])
    used, spoiled = [], []
    for tick in reading.ticks:
        centre = np.array([tick.x, tick.y])
        if tick.used:
            used.append((np.array([centre - half * along, centre + half * along]) + 0.5) * factor - 0.5)
        else:
            arm = 0.35 * reading.pitch_px * np.array([[cos, sin], [-sin, cos]]).sum(axis=0)
            other = np.array([-arm[1], arm[0]])
            spoiled += [(np.array([centre - one, centre + one]) + 0.5) * factor - 0.5 for one in (arm, other)]
    canvas.lines(used, BLUE, width=2 if reading.pitch_px * factor > 10 else 1, halo=0)
    canvas.lines(spoiled, VERMILLION, width=2, halo=0)


def _jpeg(pixels: NDArray[np.uint8]) -> bytes:
    settings = [cv2.IMWRITE_JPEG_QUALITY, 85, cv2.IMWRITE_JPEG_SAMPLING_FACTOR]
    settings.append(cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444)
    return cv2.imencode(".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), settings)[1].tobytes()


def residual_plot(readings: Sequence[MicrometerReading], labels: Sequence[str]) -> str:
    """Return the lines' residuals against an even graduation, in µm, over their place along it: an SVG element.

    One mark and colour a reading (the first four); crosses at the edge are lines left out. The curve, where the scale
    changes over the field, is the polynomial behind that finding.
    """
    with figure(7.1, 2.05) as drawing:
        axes = drawing.add_axes((0.075, 0.19, 0.915, 0.70))
        reach = 0.0
        for reading, label, (colour, mark) in zip(readings, labels, _SERIES, strict=False):
            place = np.array([tick.index for tick in reading.ticks]) * reading.pitch_um / 1000
            rest = np.array([tick.residual_px for tick in reading.ticks]) * reading.um_per_px
            used = np.array([tick.used for tick in reading.ticks])
            place = place - place.min()
            axes.plot(
                place[used], rest[used], linestyle="", marker=mark, markersize=3.2, color=colour,
                markerfacecolor="white", markeredgewidth=0.9, label=label,
            )  # fmt: skip
            reach = max(reach, float(np.abs(rest[used]).max()))
            if reading.distortion.found:
                cubic = np.polynomial.Polynomial.fit(place[used], rest[used], 3)
                fine = np.linspace(place[used].min(), place[used].max(), 120)
                axes.plot(fine, cubic(fine), color=colour, linewidth=0.9)
            left_out = place[~used]
            at_edge: Any = axes.get_xaxis_transform()
            axes.plot(
                left_out, np.full(len(left_out), 0.04), linestyle="", marker="x", markersize=3.6, color=VERMILLION,
                transform=at_edge, clip_on=False,
            )  # fmt: skip
        axes.axhline(0, color=GREY, linewidth=0.7)
        axes.set_ylim(-1.35 * reach - 1e-6, 1.35 * reach + 1e-6)
        axes.set_xlabel("place along the graduation, mm")
        axes.set_ylabel("residual, µm")
        axes.grid(axis="y", color="#D9D9D9", linewidth=0.6)
        axes.legend(
            loc="lower right",
            bbox_to_anchor=(1.0, 1.0),
            ncols=4,
            frameon=False,
            handletextpad=0.2,
            borderaxespad=0.1,
        )
        return svg_text(drawing, title="Residuals of the lines against an even graduation")


def _model(calibration: Calibration, shown: Sequence[PictureReading]) -> dict[str, Any]:
    record, scales = calibration.record, calibration.scales
    names = picture_names(record.name, calibration.pictures)
    rows = [
        (name, picture.raw.sha256, reading)
        for name, picture in zip(names, calibration.pictures, strict=True)
        for reading in picture.readings
    ]
    labels = [f"{name}, along {_axis(reading)}" for name, _, reading in rows]
    expanded = COVERAGE_FACTOR * record.u_relative
    return {
        "title": "Calibration sheet",
        "name": record.name,
        "tool": f"xsect {__version__}",
        "facts": [{"label": label, "value": value} for label, value in _facts(calibration)],
        "results": [
            {
                "axis": axis,
                "scale": f"{scale:.{decimals(scale, record.u_relative * scale)}f} µm/px",
                "expanded": f"± {_two(expanded * scale)} µm/px",
                "relative": f"± {_two(100 * expanded)} %",
            }
            for axis, scale in (
                ("x, left to right", record.um_per_px_x),
                ("y, downwards", record.um_per_px_y),
            )
        ],
        "method": _method(calibration),
        "skew": "" if scales.skew_deg is None else f"Axes of the picture: {90 + scales.skew_deg:.2f}° apart.",
        "readings": [_reading_row(name, reading) for name, _, reading in rows[:_MOST_LINES]],
        "more": max(0, len(rows) - _MOST_LINES),
        "budget": [
            {
                "part": part.name,
                "relative": f"{_two(100 * part.u)} %"
                if part.u >= _LEAST
                else f"below {_two(100 * _LEAST)} %",
                "share": f"{100 * part.u**2 / scales.u_relative**2:.0f} %",
            }
            for part in scales.budget
        ],
        "combined": f"{_two(100 * scales.u_relative)} %",
        "stated": f"{_two(100 * record.u_relative)} %",
        # So high that the page holds the rest.
        "height": max(20, 56 - 2 * min(len(rows), _MOST_LINES) - 4 * max(0, len(scales.cautions) - 2)),
        "pictures": [
            {
                "file": name,
                "alt": f"Picture of the stage micrometer, {name}, with the fitted lines marked",
                "wide": picture.raw.pixels.shape[1] / picture.raw.pixels.shape[0],
            }
            for name, picture in zip(names, calibration.pictures, strict=True)
            if picture in shown
        ],
        "hashes": [
            {"file": name, "sha256": sha} for name, sha in {name: sha for name, sha, _ in rows}.items()
        ],
        "plotted": "" if len(rows) <= len(_SERIES) else f" The first {len(_SERIES)} readings.",
        "plot": residual_plot([reading for _, _, reading in rows], labels),
        "cautions": [f"{text[0].upper()}{text[1:]}." for text in scales.cautions],
    }


def _method(calibration: Calibration) -> str:
    """Say in two sentences how the scale was found."""
    text = "All lines of the graduation fitted at once to the pixels, a straight line through their centres."
    if len(calibration.pictures) > 1:
        text += f" {len(calibration.pictures)} pictures; repeats along one axis are pooled, practice of ASTM E1951."
    return f"{text} U = k · u with k = {COVERAGE_FACTOR:.2f}."


def _axis(reading: MicrometerReading) -> str:
    return "x" if reading.along_x else "y"


def _facts(calibration: Calibration) -> list[tuple[str, str]]:
    record, standard = calibration.record, calibration.standard
    thermal = standard.thermal
    temperature = "not given: no correction"
    if thermal is not None:
        temperature = (
            f"{thermal.celsius:g} °C ± {thermal.u_celsius:g} K (u); pitch referred from {REFERENCE_C:g} °C"
        )
    return [
        ("Objective", record.objective),
        ("Camera", record.camera + ("" if record.binning == 1 else f", binning {record.binning}")),
        ("Picture size", f"{record.image_width_px} × {record.image_height_px} px"),
        ("Date", record.date.isoformat()),
        ("Valid until", record.valid_until.isoformat()),
        ("Operator", record.operator),
        ("Replaces", record.supersedes or "–"),
        (
            "Micrometer",
            (standard.certificate or "no certificate named") + (", square grid" if standard.grid else ""),
        ),
        ("Pitch", f"{standard.pitch_um:g} µm, u = {standard.u_pitch:.3g} µm"),
        ("Temperature", temperature),
    ]


def _reading_row(name: str, reading: MicrometerReading) -> dict[str, str]:
    change = reading.distortion
    return {
        "file": name,
        "axis": _axis(reading),
        "lines": f"{reading.lines} of {reading.lines_expected}",
        "tilt": f"{reading.tilt_deg:+.2f}°".replace("-", "−"),
        "pitch": f"{reading.pitch_px:.3f} px",
        "scale": f"{reading.um_per_px:.6g} µm/px",
        "rms": f"{1000 * reading.rms_px * reading.um_per_px:.0f} nm ({reading.rms_px:.3f} px)",
        "change": f"{100 * change.end_to_end:+.3f} / {100 * change.middle_to_ends:+.3f} %".replace("-", "−")
        if change.found
        else "none found",
    }


def _two(value: float) -> str:
    """Write a number with two significant digits, without an exponent."""
    if not value:
        return "0"
    return f"{value:.{max(0, 1 - math.floor(math.log10(abs(value))))}f}"
