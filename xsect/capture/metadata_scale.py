"""Scale in a picture's metadata: what the file itself says a pixel measures, and what only looks like it."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final
from xml.etree import ElementTree

from xsect.capture.scale import Scale

U_METADATA: Final = 0.01
"""Relative standard uncertainty given to a scale from metadata: nominal magnifications and
electron-microscope calibrations commonly hold within 1 to 2 % (common practice; value from memory)."""

COARSEST_UM: Final = 20.0
"""Coarser pixels than this (finer than 1270 dots per inch would be needed) are print densities, not
microscopes'."""

FINEST_UM: Final = 0.001
NARROWEST_FIELD_UM: Final = 5.0
"""A picture narrower than this shows no weld section: most likely its unit is wrong by 1000."""

PRINT_DPI: Final = (1440, 2400, 2880, 3200, 4800, 5760, 9600)
"""Densities of printers and scanners beyond COARSEST_UM. A flatbed scan of a section has one rightly, but a file
printed or exported at one carries it whatever it shows, and nothing in the file tells the two apart."""

PRINT_WITHIN: Final = 3e-4
"""Relative: files store whole dots per inch, centimetre or metre (1440 dpi are 567 a cm, 0.012 % off)."""

_UNITS_UM: Final = {
    "nm": 1e-3, "nanometer": 1e-3, "nanometre": 1e-3, "µm": 1.0, "um": 1.0, "micron": 1.0, "microns": 1.0,
    "micrometer": 1.0, "micrometre": 1.0, "mm": 1e3, "millimeter": 1e3, "millimetre": 1e3, "cm": 1e4,
    "m": 1e6, "meter": 1e6, "metre": 1e6, "inch": 25400.0, "in": 25400.0, "pm": 1e-6, "å": 1e-4,
}  # fmt: skip


@dataclass(frozen=True)
class Metadata:
    """Scales that a file states, best first, and notes on entries that state none."""

    scales: tuple[Scale, ...] = ()
    notes: tuple[str, ...] = ()


NO_METADATA: Final = Metadata()


def unit_um(name: str) -> float | None:
    """Return the length of a unit in µm, None where the name is no unit of length."""
    plain = name.strip().replace("\\u00B5", "µ").replace("\\u00b5", "µ").replace("μ", "µ").lower()
    return _UNITS_UM.get(plain.rstrip("."))


def judge(entries: Iterable[tuple[str, float, float]], width_px: int) -> Metadata:
    """Part (entry name, x µm/px, y µm/px) into scales and notes; equal statements are kept once."""
    scales: list[Scale] = []
    notes: list[str] = []
    for name, x, y in entries:
        trouble = _trouble(x, y, width_px)
        if trouble:
            notes.append(f"{name}: {trouble}")
        elif not any(
            math.isclose(x, s.x_um, rel_tol=1e-6) and math.isclose(y, s.y_um, rel_tol=1e-6) for s in scales
        ):
            scales.append(Scale(x, y, U_METADATA, "image metadata", name))
    return Metadata(tuple(scales), tuple(dict.fromkeys(notes)))


def _trouble(x: float, y: float, width_px: int) -> str:
    """Return why an entry is no scale, "" where it is one."""
    if not (math.isfinite(x) and math.isfinite(y) and x > 0 and y > 0):
        return "not a length"
    dpi = 25400.0 / x
    if max(x, y) > COARSEST_UM:
        return f"{dpi:.4g} dots per inch, a print density"
    if any(abs(dpi / known - 1) < PRINT_WITHIN for known in PRINT_DPI) and math.isclose(x, y, rel_tol=1e-3):
        return (
            f"{dpi:.0f} dots per inch, a printer's or scanner's density; for a scan, give um_per_px = {x:.5g}"
        )
    if min(x, y) < FINEST_UM or x * width_px < NARROWEST_FIELD_UM:
        return f"{x:.4g} µm/px would make the picture {x * width_px:.3g} µm wide: its unit must be wrong"
    return ""


def from_density(name: str, density: tuple[float, float], unit: float | None, width_px: int) -> Metadata:
    """Read a density in x and y (pixels per ``unit`` µm); without a unit, or as 0, it is a placeholder."""
    x, y = density
    if not (x > 0 and y > 0):
        return Metadata()
    if unit is None:
        return Metadata(notes=(f"{name}: {x:g} × {y:g} without a unit, a placeholder",))
    return judge([(name, unit / x, unit / y)], width_px)


def from_pillow(image: Any, exif: Mapping[int, Any]) -> Metadata:
    """Read PNG pHYs, JPEG JFIF and EXIF, and BMP densities of an image whose header pillow has read."""
    info, width = image.info, image.size[0]
    if image.format == "PNG":
        if "aspect" in info:
            return from_density("PNG pHYs", info["aspect"], None, width)
        return from_density("PNG pHYs", info.get("dpi", (0, 0)), 25400.0, width)
    if image.format == "BMP":
        return from_density("BMP density", info.get("dpi", (0, 0)), 25400.0, width)
    jfif_unit = {1: 25400.0, 2: 1e4}.get(info.get("jfif_unit"))
    found = from_density("JFIF density", info.get("jfif_density", (0, 0)), jfif_unit, width)
    if 282 in exif and 283 in exif:
        unit = {2: 25400.0, 3: 1e4}.get(exif.get(296, 2))
        x, y = (float(exif[tag] or 0) for tag in (282, 283))
        found = _joined(found, from_density("EXIF resolution", (x, y), unit, width))
    return found


def from_tiff(tif: Any, page: Any) -> Metadata:
    """Read OME pixel sizes, the pixel sizes that microscopes write, and the resolution tags, in that
    order."""
    width = int(page.imagewidth)
    found = _ome(tif.ome_metadata, width) if tif.is_ome else Metadata()
    for flag in sorted(tif.flags - {"ome", "imagej", "shaped", "uniform"}):
        tree = getattr(tif, f"{flag}_metadata", None)
        if isinstance(tree, Mapping):
            found = _joined(found, _microscope(tree, width))
    return _joined(found, _resolution(page, width))


def _joined(first: Metadata, second: Metadata) -> Metadata:
    return Metadata(first.scales + second.scales, first.notes + second.notes)


def _ome(xml: str, width_px: int) -> Metadata:
    """Read the pixel size of the first image of an OME description; its default unit is µm (OME schema)."""
    try:
        pixels = ElementTree.fromstring(xml).find(".//{*}Pixels")
    except ElementTree.ParseError:
        return Metadata(notes=("OME description: not valid XML",))
    if pixels is None or "PhysicalSizeX" not in pixels.attrib:
        return Metadata()
    columns = pixels.get("SizeX", "")
    if columns != str(width_px):
        note = f"OME pixel size: for {columns} columns, the picture has {width_px}: cropped or resized since"
        return Metadata(notes=(note,))
    x, y = (
        _length(pixels.get(f"PhysicalSize{axis}"), pixels.get(f"PhysicalSize{axis}Unit", "µm"))
        for axis in "XY"
    )
    return judge([("OME pixel size", x, x if math.isnan(y) else y)], width_px)


def _length(value: Any, unit: str | None) -> float:
    """Return a length in µm, NaN where value or unit is none."""
    factor = unit_um(unit) if unit else None
    try:
        return float(value) * factor if factor is not None else math.nan
    except (TypeError, ValueError):
        return math.nan


_PIXEL_X = ("pixelwidth", "pixelsizex", "voxelsizex", "xcalibration", "spatialcalibrationx", "imagepixelsize")
_PIXEL_Y = (
    "pixelheight",
    "pixelsizey",
    "voxelsizey",
    "ycalibration",
    "spatialcalibrationy",
    "imagepixelsize",
)
_UNIT_KEYS = ("calibrationunits", "spatialcalibrationunits", "pixelsizeunit", "unit")
_FIELD = ("horfieldsize", "hfw")


def _microscope(tree: Mapping[str, Any], width_px: int) -> Metadata:
    """Read pixel sizes from the nested entries that a microscope wrote.

    A value comes as a bare number, with a unit beside it, or as (label, value, unit). A bare pixel size below
    1e-4 can only be in metres; a larger bare number is of unknown unit and only noted. A stated width of
    field divided by the columns is a second reading: it differs where the picture was cropped or resized.
    """
    entries: list[tuple[str, float, float]] = []
    notes: list[str] = []
    for group, values in _groups(tree, ""):
        plain = {re.sub("[^a-z]", "", key.casefold().removeprefix("ap_")): key for key in values}
        unit = next((str(values[plain[key]]) for key in _UNIT_KEYS if key in plain), None)
        x_key, y_key, field_key = (
            next((plain[key] for key in keys if key in plain), None) for keys in (_PIXEL_X, _PIXEL_Y, _FIELD)
        )
        if x_key is None:
            continue
        name = f"{group}{x_key}"
        x = _microscope_length(values[x_key], unit)
        y = x if y_key is None else _microscope_length(values[y_key], unit)
        if math.isnan(x) or math.isnan(y):
            notes.append(f"{name} = {values[x_key]}: not a length with a unit")
            continue
        entries.append((name, x, y))
        if field_key is not None and x > 0:
            field = _microscope_length(values[field_key], unit, metres_below=0.1) / width_px
            if abs(field / x - 1) > U_METADATA:
                entries.append((f"{group}{field_key} over {width_px} columns", field, field * y / x))
    found = judge(entries, width_px)
    return Metadata(found.scales, (*notes, *found.notes))


def _groups(tree: Mapping[str, Any], prefix: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Yield each level of nested entries with the names that lead to it."""
    named = {key: value for key, value in tree.items() if isinstance(key, str)}
    yield prefix, named
    for key, value in named.items():
        if isinstance(value, Mapping):
            yield from _groups(value, f"{prefix}{key}.")


def _microscope_length(value: Any, unit: str | None, *, metres_below: float = 1e-4) -> float:
    if isinstance(value, tuple | list):
        return _length(value[-2], str(value[-1])) if len(value) >= 2 else math.nan
    if unit is None:
        return _length(value, "m") if isinstance(value, float) and value < metres_below else math.nan
    return _length(value, unit)


def _resolution(page: Any, width_px: int) -> Metadata:
    """Read the resolution tags; a unit of length in the description stands for the one that the tag lacks."""
    tags = page.tags
    if "XResolution" not in tags or "YResolution" not in tags:
        return Metadata()
    density = _ratio(tags["XResolution"].value), _ratio(tags["YResolution"].value)
    unit = {2: 25400.0, 3: 1e4}.get(int(tags["ResolutionUnit"].value) if "ResolutionUnit" in tags else 2)
    described = re.search(r"\bunit\s*[=:]\s*(\S+)", str(page.description), re.IGNORECASE)
    length = unit_um(described[1]) if described else None
    if length is None:
        return from_density("TIFF resolution", density, unit, width_px)
    found = from_density("TIFF resolution, unit from the description", density, length, width_px)
    return found if unit is None else _joined(found, from_density("TIFF resolution", density, unit, width_px))


def _ratio(value: Any) -> float:
    """Return a rational tag as a number, 0 where its denominator is 0."""
    numerator, denominator = value
    return float(numerator / denominator) if denominator else 0.0
