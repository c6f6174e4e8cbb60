"""Advice: the registry of what findings in a weld commonly mean and what to change, for code, reports and docs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from xsect.judge.criteria import Limit
from xsect.quantities import QUANTITIES

Side = Literal["above", "below", "beside", "is", "unequal"]

COMMON: Final = "common practice"
MEMORY: Final = "common practice, from memory"

DEFERENCE: Final = (
    "Advice from common practice, each drawn from the numbers beside it. Local codes, the drawing and qualified "
    "persons decide; change one thing at a time, and prove it by new sections."
)


@dataclass(frozen=True)
class Condition:
    """What the whole 95 % interval of one quantity must do for advice to be given.

    ``above``, ``below``: lie wholly beyond a threshold; ``beside``: beyond it on either side of zero. The
    threshold is the limit of a clause on that side, where there is one and ``by_clause``, else ``limit`` or
    ``share`` of the measured quantity ``of``, from ``source``; with none of these only a clause can trigger it.
    ``is``: the quantity is one of ``words``. ``unequal``: the smallest segment's lies wholly below ``share`` of
    the largest one's.
    """

    quantity: str
    side: Side
    limit: Limit | None = None
    share: float = 0.0
    of: str = ""
    words: tuple[str, ...] = ()
    source: str = COMMON
    by_clause: bool = True

    @property
    def text(self) -> str:
        """The condition in words: "collapse below 25 % (common practice), or a clause's limit"."""
        name = QUANTITIES[self.quantity].label.lower()
        if self.side == "is":
            return f"{name} is {' or '.join(self.words)}"
        if self.side == "unequal":
            return f"{name} of the smallest segment below {100 * self.share:g} % of the largest one's ({self.source})"
        side = "above, to either side," if self.side == "beside" else self.side
        if self.limit is not None:
            limit = self.limit.text(None)
        elif self.share:
            limit = f"{100 * self.share:g} % of the {QUANTITIES[self.of].label.lower()}"
        else:
            return f"{name} {side} a clause's limit"
        return f"{name} {side} {limit} ({self.source})" + (", or a clause's limit" if self.by_clause else "")


@dataclass(frozen=True)
class Entry:
    """One entry: what the conditions mean together (``sentence``) and ``what_to_change``.

    All conditions must hold, or ``any_of`` them. ``weld_type``: only for such welds, "" for all. ``of_centre``: only
    of cuts that the lot sheet does not put beside the weld's centre, where any width is a chord.
    """

    code: str
    title: str
    conditions: tuple[Condition, ...]
    sentence: str
    what_to_change: str
    weld_type: str = ""
    any_of: bool = False
    of_centre: bool = False

    @property
    def condition(self) -> str:
        """When the advice is given, in words."""
        joined = ("; or " if self.any_of else "; and ").join(one.text for one in self.conditions)
        if self.of_centre:
            joined += "; not of cuts that the lot sheet puts beside the weld's centre"
        return joined + (f"; {self.weld_type.replace('_', '-')} welds only" if self.weld_type else "")


def _registry(*entries: Entry) -> dict[str, Entry]:
    return {entry.code: entry for entry in entries}


def _share(number: float) -> Limit:
    return Limit("fraction", number)


_PLATING_LEFT = Condition("plating_coverage", "above", _share(0.10))
_COLLAPSED = Condition("collapse", "above", _share(0.50), by_clause=False)
_HARDLY_COLLAPSED = Condition("collapse", "below", _share(0.50), by_clause=False)

ADVICE: Final[dict[str, Entry]] = _registry(
    # Plating and collapse
    Entry(
        "plating_left_low_collapse", "Plating left, little collapse", (_PLATING_LEFT, _HARDLY_COLLAPSED),
        "Plating is left in the bond and the projection has collapsed little: it was not heated and pressed "
        "enough to squeeze the plating out.",
        "Raise current or weld time in small steps; check that the electrode follows up freely as the "
        "projection gives way, and that force and projection height are as designed.",
    ),
    Entry(
        "plating_left_full_collapse", "Plating left in spite of collapse", (_PLATING_LEFT, _COLLAPSED),
        "Plating is left in the bond although the projection has collapsed: it closed in before the plating "
        "could run out, or there was too much of it.",
        "Check the plating's thickness and the cleanness of both faces; prefer a rounder tip to a flat one, and "
        "a shorter, hotter pulse under the same force.",
    ),
    Entry(
        "plating_trapped", "Melted plating trapped",
        (Condition("plating_in_bond_max", "above", Limit("times", 2.0, "plating")),),
        "At one place the bond holds more plating than the two coatings that met there: melted plating was "
        "trapped.",
        "See that the contact opens from its middle outwards: a domed tip, electrode faces parallel to the "
        "parts, no worn hollow in the electrode.",
    ),
    Entry(
        "imc_thick", "Intermetallic layer thick",
        (Condition("imc_mean", "above"), Condition("imc_max", "above")),
        "The intermetallic layer is thicker than the criteria allow; thick layers are brittle.",
        "Shorten the time at heat: shorter weld time, quicker cooling through the electrodes; check how long "
        "the parts were stored or heated before.",
        any_of=True,
    ),
    # Bond kind and size
    Entry(
        "fusion_begins", "Fusion has begun", (Condition("bond_kind", "is", words=("mixed", "fusion")),),
        "Metal has melted at the faying line of what should be a solid-state bond.",
        "Lower the current or shorten the weld time; raise the force if bond width allows, for it spreads the "
        "current and carries heat away.",
        weld_type="solid_state",
    ),
    Entry(
        "no_nugget", "No nugget", (Condition("bond_kind", "is", words=("solid_state", "reflow", "none")),),
        "Nothing has melted at the faying line of what should be a fusion weld.",
        "Raise current or weld time; look for shunting through neighbouring welds, worn electrode faces and too "
        "much force.",
        weld_type="fusion",
    ),
    Entry(
        "held_by_plating", "Held by plating alone", (Condition("bond_kind", "is", words=("reflow",)),),
        "The parts are held together by re-melted plating alone; base metal meets base metal nowhere.",
        "Treat as not welded. Raise the heat at the faying line and see that the projection collapses under "
        "force while the plating is liquid.",
        weld_type="solid_state",
    ),
    Entry(
        "not_joined", "Not joined", (Condition("bond_kind", "is", words=("none",)),),
        "The parts face each other without touching.",
        "Check that current flowed through this projection: electrode contact, force, projection height, and "
        "neighbours that take the current.",
        weld_type="solid_state",
    ),
    Entry(
        "bond_narrow", "Bond narrow",
        (Condition("bond_width", "below", Limit("times", 0.8, "projection_diameter")),
         Condition("bond_kind", "is", words=("solid_state", "mixed", "fusion"))),
        "The bond is narrower than it should be.",
        "With little collapse, raise current, time or force in small steps; with full collapse, look at the "
        "projection's own diameter and at the electrode's follow-up. Make sure that the cut went through the centre.",
        weld_type="solid_state", of_centre=True,
    ),
    Entry(
        "nugget_small", "Nugget small",
        (Condition("nugget_width", "below", Limit("times_sqrt_mm", 4.0, "thinner_part"),
                   source="4·√t rule, common practice for steel"),),
        "The nugget is smaller than it should be for this sheet.",
        "Raise current or weld time in small steps; dress worn electrode faces, check force and shunting. Make "
        "sure that the cut went through the centre.",
        weld_type="fusion", of_centre=True,
    ),
    Entry(
        "weld_small", "Weld diameter small", (Condition("weld_diameter", "below"),),
        "The weld's diameter, corrected for the cut's place, is smaller than the criteria ask for.",
        "It is the weld and not the cut that is small: raise current, time or force in small steps.",
    ),
    # Form
    Entry(
        "collapse_low", "Little collapse", (Condition("collapse", "below", _share(0.25)),),
        "The projection has collapsed little.",
        "Raise current, weld time or force in small steps; check that the head follows up without friction, and "
        "that the projection is no harder or higher than designed.",
    ),
    Entry(
        "collapse_high", "Collapse complete", (Condition("collapse", "above", _share(0.95)),),
        "The projection is pressed flat: nothing of it is left to carry force or current.",
        "Lower the force before and after the current, or shorten the current; check the projection's height.",
    ),
    Entry(
        "bond_off_axis", "Bond off its axis",
        (Condition("bond_offset", "beside", Limit("times", 0.1, "projection_diameter")),),
        "The bond lies beside the projection's axis: its two notches are at unequal distances from it.",
        "Align the electrodes with the projection, check that their faces are parallel and not worn to one "
        "side, and that the part seats without tilt.",
    ),
    Entry(
        "contacts_unequal", "Contacts unequal", (Condition("bond_width", "unequal", share=0.8),),
        "The contacts of this section are of unequal width: they did not share force and current alike.",
        "Level the electrode faces against the parts, and compare the projections' heights with each other.",
    ),
    Entry(
        "sheet_separation", "Sheets apart",
        (Condition("standoff", "above", Limit("times", 0.15, "thinner_part"), source=MEMORY),),
        "The sheets stand far apart beside the weld.",
        "Look at the fit-up of the parts before welding, at burrs, and at the force; too much heat or indentation "
        "bends sheets apart as well.",
        weld_type="fusion",
    ),
    Entry(
        "indentation_deep", "Deep indentation",
        (Condition("indentation_upper", "above", Limit("times", 0.3, "upper_thickness")),
         Condition("indentation_lower", "above", Limit("times", 0.3, "lower_thickness"))),
        "The electrodes have sunk deep into the surface. Limits in use differ widely, from none on show faces to 30 %.",
        "Lower force, current or time; use larger or flatter electrode faces and cool them better.",
        any_of=True,
    ),
    # Nugget and flaws
    Entry(
        "penetration_deep", "Penetration too deep",
        (Condition("penetration_upper", "above", _share(0.8), source=MEMORY),
         Condition("penetration_lower", "above", _share(0.8), source=MEMORY)),
        "The nugget reaches too far into the sheet: its surface may crack, and the electrode may stick.",
        "Lower the current or the time; cool the electrode on that side better, or give it a larger face.",
        "fusion", any_of=True,
    ),
    Entry(
        "penetration_shallow", "Penetration too shallow",
        (Condition("penetration_upper", "below", _share(0.2), source=MEMORY),
         Condition("penetration_lower", "below", _share(0.2), source=MEMORY)),
        "The nugget hardly reaches into the sheet.",
        "Raise current or time; for unequal sheets or metals shift the heat towards that side: a smaller or less "
        "conductive electrode face there, the projection in the thicker or better conducting part.",
        "fusion", any_of=True,
    ),
    Entry(
        "opening_large", "Large opening",
        (Condition("largest_opening", "above", share=0.15, of="bond_width"),),
        "The bond is interrupted by a long opening.",
        "Look for dirt, oxide or trapped plating between the parts and for metal thrown out; see that force "
        "is held until the metal has cooled.",
    ),
    Entry(
        "void_share", "Many voids", (Condition("void_fraction", "above", _share(0.10)),),
        "Voids take up a large share of the zone.",
        "Raise the force or hold it longer after the current; lower the current where metal was thrown out; "
        "clean the faces of oil, plating and oxide.",
    ),
    Entry(
        "void_large", "Large void",
        (Condition("largest_void", "above", share=0.10, of="nugget_width"),),
        "One void is large against the nugget.",
        "Hold the force longer after the current and check that it does not drop as the nugget shrinks; lower "
        "the current where metal was thrown out.",
    ),
    Entry(
        "cracks", "Cracks", (Condition("crack_length", "above", Limit("um", 0.0)),),
        "The section shows cracks.",
        "Look where they lie before anything is changed: in a nugget, hold force longer and cool more slowly; "
        "from a notch, look at stress and fit-up; none may be due to the preparation.",
    ),
)  # fmt: skip
