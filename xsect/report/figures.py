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
from xsect.report.marked import draw_marked
from xsect.report.strip_figure import draw_strip

FOLDER: Final = "figures"
"""Where the figures stand, below the folder of the report."""

FIGURE_NAME: Final = re.compile(r"row\d{3,}(-[A-Za-z0-9_.-]+)?-(marked|strip)\.png")
"""What the names of ``figure_names`` look like."""


def figure_names(row: SheetRow) -> tuple[str, str]:
    """Return the paths, relative to the report's folder, of a section's marked-up picture and strip.

    The sheet's row number leads, so that no two sections share a name, on systems blind to case either; of
    the section's name only letters, digits, dots, dashes and underscores of ASCII remain, at most 60.
    """
    plain = re.sub(r"[^A-Za-z0-9_.-]+", "-", row.section)[:60].strip("-.")
    stem = f"{FOLDER}/row{row.number:03d}" + (f"-{plain}" if plain else "")
    return f"{stem}-marked.png", f"{stem}-strip.png"


def write_section_figures(micrograph: Micrograph, record: SectionRecord, out: Path) -> tuple[str, ...]:
    """Draw and write the figures of one section below ``out``; return their paths relative to it.

    Marked-up picture, then strip; the picture alone where nothing was located. For use in worker processes: a
    figure is written under another name and then renamed, so that none is ever half-written.
    """
    marked, strip = figure_names(record.row)
    (out / FOLDER).mkdir(parents=True, exist_ok=True)
    _write(out / marked, png_bytes(draw_marked(micrograph.pixels, record.view, record)))
    if record.view is None:
        return (marked,)
    _write(out / strip, draw_strip(record.view))
    return marked, strip


def _write(path: Path, data: bytes) -> None:
    half = path.with_name(f".{path.name}.part")
    half.write_bytes(data)
    os.replace(half, path)
