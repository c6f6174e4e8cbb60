"""Calibrate: from pictures of a stage micrometer to a calibration record and what stands behind it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from xsect.capture.axis_scales import DIAGONAL_DEG, AxisScales, combine_axes, pool_readings
from xsect.capture.calibration import (
    NO_CERTIFICATE,
    CalibrationRecord,
    Micrometer,
    MicrometerImage,
    explain,
    load_record,
    write_record,
)
from xsect.capture.image_files import RawImage, read_image
from xsect.capture.micrometer import MicrometerReading, Thermal, read_grid, read_micrometer
from xsect.reasons import Refusal

PITCH_WITHIN: Final = 0.001
"""How far a micrometer's pitch may be off where its certificate is not at hand: ASTM B487 asks for one whose
spacing is known to 0.2 µm or 0.1 %, whichever is greater (read in a copy of its 1985 edition)."""


@dataclass(frozen=True)
class Setup:
    """What a calibration is for: the record's own entries (see `CalibrationRecord`)."""

    name: str
    objective: str
    camera: str
    operator: str
    date: dt.date
    valid_until: dt.date
    binning: int = 1
    supersedes: str | None = None
    notes: str = ""


@dataclass(frozen=True)
class Standard:
    """The stage micrometer: certificate, pitch of its shortest lines with standard uncertainty (µm), temperature.

    ``grid``: it is a square grid, so each picture gives both axes. Where no uncertainty is given, ``u_pitch`` is an
    allowance: PITCH_WITHIN as the half width of a rectangular distribution.
    """

    certificate: str
    pitch_um: float
    u_pitch_um: float | None = None
    thermal: Thermal | None = None
    grid: bool = False

    @property
    def u_pitch(self) -> float:
        """Standard uncertainty of the pitch, as given or allowed for."""
        if self.u_pitch_um is not None:
            return self.u_pitch_um
        return abs(self.pitch_um) * PITCH_WITHIN / math.sqrt(3)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the standard leaves open."""
        found = []
        if not self.certificate:
            found.append("no certificate was named: the scale repeats, but nothing proves it")
        if self.u_pitch_um is None:
            found.append(
                f"no uncertainty of the pitch was given: {PITCH_WITHIN:.1%} is allowed for either way"
            )
        return tuple(found)


@dataclass(frozen=True)
class PictureReading:
    """One picture of the micrometer and what was read from it: one reading, or two from a grid."""

    path: Path
    raw: RawImage
    readings: tuple[MicrometerReading, ...]


@dataclass(frozen=True)
class Calibration:
    """A calibration: its record, the scales of both axes, and the pictures in the order given."""

    record: CalibrationRecord
    scales: AxisScales
    standard: Standard
    pictures: tuple[PictureReading, ...]

    @property
    def readings(self) -> tuple[MicrometerReading, ...]:
        """All readings, picture by picture."""
        return tuple(reading for picture in self.pictures for reading in picture.readings)


def calibrate(paths: Sequence[Path], setup: Setup, standard: Standard) -> Calibration:
    """Read every picture, pool repeats along each axis, and make the record.

    The pictures must be of one size; those along rows and those along columns may come in any order and number.
    Raises Refusal (image_missing, image_unreadable …, graduation_not_found) naming the picture,
    calibration_invalid where the record's entries break a rule, and ValueError where the pictures do not fit
    together.
    """
    if not paths:
        raise ValueError("pictures: at least one is needed")
    pictures = tuple(_read(path, standard) for path in paths)
    shapes = {picture.raw.pixels.shape[:2]: picture.path.name for picture in reversed(pictures)}
    if len(shapes) > 1:
        sizes = ", ".join(f"{name} {columns} × {rows} px" for (rows, columns), name in shapes.items())
        raise ValueError(f"pictures: must all be of one size, not {sizes}")
    readings = [reading for picture in pictures for reading in picture.readings]
    scales = combine_readings(readings, grid=standard.grid)
    scales = replace(scales, cautions=(*scales.cautions, *standard.cautions))
    return Calibration(_record(setup, standard, scales, pictures), scales, standard, pictures)


def check_replaced(setup: Setup, folder: Path) -> None:
    """Check the record that a new one is to replace: on file, of the same objective, camera and binning, no younger.

    Raises Refusal calibration_missing or calibration_invalid where it cannot be read, ValueError where it is another's.
    """
    if setup.supersedes is None:
        return
    old = load_record(setup.supersedes, folder).record
    for what in ("objective", "camera", "binning"):
        theirs, ours = getattr(old, what), getattr(setup, what)
        if theirs != ours:
            raise ValueError(f"supersedes = {old.name}: is of {what} {theirs}, the new record of {ours}")
    if old.date > setup.date:
        raise ValueError(
            f"supersedes = {old.name}: is of {old.date}, younger than the new record of {setup.date}"
        )


def combine_readings(readings: Sequence[MicrometerReading], *, grid: bool = False) -> AxisScales:
    """Pool the readings along rows, along columns and across both, and combine what there is into both axes' scales.

    A reading counts as one across both only beside some along either axis: alone it stands for the nearer one.
    """
    level = [reading for reading in readings if abs(reading.tilt_deg) <= DIAGONAL_DEG]
    across = [reading for reading in readings if abs(reading.tilt_deg) > DIAGONAL_DEG]
    if len({reading.along_x for reading in level}) < 2:
        level, across = list(readings), []
    along = [[reading for reading in level if reading.along_x is rows] for rows in (True, False)]
    groups = [*along, *([across] if across else [])]
    return combine_axes([pool_readings(group) for group in groups if group], grid=grid)


def _read(path: Path, standard: Standard) -> PictureReading:
    raw = read_image(path, name=path.name)
    read = read_grid if standard.grid else read_micrometer
    try:
        found = read(
            raw.pixels,
            pitch_um=standard.pitch_um,
            u_pitch_um=standard.u_pitch,
            thermal=standard.thermal,
        )
    except Refusal as refusal:
        detail = f"{path.name}: {refusal.finding.facts['detail']}"
        raise Refusal(refusal.finding.code, detail=detail) from None
    return PictureReading(path, raw, (found,) if isinstance(found, MicrometerReading) else found)


def _record(
    setup: Setup, standard: Standard, scales: AxisScales, pictures: Sequence[PictureReading]
) -> CalibrationRecord:
    """Build the record; the scale keeps two digits of its uncertainty, which is rounded up to two digits."""
    u = _rounded_up(scales.u_relative)
    first = pictures[0]
    rows, columns = first.raw.pixels.shape[:2]
    names = picture_names(setup.name, pictures)
    images = [
        MicrometerImage(file=name, sha256=picture.raw.sha256)
        for name, picture in zip(names, pictures, strict=True)
    ]
    notes = " ".join(filter(None, (setup.notes, *(f"Caution: {text}." for text in scales.cautions))))
    try:
        return CalibrationRecord(
            name=setup.name,
            objective=setup.objective,
            camera=setup.camera,
            binning=setup.binning,
            image_width_px=columns,
            image_height_px=rows,
            um_per_px_x=_kept(scales.x_um, u),
            um_per_px_y=_kept(scales.y_um, u),
            u_relative=u,
            date=setup.date,
            valid_until=setup.valid_until,
            operator=setup.operator,
            repeats=len(pictures),
            skew_deg=round(first.readings[0].tilt_deg, 2),
            axes_deg=90.0 if scales.skew_deg is None else round(90 + scales.skew_deg, 3),
            supersedes=setup.supersedes,
            notes=notes,
            micrometer=Micrometer(
                certificate=standard.certificate or NO_CERTIFICATE,
                pitch_um=standard.pitch_um,
                u_pitch_um=standard.u_pitch,
            ),
            image=images[0],
            further=images[1:],
        )
    except ValidationError as error:
        raise Refusal("calibration_invalid", detail=f"{setup.name}: {explain(error)}") from None


def _rounded_up(u: float) -> float:
    """Round a standard uncertainty up to two significant digits."""
    place = 1 - math.floor(math.log10(u))
    return float(round(math.ceil(round(u * 10**place, 6)) / 10**place, max(place, 0)))


def _kept(scale: float, u_relative: float) -> float:
    """Round a scale to a hundredth of its standard uncertainty or finer: rounding then adds nothing to it."""
    return round(scale, max(0, 2 - math.floor(math.log10(u_relative * scale))))


def picture_names(name: str, pictures: Sequence[PictureReading]) -> list[str]:
    """Return the names under which the pictures are kept beside the record."""
    numbers = [""] if len(pictures) == 1 else [f"_{number}" for number in range(1, len(pictures) + 1)]
    return [
        f"{name}{number}{picture.path.suffix.lower()}"
        for number, picture in zip(numbers, pictures, strict=True)
    ]


def save_calibration(calibration: Calibration, folder: Path, sheet: bytes = b"") -> list[Path]:
    """Write the record, copies of its pictures and its sheet into a calibration folder; return the files, record first.

    Nothing is overwritten: raises FileExistsError, before anything is written, if any of them is there; but a picture
    that is there already, the same to the byte, stays as the copy.
    """
    record = calibration.record
    path, page = folder / f"{record.name}.toml", folder / f"{record.name}.pdf"
    copies = {
        folder / name: picture.path.read_bytes()
        for name, picture in zip(
            picture_names(record.name, calibration.pictures), calibration.pictures, strict=True
        )
    }
    for one in (path, page, *copies):
        if one.exists() and not (one in copies and one.read_bytes() == copies[one]):
            raise FileExistsError(f"{one}: is there already; a calibration is never overwritten")
    folder.mkdir(parents=True, exist_ok=True)
    for copy, data in copies.items():
        if not copy.exists():
            copy.write_bytes(data)
    write_record(record, folder)
    if sheet:
        page.write_bytes(sheet)
    return [path, *copies, *([page] if sheet else [])]
