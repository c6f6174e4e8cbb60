"""Rows: one quantity of many sections as a plain table, from run folders and tables; all that the statistics need.

Whatever can give ``Row`` objects can be trended and judged: ``collect`` puts them in order and checks them.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from xsect.quantities import QUANTITIES, Status, Unit

By = Literal["lot", "supplier", "line"]
VERDICT_WORDS: Final = ("reject", "undecided", "not_measured", "accept", "")
"""Verdicts by gravity; "" is not judged."""
DATE: Final = re.compile(r"\d{4}-\d{2}-\d{2}")
WELD: Final = "weld "
"""Begins the name of a weld cut in series where a section's name would stand."""
CHORDS: Final = ("bond_width", "bonded_length", "nugget_width")
"""Quantities that a cut beside the weld's centre shows smaller than they are."""


class RowsError(ValueError):
    """Rows that cannot be used; the message is one line that names the source and the rule."""


class Row(NamedTuple):
    """One quantity of one section (or of one bond segment), as measured and judged.

    ``value``, ``u`` and ``u_common`` are in the quantity's unit, NaN where there is none. ``u`` is the standard
    uncertainty, ``u_common`` the part of it that all sections of one calibration share (the scale): it does not scatter
    from section to section. ``made_on`` is an ISO date or "". ``source`` names the file for messages. ``by_hand``
    says who set the value, when, why, and what was measured; "" where nobody did.
    """

    section: str
    value: float
    lot: str = ""
    u: float = math.nan
    u_common: float = 0.0
    status: Status = "measured"
    verdict: str = ""
    supplier: str = ""
    line: str = ""
    made_on: str = ""
    source: str = ""
    by_hand: str = ""

    @property
    def usable(self) -> bool:
        """Whether there is a number to reckon with."""
        return self.status != "not_measured" and math.isfinite(self.value)

    @property
    def u_scatter(self) -> float:
        """The part of u that differs from section to section; NaN where u is not known."""
        return math.sqrt(max(self.u**2 - self.u_common**2, 0.0)) if math.isfinite(self.u) else math.nan


@dataclass(frozen=True)
class Rows:
    """Rows of one quantity in their order of time; ``notes`` say how that order was found and what is missing."""

    quantity: str
    segment: int | None
    rows: tuple[Row, ...]
    notes: tuple[str, ...] = ()

    @property
    def unit(self) -> Unit:
        """Unit of all values."""
        return QUANTITIES[self.quantity].unit

    @property
    def usable(self) -> tuple[Row, ...]:
        """The rows that hold a number."""
        return tuple(row for row in self.rows if row.usable)

    @property
    def natural(self) -> tuple[float, float]:
        """Bounds that the quantity cannot pass: 0, and 1 for fractions; bond_offset has none, collapse only 1."""
        low = -math.inf if self.quantity in ("bond_offset", "collapse") else 0.0
        return low, 1.0 if self.unit == "fraction" else math.inf


@dataclass(frozen=True)
class Subgroup:
    """Rows that belong together (a lot), in order; ``rows`` may hold sections without a number."""

    label: str
    rows: tuple[Row, ...]

    def values(self, *, vouched_only: bool = False) -> NDArray[np.float64]:
        """Return the numbers, (n,); of sections that need no look alone, where asked for."""
        return np.array([row.value for row in self.used(vouched_only=vouched_only)])

    def used(self, *, vouched_only: bool = False) -> tuple[Row, ...]:
        """Return the rows behind the numbers."""
        return tuple(
            row for row in self.rows if row.usable and not (vouched_only and row.status == "needs_review")
        )

    @property
    def made_on(self) -> str:
        """First date of its rows, "" where one has none."""
        dates = [row.made_on for row in self.rows]
        return min(dates) if all(dates) else ""


def check_quantity(quantity: str) -> None:
    """Refuse a quantity that is unknown or a word."""
    if quantity not in QUANTITIES:
        import difflib

        near = difflib.get_close_matches(quantity, QUANTITIES, n=1)
        raise RowsError(
            f"quantity = {quantity}: not a quantity of xsect{f'; did you mean {near[0]}?' if near else ''}"
        )
    if QUANTITIES[quantity].unit == "word":
        raise RowsError(f"quantity = {quantity}: is a word, not a number")


def collect(
    quantity: str, rows: Iterable[Row], *, segment: int | None = None, notes: Iterable[str] = ()
) -> Rows:
    """Check rows and put them in order of time: by ``made_on`` where all have it, else as they come.

    Raises RowsError for a quantity that is unknown or a word, rows that are none, a lot that holds a section twice,
    and uncertainties below 0.
    """
    check_quantity(quantity)
    kept = list(rows)
    if not kept:
        raise RowsError(f"{quantity}: no section has it")
    keys = Counter((row.supplier, row.lot, row.section, "" if row.lot else row.source) for row in kept)
    for (_, lot, section, _), count in keys.items():
        if count > 1:
            where = f"lot {lot}, section {section}" if lot else f"section {section}"
            raise RowsError(
                f"{kept[0].source}: {where}: stands {count} times for {quantity}; leave one source out"
            )
    for row in kept:
        if row.u < 0 or row.u_common < 0:
            raise RowsError(f"{row.source}: section {row.section}, u = {row.u:g}: must be ≥ 0")
    said = list(notes)
    dated = sum(bool(row.made_on) for row in kept)
    if dated == len(kept):
        kept.sort(key=lambda row: row.made_on)
    else:
        known = f"{dated} of {len(kept)} sections have" if dated else "no section has"
        said.append(f"{known} made_on: the order is that of the sources and their rows")
    return Rows(quantity, segment, tuple(kept), tuple(said))


def welds_for_sections(rows: Sequence[Row], welds: Iterable[tuple[Row, Collection[str]]]) -> Iterator[Row]:
    """Yield rows with each weld cut in series, given with the names of its sections, in the place of its sections.

    One weld has one diameter. A weld without a number gives way to sections that have one of their own.
    """
    usable = {(row.supplier, row.lot, row.section) for row in rows if row.usable}
    stands_for: dict[tuple[str, str, str], Row] = {}
    for weld, cuts in welds:
        keys = [(weld.supplier, weld.lot, section) for section in cuts]
        if weld.usable or not usable.intersection(keys):
            stands_for.update(dict.fromkeys(keys, weld))
    told: set[int] = set()
    for row in rows:
        weld = stands_for.get((row.supplier, row.lot, row.section), row)
        if weld is row or id(weld) not in told:
            yield weld
            told.add(id(weld))


def without_chords(
    quantity: str, rows: Sequence[Row], in_series: Collection[tuple[str, str, str]]
) -> tuple[list[Row], list[str]]:
    """Return (rows without cuts in series where the quantity is a width, what to say of it).

    Such cuts lie beside their weld's centre on purpose and show chords; ``in_series`` names them by supplier, lot and
    section. Where there are no others they stay.
    """
    kept = [row for row in rows if (row.supplier, row.lot, row.section) not in in_series]
    cuts = len(rows) - len(kept)
    if quantity not in CHORDS or not cuts:
        return list(rows), []
    said = "widths beside a weld's centre are chords, their welds stand under weld_diameter"
    if not kept:
        return list(rows), [f"all {cuts} sections are cuts in series: {said}"]
    return kept, [f"{cuts} cuts in series are left out: {said}"]


def since(rows: Rows, start: str) -> Rows:
    """Return the rows from a lot (its first section) or a date on; all of them for "".

    Raises RowsError where there is no such lot, no row was made then or later, or rows have no date.
    """
    if not start:
        return rows
    if DATE.fullmatch(start):
        if not all(row.made_on for row in rows.rows):
            raise RowsError(f"since = {start}: not every section has a date (made_on); name a lot")
        first = next((place for place, row in enumerate(rows.rows) if row.made_on >= start), None)
    else:
        first = next((place for place, row in enumerate(rows.rows) if row.lot == start), None)
    if first is None:
        rule = (
            f"the last section was made on {rows.rows[-1].made_on}"
            if DATE.fullmatch(start)
            else "no such lot"
        )
        raise RowsError(f"since = {start}: {rule}")
    note = f"only sections from {start} on: {len(rows.rows) - first} of {len(rows.rows)}"
    return replace(rows, rows=rows.rows[first:], notes=(*rows.notes, note))


def subgroups(rows: Rows) -> tuple[Subgroup, ...]:
    """Return the lots in order of their first section; sections without a lot stand alone, under their own name.

    Lots of one name from several suppliers are lots of their own.
    """
    found: dict[tuple[str, str, int], list[Row]] = {}
    for number, row in enumerate(rows.rows):
        key = (row.lot, row.supplier, -1) if row.lot else ("", "", number)
        found.setdefault(key, []).append(row)
    several = Counter(lot for lot, _, _ in found if lot)
    return tuple(
        Subgroup(
            held[0].section
            if not lot
            else f"{lot} ({supplier or 'no supplier'})"
            if several[lot] > 1
            else lot,
            tuple(held),
        )
        for (lot, supplier, _), held in found.items()
    )


def parted(rows: Rows, by: By) -> tuple[tuple[str, Rows], ...]:
    """Return (label, rows) for each supplier or line by name, or everything under "" for lots."""
    if by == "lot":
        return (("", rows),)
    labels = sorted({getattr(row, by) for row in rows.rows})
    if labels == [""]:
        raise RowsError(f"{rows.quantity}: no row has a {by}: the rows cannot be parted by it")
    return tuple(
        (
            label or f"(no {by})",
            Rows(
                rows.quantity,
                rows.segment,
                tuple(r for r in rows.rows if getattr(r, by) == label),
                rows.notes,
            ),
        )
        for label in labels
    )
