"""HTML report: one page with the figures beside it, no request to anywhere else."""

from __future__ import annotations

from collections.abc import Sequence

from xsect.report.model import Report
from xsect.report.pictures import PagePictures, data_uri
from xsect.report.setting import set_html


def html_bytes(report: Report, pictures: Sequence[PagePictures]) -> bytes:
    """Return report.html, to stand beside the folder of figures; small pictures are inside the page."""
    from markupsafe import Markup

    return set_html(
        "report.html.j2",
        report=report.as_json(),
        plot=Markup(report.plot),
        thumbs=[data_uri(picture.thumb) if picture.thumb else "" for picture in pictures],
    )
