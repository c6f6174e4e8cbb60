"""Statistics page: reports on many sections (trend, capability, gauge) as blocks, set as HTML and as PDF."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

from xsect import __version__
from xsect.report.page import Fact
from xsect.report.setting import not_written, set_html, set_pdf, write_whole

CAUTION: Final = (
    "Whether a lot is released is decided by the governing code, the contract and qualified persons. Statistics tell "
    "what the sections show, and sections are few: a signal asks for a cause, and its absence proves nothing."
)


@dataclass(frozen=True)
class Block:
    """One part of a page under a heading: sentences, facts, a plot (an SVG element) and a table, each may be empty.

    ``numeric`` are the columns of ``rows`` that are set to the right; ``caption`` stands below the plot.
    """

    heading: str = ""
    sentences: tuple[str, ...] = ()
    facts: tuple[Fact, ...] = ()
    plot: str = ""
    alt: str = ""
    caption: str = ""
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    numeric: tuple[int, ...] = ()


@dataclass(frozen=True)
class StatisticsPage:
    """A report: its kind, what it is of, facts on top, then blocks."""

    kind: str
    title: str
    facts: tuple[Fact, ...]
    blocks: tuple[Block, ...]
    cautions: tuple[str, ...] = (CAUTION,)
    tool: str = field(default=f"xsect {__version__}")

    def as_json(self) -> dict[str, Any]:
        """Return the page as plain dictionaries, lists and text, numbers tied to their units by no-break spaces."""
        made: dict[str, Any] = _tied(asdict(self))
        return made


def _tied(content: Any) -> Any:
    if isinstance(content, str):
        return (
            content
            if content.startswith("<svg")
            else re.sub(r"(?<=\d) (?=[µm%])", "\N{NO-BREAK SPACE}", content)
        )
    if isinstance(content, dict):
        return {key: _tied(part) for key, part in content.items()}
    if isinstance(content, list | tuple):
        return [_tied(part) for part in content]
    return content


def statistics_html(page: StatisticsPage) -> bytes:
    """Return the page as HTML that stands alone; all text is escaped, the plots are taken as they are."""
    from markupsafe import Markup

    plots = [Markup(block.plot) for block in page.blocks]
    return set_html("statistics.html.j2", page=page.as_json(), plots=plots)


def statistics_pdf(page: StatisticsPage) -> bytes:
    """Return the page as PDF, undated: the same page gives the same bytes."""
    return set_pdf("statistics.typ", page.as_json())


def write_statistics(page: StatisticsPage, out: Path, files: Sequence[tuple[str, bytes]]) -> tuple[Path, ...]:
    """Write report.html, report.pdf and other files into a folder; raise OSError, one line, where that fails.

    Every file is written whole under another name first: where one cannot be written, none is replaced.
    """
    try:
        pages = {"report.html": statistics_html(page), "report.pdf": statistics_pdf(page)}
        return write_whole({**dict(files), **pages}, out)
    except OSError as error:
        raise not_written(out, error) from error
