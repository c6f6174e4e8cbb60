"""Criteria: the clauses of one contract, read from a TOML file and checked before any section is judged."""

from __future__ import annotations

import hashlib
import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from xsect.capture.lot_sheet import SheetRow
from xsect.judge.guard import Guard
from xsect.quantities import QUANTITIES

DecisionRule = Literal["guarded", "simple"]
Severity = Literal["major", "minor"]
LimitKind = Literal["um", "um2", "fraction", "times", "times_sqrt_mm"]

REFERENCES: Final[dict[str, tuple[str, ...]]] = {
    "projection_diameter": ("projection_diameter_um",),
    "projection_height": ("projection_height_um",),
    "upper_thickness": ("upper_thickness_um",),
    "lower_thickness": ("lower_thickness_um",),
    "thinner_part": ("upper_thickness_um", "lower_thickness_um"),
    "plating": ("plating_um",),
}
"""What a limit may be a multiple ``of``: the lot sheet's columns, of which the smallest value counts."""


class CriteriaError(ValueError):
    """A criteria file that cannot be used; one line a problem."""


class InputMissing(ValueError):
    """The lot sheet gives no value for a column that a limit is a multiple of."""


@dataclass(frozen=True)
class Limit:
    """One limit. ``kind`` says how ``number`` is meant.

    ``um``, ``um2``, ``fraction``: the limit itself. ``times``: a multiple of the length ``of``.
    ``times_sqrt_mm``: a multiple of the square root of the length ``of``, both in mm (the 4·√t rule for the
    weld size in sheet of thickness t: common practice for steel).
    """

    kind: LimitKind
    number: float
    of: str = ""

    def value(self, row: SheetRow) -> float:
        """Return the limit for one row, in µm, µm² or as a fraction.

        Raises InputMissing where the row does not give the length that the limit is a multiple of.
        """
        if not self.of:
            return self.number
        reference = min(_length(row, column, self.text(row=None)) for column in REFERENCES[self.of])
        if self.kind == "times":
            return self.number * reference
        return self.number * math.sqrt(reference / 1000) * 1000

    def text(self, row: SheetRow | None) -> str:
        """Return the limit as people write it; with a ``row``, its value and where that comes from."""
        if self.kind == "fraction":
            return f"{_plain(self.number * 100)} %"
        if not self.of:
            return f"{_plain(self.number)} {'µm²' if self.kind == 'um2' else 'µm'}"
        factor, name = _plain(self.number), self.of.replace("_", " ")
        rule = f"{factor} × {name}" if self.kind == "times" else f"{factor} × √({name} in mm) mm"
        return rule if row is None else f"{_plain(self.value(row))} µm ({rule})"


def _length(row: SheetRow, column: str, rule: str) -> float:
    value: float | None = getattr(row, column)
    if value is None or not (math.isfinite(value) and value > 0):
        raise InputMissing(f"the lot sheet gives no {column}, which the limit {rule} needs")
    return value


def _plain(number: float) -> str:
    """Write a limit without trailing zeros, to three decimals (a nanometre) from 1 up."""
    return f"{number:.3f}".rstrip("0").rstrip(".") if abs(number) >= 1 else f"{number:.3g}"


@dataclass(frozen=True)
class Clause:
    """One acceptance rule: a quantity, a window or a list of words, a severity.

    A quantity with a unit has ``at_least``, ``at_most`` or both; a word has ``must_be``, the words allowed.
    ``per_segment``: each bond segment must satisfy the clause, else the whole section's value must.
    """

    id: str
    quantity: str
    at_least: Limit | None = None
    at_most: Limit | None = None
    must_be: tuple[str, ...] = ()
    severity: Severity = "major"
    per_segment: bool = False
    note: str = ""

    def limit_text(self, row: SheetRow | None) -> str:
        """Return what the clause asks for: with a ``row`` the limits' values, without it the rule alone."""
        if self.must_be:
            return f"must be {' or '.join(self.must_be)}"
        sides = (("at least", self.at_least), ("at most", self.at_most))
        return " and ".join(f"{side} {limit.text(row)}" for side, limit in sides if limit is not None)


@dataclass(frozen=True)
class Criteria:
    """One criteria file. ``sha256`` is its bytes' hash; ``guard`` matters to the guarded rule only."""

    name: str
    weld_type: str
    source: str
    decision_rule: DecisionRule
    clauses: tuple[Clause, ...]
    sha256: str
    path: Path
    guard: Guard = "interval"

    def clause(self, id_: str) -> Clause:
        """Return the clause of that id; KeyError where there is none."""
        return {clause.id: clause for clause in self.clauses}[id_]


def load_criteria(path: str | Path) -> Criteria:
    """Read and check a criteria file; raise CriteriaError with one line for each problem found.

    Keys: ``name``, ``weld_type`` (solid_state or fusion), ``source`` (where the values come from),
    ``decision_rule`` (guarded, the default, or simple), ``guard`` (interval, the default, or one_sided_95)
    and one ``[[clause]]`` a rule; see ``Clause`` and ``Limit`` for theirs. Messages count clauses from 1.
    """
    path = Path(path)
    try:
        content = path.read_bytes()
    except OSError as error:
        raise CriteriaError(f"{path}: cannot be read: {error.strerror}") from None
    return parse_criteria(content, path)


def parse_criteria(content: bytes, path: Path) -> Criteria:
    """Check the bytes of a criteria file; ``path`` is its name in messages. See ``load_criteria``."""
    from xsect.judge.schema import parse

    try:
        document = tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise CriteriaError(f"{path}: byte {error.start + 1} is not UTF-8; save the file as UTF-8") from None
    except RecursionError:
        raise CriteriaError(f"{path}: nested too deeply to be a criteria file") from None
    except tomllib.TOMLDecodeError as error:
        raise CriteriaError(f"{path.name}: not valid TOML: {error}") from None
    parsed = parse(document, path.name)
    return Criteria(
        name=parsed.name,
        weld_type=parsed.weld_type,
        source=parsed.source,
        decision_rule=parsed.decision_rule,
        guard=parsed.guard,
        clauses=tuple(clause.frozen() for clause in parsed.clause),
        sha256=hashlib.sha256(content).hexdigest(),
        path=path,
    )


def unit_kinds(quantity: str) -> tuple[LimitKind, ...]:
    """Return the kinds of limit that fit the unit of a quantity; none fits a word."""
    kinds: dict[str, tuple[LimitKind, ...]] = {
        "um": ("um", "times", "times_sqrt_mm"),
        "um2": ("um2",),
        "fraction": ("fraction",),
    }
    return kinds.get(QUANTITIES[quantity].unit, ())
