"""Figures of one section as files: the marked-up picture and the strip."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Final

from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.record import SectionRecord
from xsect.report.canvas import png_bytes
from xsect.report.flaw_table import flaws_csv
from xsect.report.layer_figure import draw_layers
from xsect.report.marked import draw_marked
from xsect.report.strip_figure import draw_strip

FOLDER: Final = "figures"
"""Where the figures stand, below the folder of the report."""

FIGURE_NAME: Final = re.compile(
    r"row\d{3,}(-[A-Za-z0-9_.-]+)?-(marked\.png|strip\.png|layers\.png|flaws\.csv)"
)
"""What the names of ``figure_names`` look like."""


def figure_names(row: SheetRow) -> tuple[str, str, str, str]:
    """Return the paths, relative to the report's folder, of a section's picture, strip, layers and list of flaws.

    The sheet's row number leads, so that no two sections share a name, on systems blind to case either; of
    the section's name only letters, digits, dots, dashes and underscores of ASCII remain, at most 60.
    """
    plain = re.sub(r"[^A-Za-z0-9_.-]+", "-", row.section)[:60].strip("-.")
    stem = f"{FOLDER}/row{row.number:03d}" + (f"-{plain}" if plain else "")
    return f"{stem}-marked.png", f"{stem}-strip.png", f"{stem}-layers.png", f"{stem}-flaws.csv"


def write_section_figures(micrograph: Micrograph, record: SectionRecord, out: Path) -> tuple[str, ...]:
    """Draw and write the figures of one section below ``out``; return their paths relative to it.

    Marked-up picture, then strip, then the layers' profile and the list of flaws where there are any; the picture
    alone where nothing was located. For use in worker processes: a file is written under another name and then
    renamed, so that none is ever half-written.
    """
    marked, strip, layers, flaws = figure_names(record.row)
    (out / FOLDER).mkdir(parents=True, exist_ok=True)
    files = {marked: png_bytes(draw_marked(micrograph.pixels, record.view, record))}
    if record.view is not None:
        files[strip] = draw_strip(record.view)
        if record.view.layers:
            files[layers] = draw_layers(record.view.layers)
        if record.view.flaws:
            files[flaws] = flaws_csv([(record.row.lot, record.row.section, record.view.flaws)])
    for name, data in files.items():
        _write(out / name, data)
    return tuple(files)


def _write(path: Path, data: bytes) -> None:
    half = path.with_name(f".{path.name}.part")
    half.write_bytes(data)
    os.replace(half, path)
