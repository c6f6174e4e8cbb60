"""PDF report: set by typst from the report model, with the package's own typeface."""

from __future__ import annotations

from collections.abc import Sequence

from xsect.report.model import Report
from xsect.report.pictures import PagePictures
from xsect.report.setting import set_pdf


def pdf_bytes(report: Report, pictures: Sequence[PagePictures]) -> bytes:
    """Return report.pdf."""
    files = {
        f"{name}-{number}.jpg": data
        for number, picture in enumerate(pictures)
        for name, data in vars(picture).items()
        if data
    }
    return set_pdf("report.typ", report.as_json(), files)
