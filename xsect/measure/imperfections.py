"""Imperfections: the flaws of one section as a list in the trade's terms, for reports."""

from __future__ import annotations

import math

from xsect.locate.flaws import Cavity, Crack, Flaws, Island, shifted
from xsect.locate.section import Located
from xsect.locate.view import Imperfection
from xsect.locate.voids import Void
from xsect.measure.flaws import HIDDEN

SOURCE = "ISO 6520-2, numbers from memory"

ROUND = 1.6
"""Feret against the diameter of a round void of the same area up to which a void is a pore."""


def list_imperfections(flaws: Flaws | None, located: Located, um_per_px: float) -> tuple[Imperfection, ...]:
    """Return every flaw found, voids first, then islands, cracks and cavities, the largest of each first."""
    if flaws is None:
        return ()
    seen = shifted(flaws, located)
    return (
        *(_void(one, seen, um_per_px) for one in seen.voids),
        *(_island(one, located, um_per_px) for one in sorted(seen.islands, key=lambda one: -one.length)),
        *(_crack(one, seen, um_per_px) for one in seen.cracks),
        *(_cavity(one, um_per_px) for one in seen.cavities),
    )


def _points(line: object) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in line)  # type: ignore[attr-defined]


def _void(void: Void, flaws: Flaws, um: float) -> Imperfection:
    pore = void.feret <= ROUND * math.sqrt(4 * void.area / math.pi)
    inside = void.zone is not None
    where = (
        "outside the joint" if void.zone is None else "nugget" if flaws.in_nugget[void.zone] else "bond zone"
    )
    term, number = ("pore", "P 2011") if pore else ("cavity", "P 200")
    segment = None if void.zone is None else void.zone + 1
    return Imperfection(
        "void", term, number, float(void.centre[0]), float(void.centre[1]), segment,
        void.feret * um, void.u_feret * um, math.nan, void.area * um**2, inside, where, (_points(void.outline),),
    )  # fmt: skip


def _island(island: Island, located: Located, um: float) -> Imperfection:
    line = located.strip.points[island.first : island.last + 1]
    line = line[:, ::-1] if located.parts.turned else line
    x, y = line[len(line) // 2]
    return Imperfection(
        "island", "unbonded stretch", "P 403", float(x), float(y), island.segment + 1, island.length * um, 3 * um,
        island.area / island.length * um, island.area * um**2, True, "faying line", (_points(line),),
    )  # fmt: skip


def _crack(crack: Crack, flaws: Flaws, um: float) -> Imperfection:
    part = "upper part" if crack.upper else "lower part"
    where = (
        f"{part}, at a notch"
        if crack.at_notch
        else f"{part}, from the faying line"
        if crack.at_line
        else part
    )
    edge = crack.at_notch and any(flaws.in_nugget)
    trunk = crack.ridge.paths[0]
    x, y = trunk[len(trunk) // 2]
    hidden = HIDDEN * crack.length if flaws.textured else 0.0
    return Imperfection(
        "crack", "crack at the edge of the nugget" if edge else "crack", "P 1200" if edge else "P 100",
        float(x), float(y), None, crack.length * um, math.hypot(crack.ridge.u_length, hidden) * um,
        crack.ridge.width * um, math.nan, False, where, tuple(_points(path) for path in crack.ridge.paths),
    )  # fmt: skip


def _cavity(cavity: Cavity, um: float) -> Imperfection:
    x, y = (float(value) for value in cavity.centre)
    return Imperfection(
        "cavity", "cavity open to the gap, as expulsion leaves", "P 612", x, y,
        cavity.segment + 1, cavity.height * um, 2 * um, math.nan, cavity.area * um**2, False, "at a notch",
    )  # fmt: skip
