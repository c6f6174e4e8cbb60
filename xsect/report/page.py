"""Page: what the report says of one section, as text ready to be set."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fact:
    """One line of a list of facts."""

    label: str
    value: str


@dataclass(frozen=True)
class FindingLine:
    """One finding: what happened and what to do."""

    title: str
    effect: str
    sentence: str
    what_to_do: str


@dataclass(frozen=True)
class MeasurementLine:
    """One row of the table of measurements; ``group`` is the heading that it stands under."""

    group: str
    label: str
    value: str
    expanded: str
    interval: str
    unit: str
    note: str


@dataclass(frozen=True)
class ContactLine:
    """One quantity of each bond segment, side by side."""

    label: str
    values: tuple[str, ...]


@dataclass(frozen=True)
class VerdictLine:
    """One row of the table of verdicts; ``verdict`` is its key, ``verdict_label`` its word."""

    clause: str
    label: str
    limit: str
    rule: str
    measured: str
    verdict: str
    verdict_label: str
    severity: str
    ground: str


@dataclass(frozen=True)
class AdviceLine:
    """One piece of advice: what it means, the numbers that it rests on, what to change."""

    title: str
    caution: str
    means: str
    grounds: str
    what_to_change: str


@dataclass(frozen=True)
class ProjectionLine:
    """One dimension of the projection against one published window."""

    dimension: str
    value: str
    standing: str
    window: str
    rule: str
    source: str


@dataclass(frozen=True)
class ProjectionBlock:
    """The projection check that some sections share, and what must be said beside it."""

    sections: str
    lines: tuple[ProjectionLine, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class WeldLine:
    """One weld cut in series, for the overview."""

    weld: str
    sections: str
    diameter: str
    centre: str
    misfit: str
    note: str


@dataclass(frozen=True)
class FlawLine:
    """One flaw of the list, with its number on the marked-up picture."""

    number: str
    term: str
    where: str
    length: str
    area: str


@dataclass(frozen=True)
class BudgetLine:
    """One quantity's uncertainty budget: its named parts as standard uncertainties, combined and expanded."""

    label: str
    parts: tuple[Fact, ...]
    combined: str
    expanded: str


@dataclass(frozen=True)
class Picture:
    """A picture below the report's folder, its size in px and its description in words."""

    path: str
    width: int
    height: int
    alt: str


@dataclass(frozen=True)
class SectionPage:
    """One section. ``not_measured`` pairs the names of quantities with the reason that they share; ``contacts`` is
    empty unless there are several bond segments to compare, whose notes are ``contact_notes``."""

    anchor: str
    name: str
    lot: str
    verdict: str
    verdict_label: str
    status: str
    status_label: str
    bond_width: str
    in_brief: str
    facts: tuple[Fact, ...]
    scale: tuple[Fact, ...]
    findings: tuple[FindingLine, ...]
    marked: Picture | None
    strip: Picture | None
    layers: Picture | None
    flaws: tuple[FlawLine, ...]
    more_flaws: str
    measurements: tuple[MeasurementLine, ...]
    contacts: tuple[ContactLine, ...]
    contact_notes: tuple[str, ...]
    not_measured: tuple[Fact, ...]
    verdicts: tuple[VerdictLine, ...]
    budget: tuple[BudgetLine, ...]
    advice: tuple[AdviceLine, ...]
