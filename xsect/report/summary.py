"""Summary of a run for the terminal: one row a section, counts beneath."""

from __future__ import annotations

from collections import Counter

from rich.console import Group
from rich.table import Table
from rich.text import Text

from xsect.record import LotRecord
from xsect.report.section_page import in_brief
from xsect.report.standing import section_verdict
from xsect.report.style import VERDICT_STYLES
from xsect.report.wording import printable, shown


def summary(lot: LotRecord) -> Group:
    """Return the end-of-run table; print it with a rich console. Section names are never read as markup."""
    table = Table(box=None, pad_edge=False, header_style="dim")
    for heading in ("Section", "Verdict", "Bond width", "Main findings"):
        table.add_column(
            heading, justify="right" if heading == "Bond width" else "left", no_wrap=heading == "Verdict"
        )
    for record in lot.sections:
        style = VERDICT_STYLES[section_verdict(record)]
        look = " (look)" if record.status == "needs_review" else ""
        table.add_row(
            Text(printable(record.row.section)),
            Text(style.label + look, style=style.colour),
            Text(shown(record.find("bond_width")).sentence),
            Text(printable(in_brief(record))),
        )
    return Group(table, Text(), Text(counts(lot)))


def counts(lot: LotRecord) -> str:
    """Return the sections by verdict on one line: "12 sections: 9 accept, 3 reject, 1 needs a look"."""
    verdicts = Counter(section_verdict(record) for record in lot.sections)
    parts = [f"{verdicts[key]} {style.label}" for key, style in VERDICT_STYLES.items() if verdicts[key]]
    looks = sum(record.status == "needs_review" for record in lot.sections)
    if looks:
        parts.append(f"{looks} {'needs' if looks == 1 else 'need'} a look")
    number = len(lot.sections)
    return f"{number} section{'' if number == 1 else 's'}: {', '.join(parts) or 'none'}"
