"""Random contacts: how wide, how they open, what lies in them, what was fused."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from xsect.synth import imc
from xsect.synth.design import Contact, Film, Flank, Nugget, Plating, SectionDesign, Shape
from xsect.synth.draws import Draws
from xsect.synth.profile import outer_opening

SHAPES: tuple[Shape, ...] = ("linear", "root", "quadratic", "cap")


def plating(d: Draws, kind: str) -> Plating:
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
        cu3sn=imc.inner_thickness(reaction),
        scallop=0.5,
        ripple=d.uni(0, d.by_level(0.05, 0.15, 0.25)),
        ripple_wave=d.uni(80, 400) * d.pixel,
    )


def clearance(d: Draws) -> float:
    """No bond: plainly open, or only a few blur widths."""
    return d.log(*((10, 40), (6, 15), (4, 7))[d.level]) * d.pixel


def _flank(d: Draws, bond: float) -> Flank:
    shape = SHAPES[int(d.rng.integers(4))]
    slope = d.log(0.04 if d.level < 2 else 0.03, 0.5)
    radius = bond * (d.log(0.6, 2.5) if shape == "cap" else d.log(0.2, 2))
    collar = d.uni(0.1, 0.35) if d.chance(0.0, 0.15, 0.3) else 0.0
    return Flank(slope, shape, radius, d.uni(0.15, 0.9), collar, bond * d.uni(0.05, 0.2))


def contacts(d: Draws, bond: float, count: int, standoff: float, field: float) -> tuple[Contact, ...]:
    """One contact, or several unequal ones in a row that share the bond width."""
    if count == 1:
        flanks = _flank(d, bond), _flank(d, bond)
        if d.level == 0:
            flanks = flanks[0], replace(flanks[0], slope=flanks[0].slope * d.uni(0.8, 1.25))
        return (Contact(-bond / 2, bond / 2, *flanks),)
    shares = d.rng.uniform(0.5, 1.0, count) if d.level else np.ones(count)
    widths = 0.75 * bond * shares / shares.sum()
    gaps = d.rng.uniform(0.5, 1.0, count - 1) if d.level else np.ones(count - 1)
    gaps = gaps / gaps.sum() * max(field * 0.5 - widths.sum() * 0.4, 0.25 * field)
    row, at = [], -(widths.sum() + gaps.sum()) / 2
    # Steep enough for the gap to reach its plateau inside the picture in about half of the scenes.
    outer = standoff / ((field / 2 + at) * d.uni(0.25, 1.2))
    for i, width in enumerate(widths):
        near = [float(gaps[j]) for j in (i - 1, i) if 0 <= j < count - 1]
        steep = max(0.15, 8 * 12 * d.pixel / min(near))
        left, right = (replace(_flank(d, float(width)), collar=0.0) for _ in range(2))
        left = replace(left, slope=max(left.slope, steep if i else outer))
        right = replace(right, slope=max(right.slope, steep if i < count - 1 else outer))
        row.append(Contact(float(at), float(at + width), left, right))
        at += width + (gaps[i] if i < count - 1 else 0)
    return tuple(row)


def opened(d: Draws, design: SectionDesign, field: float) -> SectionDesign:
    """Steepen the outer flanks until the gap is plainly open inside the picture on both sides."""
    row = list(design.contacts)
    margin = max((field - (row[-1].right - row[0].left)) / 2 * 0.7, 0.05 * field)
    wanted = min(plainly_open(d, design), 0.9 * design.standoff_left)
    for _ in range(12):
        edges = np.array([row[0].left - margin, row[-1].right + margin])
        left, right = outer_opening(replace(design, contacts=tuple(row)), edges) >= wanted
        if left and right:
            break
        if not left:
            row[0] = replace(row[0], left_flank=_steeper(row[0].left_flank))
        if not right:
            row[-1] = replace(row[-1], right_flank=_steeper(row[-1].right_flank))
    return replace(design, contacts=tuple(row))


def _steeper(flank: Flank) -> Flank:
    return replace(flank, slope=1.35 * flank.slope)


def plainly_open(d: Draws, design: SectionDesign) -> float:
    """Height at which a gap is plainly open, beyond any expelled plating."""
    filled = 0.0
    if design.plating is not None:
        filled = (design.plating.upper + design.plating.lower) * max(design.plating.fill, 1.1)
    return filled + d.by_level(10, 7, 5) * d.pixel


def nugget(d: Draws, design: SectionDesign) -> Nugget:
    """A nugget inside the bond, leaving a ring of solid-state bond, pulled to one side at times."""
    contact = design.contacts[0]
    half = (contact.right - contact.left) / 2
    width = half * d.uni(0.55, 0.88)
    upper = min(width * d.uni(0.25, 0.7), design.upper.thickness * d.uni(0.25, 0.7))
    lower = min(width * d.uni(0.25, 0.7), design.lower.thickness * d.uni(0.2, 0.6))
    shift = d.uni(-0.2, 0.2) * min(upper, lower) if d.level else 0.0
    waves = tuple((n, d.uni(0.2, 1) * d.by_level(0.004, 0.01, 0.015), d.uni(0, 6.28)) for n in (3, 5, 8))
    voids: list[tuple[float, float, float, float]] = []
    for _ in range(int(d.rng.integers(0, 4)) if d.chance(0.3, 0.5, 0.6) else 0):
        size = width * d.uni(0.015, 0.07)
        at = (contact.left + half + d.uni(-0.5, 0.5) * width, d.uni(-0.3, 0.3) * min(upper, lower))
        if all(math.hypot(at[0] - v[0], at[1] - v[1]) > size + v[2] + 2 * d.pixel for v in voids):
            voids.append((*at, size, size * d.uni(0.5, 1.0)))
    middle = contact.left + half * (1 + d.uni(-0.04, 0.04))
    return Nugget(middle, shift, width, upper, lower, d.uni(1.9, 2.6), waves, tuple(voids))


def with_films(d: Draws, design: SectionDesign, kind: str) -> SectionDesign:
    """Put residual plating and open voids into the contacts."""
    row = []
    for contact in design.contacts:
        films: list[Film] = []
        if kind in ("plated_residual", "bse") and (kind != "bse" or d.rng.random() < 0.5):
            films = _residue(d, contact, kind)
        if kind in ("plated_residual", "unetched", "etched", "bse") and d.chance(0.15, 0.3, 0.3):
            films += _voids(d, contact)
        row.append(replace(contact, films=tuple(films)))
    return replace(design, contacts=tuple(row))


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
    films: list[Film] = []
    at = contact.left + width * d.uni(0.05, 0.2)
    while at < contact.right - 0.1 * width and len(films) < 7:
        end = min(at + width * d.log(0.015, 0.15), contact.right - 0.05 * width)
        films.append(Film(at, end, thick * d.log(1, 5), fullness=d.uni(1, 4)))
        at = end + width * d.log(0.03, 0.3)
    return films


def _voids(d: Draws, contact: Contact) -> list[Film]:
    width = contact.right - contact.left
    voids: list[Film] = []
    for _ in range(int(d.rng.integers(1, 3))):
        length = width * d.log(0.02, 0.12)
        middle = d.uni(contact.left + 0.12 * width + length / 2, contact.right - 0.12 * width - length / 2)
        height = min(max(d.log(2.5, 9) * d.pixel, 2 * d.pixel), 0.5 * length)
        if all(abs(middle - (v.start + v.end) / 2) > length + 0.05 * width for v in voids):
            voids.append(Film(middle - length / 2, middle + length / 2, height, "open"))
    return voids
