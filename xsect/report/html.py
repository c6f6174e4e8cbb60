"""HTML report: one page with the figures beside it, no request to anywhere else."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from xsect.report.model import Report
from xsect.report.pictures import PagePictures, data_uri

TEMPLATES: Final = Path(__file__).parent / "templates"


def html_bytes(report: Report, pictures: Sequence[PagePictures]) -> bytes:
    """Return report.html, to stand beside the folder of figures; small pictures are inside the page."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    pages = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    return (
        pages.get_template("report.html.j2")
        .render(
            report=report.as_json(),
            plot=Markup(report.plot),
            style=Markup((TEMPLATES / "report.css").read_text(encoding="utf-8")),
            thumbs=[data_uri(picture.thumb) if picture.thumb else "" for picture in pictures],
        )
        .encode()
    )
