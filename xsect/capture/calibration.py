"""Calibration records: what proves the scale of an objective and camera, kept as one TOML file each."""

from __future__ import annotations

import datetime as dt
import difflib
import hashlib
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError, model_validator

from xsect.reasons import Finding, Refusal

DUE_SOON: Final = dt.timedelta(days=30)

NO_CERTIFICATE: Final = "none named"
"""What stands in a record for the certificate of a micrometer that has none."""

Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
UmPerPx = Annotated[float, Field(ge=0.001, le=100, allow_inf_nan=False)]


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class Micrometer(_Strict):
    """The stage micrometer: its certificate or serial number, its pitch and the pitch's standard
    uncertainty."""

    certificate: Text
    pitch_um: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    u_pitch_um: Annotated[float, Field(ge=0, allow_inf_nan=False)]


class MicrometerImage(_Strict):
    """A picture of the stage micrometer behind the record; ``file`` is relative to the record's folder."""

    file: Text
    sha256: Sha256


class CalibrationRecord(_Strict):
    """One calibration: valid for pictures of exactly this size, taken with this objective, camera and
    binning.

    ``u_relative`` is the relative standard uncertainty of both scales; ``repeats`` how many pictures or
    positions of the micrometer it rests on; ``skew_deg`` how far the micrometer lay askew; ``axes_deg`` the angle
    between the picture's rows and columns, in the object; ``supersedes`` the name of the record that this one
    replaces from its date on; ``image`` the first picture that it rests on, ``further`` the others.
    """

    name: Name
    objective: Text
    camera: Text
    binning: Annotated[int, Field(ge=1, le=16)] = 1
    image_width_px: Annotated[int, Field(ge=1)]
    image_height_px: Annotated[int, Field(ge=1)]
    um_per_px_x: UmPerPx
    um_per_px_y: UmPerPx
    u_relative: Annotated[float, Field(gt=0, le=0.1, allow_inf_nan=False)]
    date: dt.date
    valid_until: dt.date
    operator: Text
    repeats: Annotated[int, Field(ge=1)] = 1
    skew_deg: Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False)] = 0.0
    axes_deg: Annotated[float, Field(ge=80, le=100, allow_inf_nan=False)] = 90.0
    supersedes: Name | None = None
    notes: str = ""
    micrometer: Micrometer
    image: MicrometerImage
    further: list[MicrometerImage] = Field(default_factory=list)

    @model_validator(mode="after")
    def _dates_in_order(self) -> Self:
        if self.valid_until < self.date:
            raise ValueError(f"valid_until = {self.valid_until} must not be before date = {self.date}")
        return self


@dataclass(frozen=True)
class LoadedRecord:
    """A record with its folder and the SHA-256 of its file."""

    record: CalibrationRecord
    folder: Path
    sha256: str


RecordState = Literal["valid", "due soon", "expired", "superseded", "not yet valid", "not usable"]


@dataclass(frozen=True)
class RecordStatus:
    """One file of the calibration folder: its state on a date, and why it is so.

    ``loaded`` is None where the file is not usable; ``problem`` then says why. A usable record whose
    micrometer picture is missing or was changed says so in ``problem`` too.
    """

    name: str
    state: RecordState
    loaded: LoadedRecord | None = None
    problem: str = ""


def find_folder(sheet_folder: Path, explicit: Path | None = None) -> Path | None:
    """Return the calibration folder: the explicit one, else ``calibration`` beside the lot sheet, in its
    parent folders, or in the working directory; None where there is none."""
    if explicit is not None:
        return explicit
    here = sheet_folder.resolve()
    for folder in (here, *here.parents, Path.cwd()):
        if (folder / "calibration").is_dir():
            return folder / "calibration"
    return None


def load_record(name: str, folder: Path | None) -> LoadedRecord:
    """Read and check one record.

    Raises Refusal calibration_missing (with the closest name in the folder) or calibration_invalid, which
    names file, key, value and rule.
    """
    if folder is None:
        raise Refusal("calibration_missing", detail=f"{name}: there is no calibration folder")
    path = folder / f"{name}.toml"
    if Path(name).name != name or not path.is_file():
        names = sorted(file.stem for file in folder.glob("*.toml"))
        guess = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
        hint = f"; did you mean {guess[0]}?" if guess else ""
        raise Refusal("calibration_missing", detail=f"{name}: no such record in {folder.name}/{hint}")
    try:
        data = path.read_bytes()
        record = CalibrationRecord.model_validate(tomllib.loads(data.decode()))
    except ValidationError as error:
        raise Refusal("calibration_invalid", detail=f"{path.name}: {explain(error)}") from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise Refusal("calibration_invalid", detail=f"{path.name}: not readable as TOML ({error})") from None
    if record.name != name:
        rule = "must be the file's own name"
        raise Refusal("calibration_invalid", detail=f"{path.name}: name = {record.name}: {rule}")
    return LoadedRecord(record, folder, hashlib.sha256(data).hexdigest())


def explain(error: ValidationError) -> str:
    """Return pydantic's errors on one line, each as key = value: rule."""
    parts = []
    for item in error.errors():
        key = ".".join(str(step) for step in item["loc"])
        if item["type"] == "missing":
            parts.append(f"{key}: must be given")
        elif item["type"] == "extra_forbidden":
            known = [*CalibrationRecord.model_fields, *Micrometer.model_fields, *MicrometerImage.model_fields]
            guess = difflib.get_close_matches(str(item["loc"][-1]), known, n=1)
            hint = f"; did you mean {guess[0]}?" if guess else ""
            parts.append(f"{key}: not a key of a calibration record{hint}")
        elif not key:
            parts.append(item["msg"].removeprefix("Value error, "))
        elif item["type"] == "string_pattern_mismatch" and key in ("name", "supersedes"):
            parts.append(
                f"{key} = {item['input']}: must be of letters, digits, dots, hyphens and underscores only"
            )
        else:
            parts.append(f"{key} = {item['input']}: {item['msg'][0].lower()}{item['msg'][1:]}")
    return " ".join("; ".join(parts).split())


def write_record(record: CalibrationRecord, folder: Path) -> Path:
    """Write a record as TOML into ``folder``; an existing record is never overwritten (FileExistsError)."""
    import tomlkit

    entries = record.model_dump(exclude_none=True)
    if not record.further:
        del entries["further"]
    text = tomlkit.dumps(entries)
    path = folder / f"{record.name}.toml"
    folder.mkdir(parents=True, exist_ok=True)
    with path.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)
    return path


def list_records(folder: Path, on: dt.date) -> list[RecordStatus]:
    """Return the state on a date of every record in ``folder``, by name."""
    loaded, refused = _load_all(folder)
    found = [RecordStatus(name, "not usable", None, why) for name, why in refused.items()]
    for name, item in loaded.items():
        state, why = _state(item.record, loaded, on)
        found.append(RecordStatus(name, state, item, "; ".join(filter(None, (why, _pictures(item))))))
    return sorted(found, key=lambda status: status.name)


def _load_all(folder: Path) -> tuple[dict[str, LoadedRecord], dict[str, str]]:
    """Return the usable records by name, and why the others are not."""
    loaded: dict[str, LoadedRecord] = {}
    refused: dict[str, str] = {}
    for path in sorted(folder.glob("*.toml")):
        try:
            loaded[path.stem] = load_record(path.stem, folder)
        except Refusal as refusal:
            refused[path.stem] = str(refusal)
    return loaded, refused


def _state(
    record: CalibrationRecord, all_records: dict[str, LoadedRecord], on: dt.date
) -> tuple[RecordState, str]:
    for other in (item.record for item in all_records.values()):
        if other.supersedes == record.name and other.date <= on:
            return "superseded", f"superseded by {other.name} on {other.date}"
    if on > record.valid_until:
        return "expired", f"was valid until {record.valid_until}"
    if on < record.date:
        return "not yet valid", f"is valid from {record.date}"
    if record.valid_until - on <= DUE_SOON:
        return "due soon", f"is valid until {record.valid_until}"
    return "valid", ""


def _pictures(item: LoadedRecord) -> str:
    """Return what is wrong with the micrometer pictures behind a record, "" where nothing is."""
    wrong = []
    for image in (item.record.image, *item.record.further):
        path = item.folder / image.file
        if not path.is_file():
            wrong.append(f"its picture {image.file} is missing")
            continue
        with path.open("rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() != image.sha256:
                wrong.append(f"its picture {image.file} has changed since")
    return "; ".join(wrong)


def check_use(
    loaded: LoadedRecord, *, shape: tuple[int, int], on: dt.date, binning: float | None = None
) -> tuple[Finding, ...]:
    """Return findings against using a record for a picture of ``shape`` (rows, columns) on a date.

    calibration_expired where it was expired or superseded on that date; calibration_mismatch where the
    picture's size is not the record's: another size means that the picture was cropped, binned or resized,
    and only cropping leaves the scale as it was; or where the picture's binning is known and is another.
    """
    record = loaded.record
    findings = []
    state, why = _state(record, _load_all(loaded.folder)[0], on)
    if state in ("expired", "superseded"):
        findings.append(
            Finding("calibration_expired", {"detail": f"record {record.name} {why}; the date of use is {on}"})
        )
    if shape != (record.image_height_px, record.image_width_px):
        detail = (
            f"record {record.name} holds for {record.image_width_px} × {record.image_height_px} px, "
            f"the picture has {shape[1]} × {shape[0]} px{_resized(record, shape)}"
        )
        findings.append(Finding("calibration_mismatch", {"detail": detail}))
    if binning is not None and binning != record.binning:
        detail = (
            f"record {record.name} holds for binning {record.binning}, the picture has binning {binning:g}"
        )
        findings.append(Finding("calibration_mismatch", {"detail": detail}))
    return tuple(findings)


def _resized(record: CalibrationRecord, shape: tuple[int, int]) -> str:
    """Tell of a picture whose two sides differ from the record's by one factor: it was not just cropped."""
    wide, high = shape[1] / record.image_width_px, shape[0] / record.image_height_px
    # Whole pixels: a side may be rounded by one.
    if abs(wide / high - 1) > 1 / min(*shape, record.image_width_px, record.image_height_px):
        return ""
    factor = f"1/{1 / wide:.3g}" if wide < 1 else f"{wide:.3g}"
    return f", {factor} of it on both sides: resized, or another binning"
