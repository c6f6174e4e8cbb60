"""Setting: any report's HTML and PDF from its template and model; its files written all together or not at all."""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from xsect.report.style import FONTS
from xsect.report.typeface import covered

TEMPLATES: Final = Path(__file__).parent / "templates"


def set_html(template: str, **content: Any) -> bytes:
    """Return a template of the package filled in, with the reports' style; all text is escaped, Markup is not."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    pages = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    style = Markup((TEMPLATES / "report.css").read_text(encoding="utf-8"))
    return pages.get_template(template).render(style=style, **content).encode()


def set_pdf(template: str, model: Any, files: Mapping[str, bytes] | None = None) -> bytes:
    """Return a template set with ``model`` and with ``files`` beside it, undated: the same report gives the same bytes.

    Names in a script that the package's typeface lacks are set with the machine's typefaces; only then can the
    bytes differ between machines.
    """
    import typst

    text = json.dumps(model, ensure_ascii=False)
    with tempfile.TemporaryDirectory(prefix="xsect-") as folder:
        root = Path(folder)
        shutil.copyfile(TEMPLATES / template, root / template)
        for name, data in (files or {}).items():
            (root / name).write_bytes(data)
        compiled: Any = typst.compile(
            str(root / template),
            root=folder,
            font_paths=[str(FONTS)],
            ignore_system_fonts=covered(re.sub(r"<svg.*?</svg>", "", text)),
            format="pdf",
            sys_inputs={"model": text},
        )
    return bytes(compiled)


def write_whole(files: Mapping[str, bytes], out: Path) -> tuple[Path, ...]:
    """Write files into a folder (made where it is missing); return their paths.

    Every file is first written whole under another name: where one cannot be written, none is replaced. Raises
    OSError.
    """
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".xsect-", dir=out) as half:
        for name, data in files.items():
            (Path(half) / name).write_bytes(data)
        for name in files:
            os.replace(Path(half) / name, out / name)
    return tuple(out / name for name in files)


def not_written(out: Path, error: OSError) -> OSError:
    """Return the error of a report that cannot be written: one line that names the folder."""
    return OSError(f"{out}: the report cannot be written: {error.strerror or error}")
