"""PDF report: set by typst from the report model, with the package's own typeface."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from xsect.report.html import TEMPLATES
from xsect.report.model import Report
from xsect.report.pictures import PagePictures
from xsect.report.style import FONTS
from xsect.report.typeface import covered


def pdf_bytes(report: Report, pictures: Sequence[PagePictures]) -> bytes:
    """Return report.pdf, undated: the same report gives the same bytes.

    Names in a script that the package's typeface lacks are set with the machine's typefaces; only then can
    the bytes differ between machines.
    """
    import typst

    model = json.dumps(report.as_json(), ensure_ascii=False)
    with tempfile.TemporaryDirectory(prefix="xsect-") as folder:
        root = Path(folder)
        shutil.copyfile(TEMPLATES / "report.typ", root / "report.typ")
        for number, picture in enumerate(pictures):
            for name, data in vars(picture).items():
                if data:
                    (root / f"{name}-{number}.jpg").write_bytes(data)
        compiled: Any = typst.compile(
            str(root / "report.typ"),
            root=folder,
            font_paths=[str(FONTS)],
            ignore_system_fonts=covered(model),
            format="pdf",
            sys_inputs={"model": model},
        )
    return bytes(compiled)
