"""What a measurement is: a named quantity, its value, its standard uncertainty and its evidence.

Everything that names a quantity (files, screens, reports, `xsect explain`, criteria) reads this registry,
so a definition is written once.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

Unit = Literal["um", "um2", "fraction", "word"]
Status = Literal["measured", "needs_review", "not_measured"]

BOND_KINDS = ("solid_state", "fusion", "mixed", "reflow", "none")
"""Words that the quantity bond_kind may hold."""

COVERAGE_FACTOR = 1.959963984540054
"""Two-sided 95 % coverage of the normal distribution (JCGM 100:2008, annex G)."""

MANY_DOF = 1e4
"""Degrees of freedom from which Student's t is the normal distribution to four digits."""


@dataclass(frozen=True)
class Quantity:
    """One entry of the registry: what a name in a file or on a screen means."""

    name: str
    label: str
    unit: Unit
    per_segment: bool
    definition: str
    method: str
    source: str


def _registry(*entries: Quantity) -> dict[str, Quantity]:
    return {entry.name: entry for entry in entries}


_COMMON = "common practice"

QUANTITIES: dict[str, Quantity] = _registry(
    Quantity(
        "bond_width", "Bond width", "um", True,
        "Distance along the faying line between the outermost notches of a bond segment. The whole section's "
        "value is the sum over its segments.",
        "Each notch is where a hinge (closed, then opening) fitted to the photometric opening along the "
        "faying line starts to rise.",
        "Weld size read at the faying surface: common practice, after the idea of ISO 17677-1 (weld diameter "
        "at the interface).",
    ),
    Quantity(
        "bonded_length", "Bonded length", "um", True,
        "Joined and fused length within the bond width: open and plating stations are left out.",
        "Sum of the lengths of joined and fused stations of a segment.", _COMMON,
    ),
    Quantity(
        "continuity", "Continuity", "fraction", True,
        "Bonded length divided by bond width.", "Ratio of the two measured lengths.", _COMMON,
    ),
    Quantity(
        "largest_opening", "Largest opening", "um", True,
        "Longest run of open stations (gap or void) inside a bond segment.",
        "Longest unbroken run of stations in the state open.", _COMMON,
    ),
    Quantity(
        "bond_offset", "Bond offset", "um", True,
        "Bond centre minus projection axis, along the faying line; positive to the right.",
        "The axis is the middle of the projection's two flanks, read from the opening profile where both "
        "sides reach the same share of the standoff.",
        _COMMON,
    ),
    Quantity(
        "standoff", "Standoff", "um", False,
        "Distance left between the facing surfaces (plating included in the part) outside the projection, "
        "also called sheet separation.",
        "Photometric thickness of the gap on its level stretch, mean of the two sides.", _COMMON,
    ),
    Quantity(
        "collapse", "Collapse", "fraction", False,
        "(Original projection height − standoff) / original projection height.",
        "From the standoff and the lot sheet's projection height.",
        "Set-down of a projection: common practice.",
    ),
    Quantity(
        "plating_in_bond_mean", "Residual plating, mean", "um", True,
        "Mean thickness of plating left at the faying line over the bond width.",
        "Photometric thickness of the plating at each station, averaged over the segment. What may be no plating (a "
        "slim dark line in grey, the bond's very ends) counts half, give or take the other half.",
        "Readings along the section: idea of ISO 1463 and ASTM B487.",
    ),
    Quantity(
        "plating_in_bond_max", "Residual plating, max", "um", True,
        "Largest thickness of plating left at the faying line inside a bond segment.",
        "Largest photometric thickness over the segment's stations, after smoothing over a blur width; half-way "
        "between the largest that is plating for certain and the largest that may be.",
        _COMMON,
    ),
    Quantity(
        "plating_coverage", "Plating coverage", "fraction", True,
        "Share of the bond width with residual plating.",
        "Length of stations in the state plating divided by bond width.", _COMMON,
    ),
    Quantity(
        "plating_free_thickness", "Free plating thickness", "um", False,
        "Mean thickness of the plating on the facing surfaces outside the bond.",
        "Photometric thickness across each facing surface beyond the expelled plating.",
        "ISO 1463 and ASTM B487 (thickness on cross-sections, several readings).",
    ),
    Quantity(
        "expelled_plating_area", "Expelled plating", "um2", True,
        "Sectional area of plating squeezed out and gathered at the notches.",
        "Photometric thickness of the plating integrated over the filled stations.", _COMMON,
    ),
    Quantity(
        "imc_mean", "Intermetallic, mean", "um", True,
        "Mean thickness of one intermetallic layer, between plating and base metal, on the facing surfaces beside the "
        "open gap; where two compounds lie on each other, of both together. Of a segment: of the surfaces nearer to it "
        "than to any other.",
        "Steps under one blur (gap, plating, intermetallic layer, base metal) fitted across each facing surface in "
        "windows of stations; the levels are learned from all windows together. A layer that shows no step of its own "
        "gets an upper bound.",
        "ISO 1463 and ASTM B487 (thickness on cross-sections, several readings).",
    ),
    Quantity(
        "imc_max", "Intermetallic, max", "um", True,
        "Largest thickness of one intermetallic layer on the facing surfaces beside the open gap.",
        "Largest of the readings of the mean (their 98 % quantile), each over 24 px of the surface: finer scallops "
        "count as uncertainty.",
        _COMMON,
    ),
    Quantity(
        "nugget_width", "Nugget width", "um", True,
        "Width of the re-solidified zone at the faying line.",
        "Closed outline of the nugget cut by the faying line.", "ISO 17677-1 vocabulary; common practice.",
    ),
    Quantity(
        "nugget_height", "Nugget height", "um", True,
        "Extent of the re-solidified zone across the faying line.", "Closed outline of the nugget.", _COMMON,
    ),
    Quantity(
        "penetration_upper", "Penetration, upper", "fraction", True,
        "Depth of the nugget into the upper part divided by that part's thickness.",
        "Closed outline of the nugget against the faying line.", "AWS D17.2 practice; common practice.",
    ),
    Quantity(
        "penetration_lower", "Penetration, lower", "fraction", True,
        "Depth of the nugget into the lower part divided by that part's thickness.",
        "Closed outline of the nugget against the faying line.", "AWS D17.2 practice; common practice.",
    ),
    Quantity(
        "indentation_upper", "Indentation, upper", "um", False,
        "Depth of the electrode mark in the upper part's outer surface.",
        "Outer contour against the line through its surroundings.", _COMMON,
    ),
    Quantity(
        "indentation_lower", "Indentation, lower", "um", False,
        "Depth of the electrode mark in the lower part's outer surface.",
        "Outer contour against the line through its surroundings.", _COMMON,
    ),
    Quantity(
        "void_fraction", "Void fraction", "fraction", True,
        "Void area divided by the nugget's area, or by the bond zone's where there is no nugget.",
        "Dark areas inside the zone.", _COMMON,
    ),
    Quantity(
        "largest_void", "Largest void", "um", True,
        "Longest Feret diameter of the largest void.", "Dark areas inside the zone.", _COMMON,
    ),
    Quantity(
        "crack_length", "Crack length", "um", False,
        "Total length of cracks along their centre lines.", "Thin dark ridges.", _COMMON,
    ),
    Quantity(
        "upper_thickness", "Upper thickness", "um", False,
        "Thickness of the upper part as imaged, outside the projection: a check on scale and cut.",
        "Distance from outer contour to facing surface along the normal, median over its level stretch.",
        _COMMON,
    ),
    Quantity(
        "lower_thickness", "Lower thickness", "um", False,
        "Thickness of the lower part as imaged: a check on scale and cut.",
        "Distance from outer contour to facing surface along the normal, median over its level stretch.",
        _COMMON,
    ),
    Quantity(
        "weld_diameter", "Weld diameter", "um", False,
        "Diameter of a round weld, along the section: the width that a cut through its centre would show. A cut "
        "beside the centre shows a chord, never more than the diameter.",
        "D = √(c² + 4e²), from the width c in the cut plane (nugget width of fusion welds, else bond width) and "
        "the cut's distance e from the centre (plane_offset_um); without it, not measured. For serial sections "
        "of one weld, a circle fitted to all their widths.",
        "Chord of a circle; weld diameter at the interface after the idea of ISO 17677-1. Weld out of round by 5 % "
        "(standard uncertainty): common practice.",
    ),
    Quantity(
        "bond_kind", "Bond kind", "word", True,
        "solid_state, fusion, mixed (fusion has begun inside a solid-state bond), reflow (held only by "
        "re-melted plating) or none.",
        "From the station states and the nugget.", _COMMON,
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Component:
    """One named part of an uncertainty budget: a standard uncertainty in the quantity's own unit.

    ``dof``: its degrees of freedom, the independent readings that ``u`` was learned from less what was fitted to them;
    infinite where it does not come from readings.
    """

    name: str
    u: float
    dof: float = math.inf


@dataclass(frozen=True)
class Measurement:
    """One quantity of one section (``segment`` None) or of one bond segment (1, 2, …).

    ``value``, ``u``, ``low`` and ``high`` are in the quantity's unit; NaN where not measured. ``word`` holds
    the value of a quantity whose unit is "word". A measurement that was not made is false-valued and has a
    ``note`` that says why; no clause can read it as a pass.
    """

    quantity: str
    value: float
    u: float
    low: float
    high: float
    status: Status = "measured"
    segment: int | None = None
    word: str = ""
    note: str = ""
    method: str = ""
    budget: tuple[Component, ...] = field(default=())

    def __post_init__(self) -> None:
        """Refuse names that the registry does not hold."""
        if self.quantity not in QUANTITIES:
            raise ValueError(f"quantity = {self.quantity!r}: not in the registry of quantities")

    def __bool__(self) -> bool:
        """Whether the measurement was made."""
        return self.status != "not_measured"

    @property
    def unit(self) -> Unit:
        """Unit of value, u, low and high."""
        return QUANTITIES[self.quantity].unit


def measured(
    quantity: str,
    value: float,
    budget: tuple[Component, ...],
    *,
    segment: int | None = None,
    note: str = "",
    method: str = "",
) -> Measurement:
    """Combine a budget into a measurement with its 95 % interval (first order, JCGM 100:2008, 5.1.2 and G.6.4).

    Lengths, areas and fractions that cannot be negative have their interval cut at 0 (and fractions other
    than collapse at 1); an interval wholly below 0 is left empty (low above high), and no clause accepts it.
    bond_offset keeps its sign, and collapse may fall below 0 when a projection was pushed apart.
    """
    u = combined(budget)
    expanded = coverage_factor(effective_dof(budget)) * u
    low, high = possible(quantity, value - expanded, value + expanded)
    return Measurement(
        quantity, value, u, low, high, "measured", segment, note=note, method=method, budget=budget
    )


def possible(quantity: str, low: float, high: float) -> tuple[float, float]:
    """Return an interval cut at 0, and that of a fraction at 1, where the quantity cannot go beyond."""
    if quantity in ("bond_offset", "collapse"):
        return low, high
    return max(low, 0.0), min(high, 1.0) if QUANTITIES[quantity].unit == "fraction" else high


def combined(budget: Iterable[Component]) -> float:
    """Return the combined standard uncertainty of independent parts (JCGM 100:2008, 5.1.2)."""
    return math.hypot(*(part.u for part in budget))


def effective_dof(budget: Iterable[Component]) -> float:
    """Return the degrees of freedom of a combined uncertainty (Welch-Satterthwaite; JCGM 100:2008, G.4.1)."""
    parts = tuple(budget)
    u = combined(parts)
    # of shares, not of fourth powers: these would underflow for small units
    spent = sum((part.u / u) ** 4 / part.dof for part in parts) if u > 0 else 0.0
    return 1 / spent if spent > 0 else math.inf


def coverage_factor(dof: float, level: float = 0.95) -> float:
    """Return the two-sided factor on a standard uncertainty with ``dof`` degrees of freedom.

    Student's t for the next lower whole number of them, at least 1 (JCGM 100:2008, G.4.1, note 1, and G.6.4).
    """
    if level == 0.95 and dof > MANY_DOF:
        return COVERAGE_FACTOR
    from scipy.special import ndtri, stdtrit

    share = (1 + level) / 2
    return float(ndtri(share) if dof > MANY_DOF else stdtrit(max(math.floor(dof), 1), share))


def not_measured(quantity: str, note: str, *, segment: int | None = None) -> Measurement:
    """Return a measurement that says why it was not made."""
    nan = math.nan
    return Measurement(quantity, nan, nan, nan, nan, "not_measured", segment, note=note)


def word(quantity: str, value: str, *, segment: int | None = None, note: str = "") -> Measurement:
    """Return a measurement whose value is a word, such as bond_kind."""
    nan = math.nan
    return Measurement(quantity, nan, nan, nan, nan, "measured", segment, word=value, note=note)


def show(value: float, unit: Unit, *, digits_from: float | None = None) -> str:
    """Write a number as people read it: µm below 100 µm, mm from there up, fractions as %.

    ``digits_from`` (a standard uncertainty) sets the last digit printed: two significant digits of it.
    """
    if not math.isfinite(value):
        return "–"
    factor, name = shown_unit(value, unit)
    places = decimals(value * factor, None if digits_from is None else digits_from * factor)
    return f"{value * factor:.{places}f} {name}".rstrip()


def shown_unit(value: float, unit: Unit) -> tuple[float, str]:
    """Return (factor, name) of the unit in which ``value`` is shown."""
    if unit == "um":
        return (1e-3, "mm") if abs(value) >= 100 else (1.0, "µm")
    if unit == "um2":
        return (1e-6, "mm²") if abs(value) >= 1e5 else (1.0, "µm²")
    if unit == "fraction":
        return 100.0, "%"
    return 1.0, ""


def decimals(value: float, u: float | None) -> int:
    """Return how many decimals to print so that ``u`` keeps two significant digits (else ``value`` four)."""
    reference, digits = (u, 2) if u is not None and math.isfinite(u) and u > 0 else (abs(value), 4)
    if not reference:
        return 1
    return int(min(max(digits - 1 - math.floor(math.log10(reference)), 0), 6))
