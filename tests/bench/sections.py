"""Drawn sections for the truth bench: drawn once, kept in a folder, read back with their truth."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from hashlib import sha256
from pathlib import Path

import cv2
import numpy as np

from tests.bench import second_look
from xsect import synth
from xsect.capture.burned_in import find_burned_in
from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.capture.scale import Scale
from xsect.synth.truth import DrawnSection, Truth

LOOKS = {"synth": synth, "second": second_look}
U_SCALE = 1e-5
"""The bench gives the true scale, so the stated uncertainty leaves it no share in the intervals."""


@dataclass(frozen=True)
class Case:
    """One section to be drawn: by which generator, of which kind, how hard, from which seed.

    ``width_px``: width of the picture, None for the generator's own.
    """

    look: str
    kind: str
    difficulty: str
    seed: int
    width_px: int | None = None

    @property
    def name(self) -> str:
        """The name of its files."""
        width = f"-w{self.width_px}" if self.width_px else ""
        return f"{self.look}-{self.kind}-{self.difficulty}-{self.seed:05d}{width}"

    def draw(self) -> DrawnSection:
        """Draw it."""
        width = {"width_px": self.width_px} if self.width_px else {}
        return LOOKS[self.look].draw(self.kind, self.difficulty, self.seed, **width)


def drawn(case: Case, cache: Path | None) -> DrawnSection:
    """Return the section, from the cache folder where it is kept already, else drawn (and kept)."""
    if cache is None:
        return case.draw()
    picture, truth = cache / f"{case.name}.png", cache / f"{case.name}.json"
    if not truth.exists():
        section = case.draw()
        cache.mkdir(parents=True, exist_ok=True)
        if not cv2.imwrite(
            str(picture),
            np.ascontiguousarray(section.pixels[..., ::-1] if section.pixels.ndim == 3 else section.pixels),
        ):
            raise OSError(f"{picture}: could not be written")
        truth.write_text(json.dumps(asdict(section.truth), indent=1))
    pixels = cv2.imread(str(picture), cv2.IMREAD_UNCHANGED)
    if pixels is None:
        raise OSError(f"{picture}: could not be read")
    pixels = np.ascontiguousarray(pixels[..., ::-1]) if pixels.ndim == 3 else pixels
    return DrawnSection(pixels, read_truth(truth.read_text()), case.kind, case.difficulty, case.seed)


def read_truth(text: str) -> Truth:
    """Return a truth from its JSON; what were tuples become tuples again."""
    kept = json.loads(text)
    kept["segments"] = tuple(kept["segments"])
    kept["flaws"] = tuple(kept.get("flaws", ()))
    kept["notches"] = tuple(tuple(tuple(point) for point in pair) for pair in kept["notches"])
    return Truth(**kept)


def micrograph_of(section: DrawnSection) -> Micrograph:
    """Return the picture as the capture stage would hand it on, with the true scale."""
    um = section.truth.um_per_px
    scale = Scale(um, um, U_SCALE, "lot sheet", "truth of the drawing")
    return Micrograph(
        section.pixels,
        scale,
        sha256(np.ascontiguousarray(section.pixels).tobytes()).hexdigest(),
        find_burned_in(section.pixels),
    )


def row_of(section: DrawnSection, case: Case) -> SheetRow:
    """Return the lot sheet's row of the drawing; columns that no row has go with the unknown ones."""
    known = {one.name for one in fields(SheetRow)}
    given = {name: value for name, value in section.truth.row.items() if name in known}
    extra = {name: str(value) for name, value in section.truth.row.items() if name not in known}
    picture = f"{case.name}.png"
    basics = {
        "number": 2,
        "section": case.name,
        "image": Path(picture),
        "image_as_written": picture,
        "extra": extra,
    }
    return SheetRow(**{**basics, **given})  # type: ignore[arg-type]
