"""Schema of a criteria file: what keys and values it may hold, and one line for each that it may not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from difflib import get_close_matches
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from xsect.judge.criteria import (
    REFERENCES,
    Clause,
    CriteriaError,
    DecisionRule,
    Limit,
    LimitKind,
    Severity,
    unit_kinds,
)
from xsect.judge.guard import Guard
from xsect.quantities import BOND_KINDS, QUANTITIES

_SIGNED = ("bond_offset", "collapse")
_STRICT = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, hide_input_in_errors=True)
_KINDS: tuple[LimitKind, ...] = ("um", "um2", "fraction", "times", "times_sqrt_mm")


class LimitSchema(BaseModel):
    """One limit: exactly one kind, and ``of`` where the kind is a multiple."""

    model_config = _STRICT
    um: float | None = None
    um2: float | None = None
    fraction: float | None = None
    times: float | None = None
    times_sqrt_mm: float | None = None
    of: str | None = None

    @model_validator(mode="after")
    def _check(self) -> LimitSchema:
        given = [kind for kind in _KINDS if getattr(self, kind) is not None]
        if len(given) != 1:
            raise ValueError(f" = {_show(self)}: must hold exactly one of {', '.join(_KINDS)}")
        multiple = given[0].startswith("times")
        if multiple and self.of is None:
            raise ValueError(f" = {_show(self)}: {given[0]} needs of = one of {', '.join(REFERENCES)}")
        if not multiple and self.of is not None:
            raise ValueError(f" = {_show(self)}: of goes with times or times_sqrt_mm only")
        if self.of is not None and self.of not in REFERENCES:
            hint = suggestion(self.of, REFERENCES) or f", must be one of {', '.join(REFERENCES)}"
            raise ValueError(f".of = {self.of!r}: unknown reference{hint}")
        if multiple and getattr(self, given[0]) <= 0:
            raise ValueError(f" = {_show(self)}: must be > 0")
        return self

    def frozen(self) -> Limit:
        """Return the limit as the judge uses it."""
        kind = next(kind for kind in _KINDS if getattr(self, kind) is not None)
        return Limit(kind, getattr(self, kind), self.of or "")


class ClauseSchema(BaseModel):
    """One clause."""

    model_config = _STRICT
    id: str = Field(min_length=1)
    quantity: str
    at_least: LimitSchema | None = None
    at_most: LimitSchema | None = None
    must_be: list[str] | None = None
    severity: Severity = "major"
    per_segment: bool = False
    note: str = ""

    @model_validator(mode="after")
    def _check(self) -> ClauseSchema:
        if problems := list(self._problems()):
            raise ValueError("\n".join(problems))
        return self

    def _problems(self) -> Iterator[str]:
        entry = QUANTITIES.get(self.quantity)
        if entry is None:
            hint = suggestion(self.quantity, QUANTITIES)
            yield f".quantity = {self.quantity!r}: unknown quantity{hint}"
            return
        if self.per_segment and not entry.per_segment:
            yield f".per_segment = true: {self.quantity} is measured for the whole section only"
        sides = {"at_least": self.at_least, "at_most": self.at_most}
        given = {side: limit for side, limit in sides.items() if limit is not None}
        if entry.unit == "word":
            yield from (f".{side}: {self.quantity} is a word, give must_be = [ … ]" for side in given)
            yield from self._word_problems()
            return
        if self.must_be is not None:
            yield f".must_be: {self.quantity} is a number, give at_least or at_most"
        elif not given:
            yield ": must hold at_least or at_most"
        problems = [line for side, limit in given.items() for line in self._limit_problems(side, limit)]
        yield from problems
        if len(given) == 2 and not problems:
            yield from self._window_problems(given["at_least"].frozen(), given["at_most"].frozen())

    def _word_problems(self) -> Iterator[str]:
        if not self.must_be:
            yield f": must hold must_be, a list of words out of {', '.join(BOND_KINDS)}"
        for word in self.must_be or ():
            if word not in BOND_KINDS:
                hint = suggestion(word, BOND_KINDS) or f", must be one of {', '.join(BOND_KINDS)}"
                yield f".must_be = {word!r}: unknown word{hint}"

    def _limit_problems(self, side: str, schema: LimitSchema) -> Iterator[str]:
        limit, kinds, unit = schema.frozen(), unit_kinds(self.quantity), QUANTITIES[self.quantity].unit
        where = f".{side} = {_show(schema)}"
        if limit.kind not in kinds:
            yield f"{where}: does not fit the unit of {self.quantity}, must be given as {' or '.join(kinds)}"
        elif unit == "fraction" and not -1 <= limit.number <= 1:
            hint = f", did you mean {limit.number / 100:g}?" if 1 < limit.number <= 100 else ""
            yield f"{where}: a fraction must be 0 to 1{hint}"
        elif self.quantity in _SIGNED:
            return
        elif side == "at_least" and limit.number <= 0:
            yield f"{where}: must be > 0, else it is always met"
        elif limit.number < 0:
            yield f"{where}: must be >= 0"

    def _window_problems(self, low: Limit, high: Limit) -> Iterator[str]:
        same = (low.kind, low.of) == (high.kind, high.of)
        if same and low.number > high.number:
            yield f": at_least {low.text(None)} is above at_most {high.text(None)}"

    def frozen(self) -> Clause:
        """Return the clause as the judge uses it."""
        return Clause(
            id=self.id,
            quantity=self.quantity,
            at_least=self.at_least.frozen() if self.at_least else None,
            at_most=self.at_most.frozen() if self.at_most else None,
            must_be=tuple(self.must_be or ()),
            severity=self.severity,
            per_segment=self.per_segment,
            note=self.note,
        )


class FileSchema(BaseModel):
    """A whole criteria file."""

    model_config = _STRICT
    name: str = Field(min_length=1)
    weld_type: Literal["solid_state", "fusion"]
    source: str = Field(min_length=1)
    decision_rule: DecisionRule = "guarded"
    guard: Guard = "interval"
    clause: list[ClauseSchema] = Field(min_length=1)

    @model_validator(mode="after")
    def _check(self) -> FileSchema:
        problems, seen = [], dict[str, int]()
        for number, clause in enumerate(self.clause, start=1):
            if clause.id in seen:
                problems.append(
                    f"clause[{number}].id = {clause.id!r}: already used by clause[{seen[clause.id]}]"
                )
            seen.setdefault(clause.id, number)
        if all(clause.severity == "minor" for clause in self.clause):
            problems.append("clause: at least one must be of severity major, else nothing decides")
        if problems:
            raise ValueError("\n".join(problems))
        return self


def parse(document: dict[str, Any], file: str) -> FileSchema:
    """Return the checked document; raise CriteriaError with one line for each problem."""
    try:
        return FileSchema.model_validate(document)
    except ValidationError as error:
        lines = [line for problem in error.errors(include_url=False) for line in _lines(problem, document)]
    raise CriteriaError("\n".join(f"{file}: {line}" for line in lines))


def suggestion(word: object, known: Iterable[str]) -> str:
    """Return ", did you mean …?" for the closest known word, or "" where none is close."""
    close = get_close_matches(str(word).lower(), list(known), n=1, cutoff=0.6)
    return f", did you mean {close[0]}?" if close else ""


_MUST_BE = {
    "string_type": "must be text in quotes",
    "string_too_short": "must not be empty",
    "bool_type": "must be true or false",
    "float_type": "must be a number",
    "finite_number": "must be a finite number",
    "model_type": "must be a table with its unit, such as { um = 800 }",
    "list_type": "must be a list in square brackets",
}


def _lines(problem: Any, document: dict[str, Any]) -> Iterator[str]:
    """Turn one of the validator's problems into our lines: place, rule and value."""
    location, kind = problem["loc"], problem["type"]
    place = _place(location, document)
    if kind == "value_error":
        for line in str(problem["ctx"]["error"]).split("\n"):
            yield place + line
    elif kind == "extra_forbidden":
        fields = {1: FileSchema.model_fields, 3: ClauseSchema.model_fields}
        known = fields.get(len(location), LimitSchema.model_fields)
        hint = suggestion(location[-1], known) or f", must be one of {', '.join(known)}"
        yield f"{place}: unknown key{hint}"
    elif kind == "missing":
        yield f"{place}: missing, must be given"
    elif location[0] == "clause" and len(location) <= 2:
        yield "clause: must be one or more tables, each under its own [[clause]]"
    else:
        rule = _MUST_BE.get(kind)
        if rule is None:  # a word out of a closed list
            expected = problem["ctx"]["expected"]
            words = expected.replace("'", "").split(" or ")
            rule = f"must be {expected}{suggestion(problem['input'], words)}"
        yield f"{place} = {_short(problem['input'])}: {rule}"


def _place(location: tuple[int | str, ...], document: dict[str, Any]) -> str:
    """Write a location as people read it: clause[2] (width).at_least, clauses counted from 1."""
    if len(location) < 2:
        return ".".join(map(str, location))
    index = int(location[1])
    clause = document["clause"][index]
    name = clause.get("id") if isinstance(clause, dict) else None
    head = f"clause[{index + 1}]" + (f" ({name})" if isinstance(name, str) and name else "")
    tail = [f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in location[2:]]
    return head + "".join(tail)


def _short(value: object) -> str:
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= 40 else text[:39] + "…"


def _show(limit: LimitSchema) -> str:
    """Write a limit as it stands in the file."""
    given = limit.model_dump(exclude_none=True)
    inner = ", ".join(
        f'{key} = "{value}"' if key == "of" else f"{key} = {value:g}" for key, value in given.items()
    )
    return f"{{ {inner} }}" if inner else "{ }"
