"""Random designs: the geometry of each kind of scene at each difficulty, over broad ranges."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from xsect.synth.design import Contact, Film, Flank, Nugget, Part, Plating, SectionDesign, Shape
from xsect.synth.profile import outer_opening

REFERENCE_PX = 1600
"""Width of the picture for which a scene's smallest details are chosen; other widths show the same scene."""

SHAPES: tuple[Shape, ...] = ("linear", "root", "quadratic", "cap")


@dataclass(frozen=True)
class Draws:
    """Random draws of one scene: the generator, the difficulty (0 easy, 1 fair, 2 hard), µm per reference px."""

    rng: np.random.Generator
    level: int
    pixel: float

    def log(self, low: float, high: float) -> float:
        """Return a value even in its logarithm."""
        return float(np.exp(self.rng.uniform(np.log(low), np.log(high))))

    def uni(self, low: float, high: float) -> float:
        """Return an even value."""
        return float(self.rng.uniform(low, high))

    def by_level(self, *values: float) -> float:
        """Return the value of this difficulty."""
        return values[self.level]

    def chance(self, *shares: float) -> bool:
        """Return True with this difficulty's share."""
        return bool(self.rng.random() < shares[self.level])


def design_scene(kind: str, level: int, rng: np.random.Generator, width_px: int) -> SectionDesign:
    """Return a random design of ``kind`` at difficulty ``level`` (0 to 2)."""
    plated = (
        kind.startswith("plated") or kind == "bse" or (kind in ("segments", "no_bond") and rng.random() < 0.3)
    )
    bond = float(np.exp(rng.uniform(np.log(300), np.log(1600 if plated else 3000))))
    count = int(rng.integers(2, 5)) if kind == "segments" else 1
    field = bond * float(rng.uniform(1.6, 2.9)) * (1.2 if plated else 1.0)
    d = Draws(rng, level, field / REFERENCE_PX)
    height_px = round(width_px * float(rng.choice([0.625, 0.667, 0.75])))
    standoff = min(max(d.log(20, 400), d.by_level(16, 11, 7) * d.pixel), 0.22 * field)
    plating = _plating(d, kind) if plated else None
    if plating is not None:
        tin = plating.upper + plating.lower
        standoff = max(standoff, 2.5 * tin + 8 * d.pixel)
    contacts = _contacts(d, bond, count, standoff, field)
    right = standoff * (1 + (d.uni(-0.08, 0.08) if level else 0))
    between = standoff * (d.uni(0.5, 1.0) if count > 1 else 1.0)
    if plating is not None:
        plating = replace(plating, fill=min(plating.fill, max(0.6 * between / tin, 1.0)))
    clearance = 0.0
    if kind == "no_bond":
        clearance = _clearance(d) + (0.0 if plating is None else 1.2 * tin)
    design = SectionDesign(
        um_per_px=field / width_px,
        width_px=width_px,
        height_px=height_px,
        origin=(0.0, 0.0),
        contacts=contacts,
        upper=Part(1.0),
        lower=Part(1.0),
        standoff_left=standoff,
        standoff_right=right,
        standoff_between=between,
        clearance=clearance,
        lower_share=float(rng.choice([0.0, d.uni(0, 0.3), d.uni(0.7, 1.0)])),
        tilt_deg=d.uni(-1, 1) * d.by_level(3, 8, 20),
        bow_radius=_bow(d, field),
        waves=_waves(d),
        plating=plating,
    )
    design = _centred(_opened(d, design, field), d)
    design = replace(design, **_parts(d, design, kind, field))
    if kind == "steel_fusion":
        design = replace(design, nugget=_nugget(d, design))
    design = _with_films(d, design, kind)
    reached = (standoff + right) / 2 + clearance
    return replace(design, projection_height=reached / d.uni(0.08, 0.7))


def _plating(d: Draws, kind: str) -> Plating:
    """Tin on both parts, at least about a pixel thick; more where the tin must be told from a grey base."""
    low = max(2.0, d.pixel * d.by_level(2.5, 1.8, 1.2))
    upper = d.log(low, max(15.0, 1.5 * low))
    lower = upper * d.uni(0.7, 1.4) if d.level else upper
    reaction = 0.0
    if kind in ("bse", "plated_residual") and d.rng.random() < 0.6:
        reaction = min(d.uni(0.5, 3.0), 0.4 * min(upper, lower))
    return Plating(
        upper,
        lower,
        outer=upper,
        fill=d.uni(1.0, 3.0),
        reaction=reaction,
        scallop=0.5,
        ripple=d.uni(0, d.by_level(0.05, 0.15, 0.25)),
        ripple_wave=d.uni(80, 400) * d.pixel,
    )


def _clearance(d: Draws) -> float:
    """No bond: plainly open, or only a few blur widths."""
    return d.log(*((10, 40), (6, 15), (4, 7))[d.level]) * d.pixel


def _bow(d: Draws, field: float) -> float:
    sag = d.uni(-1, 1) * d.by_level(0.004, 0.012, 0.03) * field
    return field**2 / (8 * sag) if abs(sag) > 1e-4 * field else math.inf


def _waves(d: Draws) -> tuple[tuple[float, float, float], ...]:
    size = d.by_level(0.0, 0.6, 1.2) * d.pixel
    return tuple(
        (size * d.uni(0.3, 1), d.uni(60, 250) * d.pixel, d.uni(0, 6.28)) for _ in range(2 if size else 0)
    )


def _flank(d: Draws, bond: float, scale: float) -> Flank:
    shape = SHAPES[int(d.rng.integers(4))]
    slope = d.log(0.04 if d.level < 2 else 0.03, 0.5)
    radius = bond * (d.log(0.6, 2.5) if shape == "cap" else d.log(0.2, 2))
    collar = d.uni(0.1, 0.35) if d.chance(0.0, 0.15, 0.3) else 0.0
    return Flank(slope * scale, shape, radius, d.uni(0.15, 0.9), collar, bond * d.uni(0.05, 0.2))


def _contacts(d: Draws, bond: float, count: int, standoff: float, field: float) -> tuple[Contact, ...]:
    """One contact, or several unequal ones in a row that share the bond width."""
    if count == 1:
        flanks = _flank(d, bond, 1), _flank(d, bond, 1)
        if d.level == 0:
            flanks = flanks[0], replace(flanks[0], slope=flanks[0].slope * d.uni(0.8, 1.25))
        return (Contact(-bond / 2, bond / 2, *flanks),)
    shares = d.rng.uniform(0.5, 1.0, count) if d.level else np.ones(count)
    widths = 0.75 * bond * shares / shares.sum()
    gaps = d.rng.uniform(0.5, 1.0, count - 1) if d.level else np.ones(count - 1)
    gaps = gaps / gaps.sum() * max(field * 0.5 - widths.sum() * 0.4, 0.25 * field)
    contacts, at = [], -(widths.sum() + gaps.sum()) / 2
    for i, width in enumerate(widths):
        near = [float(gaps[j]) for j in (i - 1, i) if 0 <= j < count - 1]
        steep = max(0.15, 8 * 12 * d.pixel / min(near))
        left, right = (replace(_flank(d, float(width), 1), collar=0.0) for _ in range(2))
        left = replace(left, slope=max(left.slope, steep if i else 0.05))
        right = replace(right, slope=max(right.slope, steep if i < count - 1 else 0.05))
        contacts.append(Contact(float(at), float(at + width), left, right))
        at += width + (gaps[i] if i < count - 1 else 0)
    return tuple(contacts)


def _opened(d: Draws, design: SectionDesign, field: float) -> SectionDesign:
    """Steepen the outer flanks until the gap is plainly open inside the picture on both sides."""
    contacts = list(design.contacts)
    margin = max((field - (contacts[-1].right - contacts[0].left)) / 2 * 0.7, 0.05 * field)
    plated = design.plating.upper + design.plating.lower if design.plating is not None else 0.0
    fill = plated * max(design.plating.fill, 1.1) if design.plating is not None else 0.0
    for _ in range(12):
        edges = np.array([contacts[0].left - margin, contacts[-1].right + margin])
        current = replace(design, contacts=tuple(contacts))
        found = outer_opening(current, edges)
        wanted = max(fill, plated) + d.by_level(10, 7, 5) * d.pixel
        if (found >= min(wanted, 0.9 * design.standoff_left)).all():
            break
        for i, side in ((0, "left_flank"), (-1, "right_flank")):
            flank = getattr(contacts[i], side)
            if found[i] < wanted:
                contacts[i] = replace(contacts[i], **{side: replace(flank, slope=flank.slope * 1.35)})
    return replace(design, contacts=tuple(contacts))


def _centred(design: SectionDesign, d: Draws) -> SectionDesign:
    """Shift the weld frame to put the projection's axis at u = 0, and the bond near the picture's middle."""
    field = design.um_per_px * design.width_px
    first, last = design.contacts[0].left, design.contacts[-1].right
    u = np.linspace(first - 3 * field, last + 3 * field, 6001)
    high = (
        outer_opening(design, u) >= (design.standoff_left + design.standoff_right) / 4 + design.clearance / 2
    )
    left, right = u[high & (u < first)], u[high & (u > last)]
    axis = (left.max() + right.min()) / 2 if len(left) and len(right) else (first + last) / 2
    contacts = tuple(replace(c, left=c.left - axis, right=c.right - axis) for c in design.contacts)
    middle = (contacts[0].left + contacts[-1].right) / 2 / design.um_per_px
    angle = math.radians(design.tilt_deg)
    spare = max(field - (last - first), 0) / field
    x = design.width_px * (0.5 + spare * d.uni(-1, 1) * d.by_level(0.04, 0.08, 0.14))
    y = design.height_px * (0.5 + d.uni(-1, 1) * d.by_level(0.05, 0.09, 0.13))
    origin = (x - middle * math.cos(angle), y - middle * math.sin(angle))
    return replace(design, origin=origin, contacts=contacts)


def _parts(d: Draws, design: SectionDesign, kind: str, field: float) -> dict[str, Part]:
    """Thicknesses, ends inside the picture, a dimple's hollow or an electrode mark."""
    first, last = design.contacts[0].left, design.contacts[-1].right
    upper_t = float(np.clip(field * d.uni(0.10, 0.35), 200, 1500))
    lower_t = float(np.clip(upper_t * d.uni(0.8, 2.2), 200, 1500))
    stamped = len(design.contacts) == 1 and kind != "steel_fusion" and d.rng.random() < 0.5
    upper = Part(upper_t, **_ends(d, first, last, field), corner=d.uni(5, 0.1 * upper_t))
    lower = Part(lower_t, **_ends(d, first, last, field), corner=d.uni(5, 0.1 * lower_t))
    if stamped and design.lower_share < 0.5:
        upper = _dented(d, upper, design.standoff_left, last - first)
    elif stamped:
        lower = _dented(d, lower, design.standoff_left, last - first)
    marked = [_marked(d, part, share, last - first) for part, share in ((upper, 0.5), (lower, 0.3))]
    return {"upper": marked[0], "lower": marked[1]}


def _dented(d: Draws, part: Part, standoff: float, width: float) -> Part:
    """A stamped dimple leaves a hollow in the outer face, about as deep as the projection was high."""
    depth = min(d.uni(0.5, 1.2) * standoff + d.uni(0, 60), 0.55 * part.thickness)
    return replace(part, dent=depth, dent_width=width * d.uni(0.35, 0.6))


def _marked(d: Draws, part: Part, share: float, width: float) -> Part:
    """At times an electrode has left its mark."""
    if part.dent or d.rng.random() > share:
        return part
    depth = d.uni(0.01, 0.08) * part.thickness
    return replace(part, indentation=depth, mark_width=width * d.uni(0.5, 0.9))


def _ends(d: Draws, first: float, last: float, field: float) -> dict[str, float]:
    """A part may end inside the picture, but not nearer to the bond than a tenth of the picture."""
    spare = (field - (last - first)) / 2
    ends = {}
    if spare > 0.15 * field and d.chance(0.1, 0.25, 0.35):
        reach = d.uni(max(0.11 * field, 0.55 * spare), 0.95 * spare)
        side = d.rng.random()
        if side < 0.6:
            ends["left"] = first - reach
        if side > 0.4:
            ends["right"] = last + reach
    return ends


def _nugget(d: Draws, design: SectionDesign) -> Nugget:
    """A nugget inside the bond, leaving a ring of solid-state bond, pulled towards the thicker part at times."""
    contact = design.contacts[0]
    half = (contact.right - contact.left) / 2
    width = half * d.uni(0.55, 0.93)
    upper = min(width * d.uni(0.25, 0.7), design.upper.thickness * d.uni(0.25, 0.7))
    lower = min(width * d.uni(0.25, 0.7), design.lower.thickness * d.uni(0.2, 0.6))
    shift = d.uni(-0.2, 0.2) * min(upper, lower) if d.level else 0.0
    waves = tuple((n, d.uni(0.2, 1) * d.by_level(0.004, 0.01, 0.015), d.uni(0, 6.28)) for n in (3, 5, 8))
    voids = []
    for _ in range(int(d.rng.integers(0, 4)) if d.chance(0.3, 0.5, 0.6) else 0):
        size = width * d.uni(0.015, 0.07)
        at = (contact.left + half + d.uni(-0.5, 0.5) * width, d.uni(-0.3, 0.3) * min(upper, lower))
        if all(math.hypot(at[0] - v[0], at[1] - v[1]) > size + v[2] + 2 * d.pixel for v in voids):
            voids.append((*at, size, size * d.uni(0.5, 1.0)))
    return Nugget(
        contact.left + half + d.uni(-0.04, 0.04) * half,
        shift,
        width,
        upper,
        lower,
        d.uni(1.9, 2.6),
        waves,
        tuple(voids),
    )


def _with_films(d: Draws, design: SectionDesign, kind: str) -> SectionDesign:
    """Put residual plating and open voids into the contacts."""
    contacts = []
    for contact in design.contacts:
        films: list[Film] = []
        if kind in ("plated_residual", "bse") and (kind != "bse" or d.rng.random() < 0.5):
            films = _residue(d, contact, kind)
        if kind in ("plated_residual", "unetched", "etched", "bse") and d.chance(0.15, 0.3, 0.3):
            films += _voids(d, contact)
        contacts.append(replace(contact, films=tuple(films)))
    return replace(design, contacts=tuple(contacts))


def _residue(d: Draws, contact: Contact, kind: str) -> list[Film]:
    """Islands, a long film, or (rarely) a film over the whole contact, which leaves no metal joined."""
    width = contact.right - contact.left
    thick = d.by_level(2.0, 1.3, 0.8) * d.pixel
    if kind == "plated_residual" and d.chance(0.0, 0.08, 0.08):
        return [Film(contact.left - 1, contact.right + 1, max(d.log(3, 8) * d.pixel, 2), fullness=12)]
    if d.rng.random() < 0.4:
        start = contact.left + width * d.uni(0.06, 0.4)
        end = start + width * d.uni(0.2, 0.5)
        return [Film(start, end, thick * d.log(1, 5), fullness=d.uni(2, 8))]
    films, at = [], contact.left + width * d.uni(0.05, 0.2)
    while at < contact.right - 0.1 * width and len(films) < 7:
        end = min(at + width * d.log(0.015, 0.15), contact.right - 0.05 * width)
        films.append(Film(at, end, thick * d.log(1, 5), fullness=d.uni(1, 4)))
        at = end + width * d.log(0.03, 0.3)
    return films


def _voids(d: Draws, contact: Contact) -> list[Film]:
    width = contact.right - contact.left
    voids = []
    for _ in range(int(d.rng.integers(1, 3))):
        length = width * d.log(0.02, 0.12)
        middle = d.uni(contact.left + 0.12 * width + length / 2, contact.right - 0.12 * width - length / 2)
        height = min(max(d.log(2.5, 9) * d.pixel, 2 * d.pixel), 0.5 * length)
        if all(abs(middle - (v.start + v.end) / 2) > length + 0.05 * width for v in voids):
            voids.append(Film(middle - length / 2, middle + length / 2, height, "open"))
    return voids
