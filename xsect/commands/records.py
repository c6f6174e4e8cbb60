"""``xsect records``, ``correct``, ``export`` and ``import``: what a record store holds, and what people do with it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from xsect.commands.basics import PATH, CouldNotRun, terminal

if TYPE_CHECKING:
    from rich.table import Table
    from rich.text import Text

    from xsect.lots.database import Store
    from xsect.lots.store import Name

_SUPPLIER: Final = click.option(
    "--supplier", metavar="NAME", help="The supplier, where several have a lot of that name."
)


@contextmanager
def _opened(where: str, *, create: bool = False) -> Iterator[Store]:
    from xsect.lots.database import StoreError, open_store

    try:
        with open_store(where, create=create) as store:
            yield store
    except StoreError as error:
        raise CouldNotRun(str(error)) from error


@click.command(short_help="Show what a record store holds.")
@click.argument("store", metavar="STORE")
@click.option("--lot", metavar="NAME", help="List the sections of this lot.")
@click.option("--section", metavar="NAME", help="Show this section of --lot with its history.")
@_SUPPLIER
@click.option("--check", is_flag=True, help="Check that all results are as they were kept.")
def records(store: str, lot: str | None, section: str | None, supplier: str | None, check: bool) -> None:
    """Show what the record store STORE (a file or URL) holds: its lots, the sections of a lot, or one section."""
    from xsect.lots import overview

    if section is not None and lot is None:
        raise click.UsageError("--section needs --lot")
    with _opened(store) as opened:
        if check:
            faults = overview.check(opened)
            if faults:
                raise CouldNotRun("\n".join(faults))
            click.echo(f"{opened.name}: all results are as they were kept")
        elif lot is None:
            terminal().print(_lots(opened))
        elif section is None:
            terminal().print(_sections(opened, lot, supplier))
            _welds(opened, lot, supplier)
        else:
            _show(opened, overview.named(opened, lot, section, supplier))


def _text(text: str) -> Text:
    """Return other people's text as it is: no markup, nothing that steers a terminal."""
    from rich.text import Text

    from xsect.report.wording import printable

    return Text(printable(text))


def _table(*headings: str) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="dim")
    for heading in headings:
        table.add_column(heading)
    return table


def _lots(store: Store) -> Table:
    from xsect.lots.corrections import corrected_sections, corrections_holding
    from xsect.lots.overview import lots_in

    by_hand = Counter(
        (name.supplier, name.lot) for name in corrected_sections(store) if corrections_holding(store, name)
    )
    words = ("accept", "reject", "undecided", "not_measured", "")
    shown = ("accept", "reject", "undecided", "not measured", "not judged")
    table = _table("Supplier", "Lot", "Sections", *shown, "need a look", "set by hand", "Last measured")
    for line in lots_in(store):
        counts = [str(line.verdicts.get(word, "")) for word in words]
        table.add_row(
            _text(line.supplier),
            _text(line.lot),
            str(line.sections),
            *counts,
            str(line.looks or ""),
            str(by_hand[line.supplier, line.lot] or ""),
            line.last,
        )
    return table


def _sections(store: Store, lot: str, supplier: str | None) -> Table:
    from xsect.lots.corrections import corrected_sections, told
    from xsect.lots.overview import sections_in

    lines = sections_in(store, lot, supplier)
    if not lines:
        raise CouldNotRun(f"{store.name}: lot {lot}: no such lot in the store")
    by_hand = {name: told(store, name) for name in corrected_sections(store) if name.lot == lot}
    table = _table(
        "Supplier",
        "Section",
        "Version",
        "Measured",
        "Status",
        "Verdict of the clauses",
        *(("Set by hand",) if by_hand else ()),
    )
    for line in lines:
        name = line.name
        table.add_row(
            _text(name.supplier), _text(name.section), str(line.version), line.at[:10],
            line.status.replace("_", " "), line.verdict.replace("_", " "),
            *((_text("; ".join(by_hand.get(name, ()))),) if by_hand else ()),
        )  # fmt: skip
    return table


def _welds(store: Store, lot: str, supplier: str | None) -> None:
    """Print the welds of a lot that are cut in series, where there are any."""
    from xsect.lots.welds import welds_holding
    from xsect.quantities import show
    from xsect.report.standing import STATUS_LABELS

    with store.reading() as connection:
        found = [weld for weld in welds_holding(connection) if weld.name.lot == lot]
    table = _table("Supplier", "Weld", "Version", "Made", "Status", "Weld diameter", "From")
    for weld in found:
        if supplier not in (None, weld.name.supplier):
            continue
        row = weld.row
        value = row["note"] if row["value"] is None else show(row["value"], "um", digits_from=row["u"])
        since = "; a section has changed since" if weld.outdated else ""
        table.add_row(
            _text(weld.name.supplier), _text(row["weld"]), str(row["version"]), row["at"][:10],
            STATUS_LABELS[weld.status] + since, _text(value), _text(", ".join(name.section for name in weld.cuts)),
        )  # fmt: skip
    if table.row_count:
        terminal().print(table)


def _show(store: Store, name: Name) -> None:
    """Print one section as it stands, its versions and all that happened to it."""
    from xsect.lots.corrections import as_it_stands
    from xsect.lots.events import events_of
    from xsect.lots.store import history
    from xsect.report.standing import STATUS_LABELS, section_verdict
    from xsect.report.wording import label, shown

    console = terminal()
    record, versions = as_it_stands(store, name), history(store, name)
    console.print(_text(f"{name}: version {versions[0].version}, picture {record.row.image_as_written}"))
    verdict = section_verdict(record).replace("_", " ") or "not judged"
    console.print(f"Status: {STATUS_LABELS[record.status]}; verdict: {verdict}")
    for finding in record.findings:
        console.print(_text(f"  {finding.sentence}"))
    values = _table("Quantity", "Value", "Note")
    for found in record.measurements:
        if found:
            values.add_row(label(found.quantity, found.segment), shown(found).sentence, _text(found.note))
    console.print(values)
    events = _table("When", "Who", "What", "Why")
    for event in events_of(store, [version.id for version in versions]):
        set_to = " ".join(
            str(event.detail[key]) for key in ("quantity", "word", "value") if key in event.detail
        )
        events.add_row(event.at, _text(event.who), _text(f"{event.what} {set_to}".strip()), _text(event.why))
    console.print(events)


@click.command(short_help="Set a value or the verdict of a section in a record store by hand.")
@click.argument("store", metavar="STORE")
@click.option("--lot", required=True, metavar="NAME", help="Lot of the section.")
@click.option("--section", required=True, metavar="NAME", help="The section.")
@_SUPPLIER
@click.option("--quantity", metavar="NAME", help="The quantity to set.")
@click.option(
    "--segment", type=click.IntRange(1), metavar="N", help="Bond segment.  [default: whole section]"
)
@click.option("--value", metavar="VALUE", help="Its value in µm, µm² or as a fraction; a word for bond_kind.")
@click.option("--u", type=float, metavar="U", help="Standard uncertainty of the value, in the same unit.")
@click.option("--decision", metavar="WORD", help="Verdict of the section: accept, reject or undecided.")
@click.option("--withdraw", is_flag=True, help="Take back what was set for --quantity, or the decision.")
@click.option("--who", required=True, metavar="NAME", help="Who corrects.")
@click.option("--why", required=True, metavar="TEXT", help="The reason.")
def correct(
    store: str, lot: str, section: str, supplier: str | None, quantity: str | None, segment: int | None,
    value: str | None, u: float | None, decision: str | None, withdraw: bool, who: str, why: str,
) -> None:  # fmt: skip
    """Set a value or the verdict of one section of the record store STORE by hand, with name and reason.

    What was measured stays; reports and exports show both from now on.
    """
    from xsect.lots import corrections
    from xsect.lots.overview import named

    given = (value is not None, decision is not None, withdraw)
    if sum(given) != 1 or (value is not None and quantity is None) or (decision is not None and quantity):
        raise click.UsageError("give --quantity with --value, or --decision, or --withdraw")
    with _opened(store) as opened:
        name = named(opened, lot, section, supplier)
        if value is not None:
            corrections.set_value(
                opened, name, quantity or "", value, who=who, why=why, u=u, segment=segment
            )  # fmt: skip
        elif decision is not None:
            corrections.decide(opened, name, decision, who=who, why=why)
        else:
            corrections.withdraw(opened, name, quantity or "", who=who, why=why, segment=segment)
        _show(opened, name)


@click.command("export", short_help="Write a whole record store as CSV, Parquet or XLSX.")
@click.argument("store", metavar="STORE")
@click.argument("to", type=PATH, metavar="TO")
@click.option(
    "--format",
    "form",
    type=click.Choice(["csv", "parquet", "xlsx"]),
    help="Form of the tables.  [default: xlsx where TO ends so, else csv]",
)
def export(store: str, to: Path, form: str | None) -> None:
    """Write the whole record store STORE to TO: a workbook, or a folder with a file for each table.

    The table as_it_stands holds every section that holds now, corrections applied.
    """
    from xsect.lots.exchange import export_store

    with _opened(store) as opened:
        counts = export_store(opened, to, form or ("xlsx" if to.suffix.lower() == ".xlsx" else "csv"))  # type: ignore[arg-type]
    click.echo(f"Written: {to} ({_counted(counts)})")


@click.command("import", short_help="Add an export to a record store.")
@click.argument("source", type=PATH, metavar="FROM")
@click.argument("store", metavar="STORE")
@click.option("--who", metavar="NAME", help="Who imports.  [default: name of the login]")
@click.option("--why", metavar="TEXT", default="", help="The reason.")
def import_(source: Path, store: str, who: str | None, why: str) -> None:
    """Add the export FROM to the record store STORE, new or not, all of it or nothing.

    What STORE holds already is skipped and counted; where it holds something else of the same name, nothing is
    imported.
    """
    from xsect.lots.events import login
    from xsect.lots.exchange import import_store

    with _opened(store, create=True) as opened:
        counts = import_store(opened, source, who=who or login(), why=why)
        added, there = ({name: both[i] for name, both in counts.items() if both[i]} for i in (0, 1))
        click.echo(f"Added to {opened.name}: {_counted(added) or 'nothing'}")
        if there:
            click.echo(f"There already: {_counted(there)}")


def _counted(counts: dict[str, int]) -> str:
    return ", ".join(f"{name} {number}" for name, number in counts.items())
