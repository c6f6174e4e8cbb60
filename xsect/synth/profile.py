"""The section unrolled: every surface as a table over the faying line's arc length."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from xsect.synth import imc
from xsect.synth.design import Flank, Part, SectionDesign

Floats = NDArray[np.float64]

TABLE_PER_PX = 16
"""Table entries a pixel: a nearest look-up on a flank of slope 0.5 is off by 1/64 px at most."""


@dataclass(frozen=True)
class Profile:
    """Surfaces over ``u`` (n,), all (n,) µm in the weld frame; v grows from the upper to the lower part.

    ``opening`` lies between the BASE metals: ``upper_face`` to ``lower_face``. ``upper_coat`` and
    ``lower_coat`` bound what is left of the gap once plating is there. ``fill_until`` says, a filled wedge at
    a time, where its meniscus stands: (u, half height, +1 right or -1 left). ``line`` is the middle of the
    opening where it is closed. ``joined`` marks base metal on base metal, ``level`` the gap's plateau.
    """

    u: Floats
    line: Floats
    opening: Floats
    upper_face: Floats
    lower_face: Floats
    upper_coat: Floats
    lower_coat: Floats
    upper_outer: Floats
    lower_outer: Floats
    reaction: Floats
    joined: NDArray[np.bool_]
    fill_until: tuple[tuple[float, float, int], ...]
    standoff: Floats
    level: NDArray[np.bool_]


def unroll(design: SectionDesign) -> Profile:
    """Tabulate all surfaces of ``design`` over the stretch of faying line that the picture can show."""
    reach = math.hypot(design.width_px, design.height_px) * design.um_per_px
    step = design.um_per_px / TABLE_PER_PX
    middle = (design.width_px / 2 - design.origin[0]) * design.um_per_px
    u = np.arange(middle - 0.75 * reach, middle + 0.75 * reach, step)
    line = sum(
        (a * np.sin(2 * np.pi * u / wave + phase) for a, wave, phase in design.waves), np.zeros_like(u)
    )
    outside = outer_opening(design, u)
    plateau = _plateau(design, u)
    tin, void = _films(design, u)
    opening = outside + tin + void
    rough = [_rough(design, u, i) for i in range(4)]
    # Roughness fades out towards a notch: it must never close the gap.
    near = np.clip(outside / (6 * design.roughness), 0, 1) if design.roughness else 0.0
    upper_face = line - (1 - design.lower_share) * opening - near * rough[0]
    lower_face = line + design.lower_share * opening + near * rough[1]
    opening = lower_face - upper_face
    opening[outside + tin + void == 0] = 0.0
    filled, menisci = _fill(design, u, outside)
    upper_coat, lower_coat = upper_face.copy(), lower_face.copy()
    reaction = np.zeros_like(u)
    if design.plating is not None:
        gap = (upper_face + lower_face) / 2
        turn = 2 * np.pi * u / design.plating.ripple_wave
        wave = design.plating.ripple * (0.6 * np.sin(turn) + 0.4 * np.sin(1.73 * turn + 1))
        upper_free, lower_free = design.plating.upper * (1 + wave), design.plating.lower * (1 - wave)
        upper_coat = np.where(filled | (tin > 0), gap, np.minimum(upper_face + upper_free, gap))
        lower_coat = np.where(filled | (tin > 0), gap, np.maximum(lower_face - lower_free, gap))
        upper_coat[void > 0], lower_coat[void > 0] = upper_face[void > 0], lower_face[void > 0]
        reaction = imc.thickness(design.plating, u)
    return Profile(
        u=u,
        line=line,
        opening=opening,
        upper_face=upper_face,
        lower_face=lower_face,
        upper_coat=upper_coat,
        lower_coat=lower_coat,
        upper_outer=-(1 - design.lower_share) * plateau
        - design.upper.thickness
        + _hollow(design.upper, u)
        + rough[2],
        lower_outer=design.lower_share * plateau
        + design.lower.thickness
        - _hollow(design.lower, u)
        + rough[3],
        reaction=reaction,
        joined=opening == 0,
        fill_until=menisci,
        standoff=plateau,
        level=np.abs(outside - plateau) < 1e-9 * plateau,
    )


def outer_opening(design: SectionDesign, u: Floats) -> Floats:
    """Return the gap between the base metals outside the contacts (0 inside them), plus the clearance."""
    contacts = design.contacts
    opening = np.full_like(u, np.inf)
    for i, contact in enumerate(contacts):
        left_cap = design.standoff_left if i == 0 else design.standoff_between
        right_cap = design.standoff_right if i == len(contacts) - 1 else design.standoff_between
        left = flank_opening(contact.left_flank, contact.left - u, left_cap)
        right = flank_opening(contact.right_flank, u - contact.right, right_cap)
        opening = _rounded_minimum(
            opening, np.where(u < contact.left, left, right), 0.5 * design.standoff_between
        )
    return opening + design.clearance


def _rounded_minimum(a: Floats, b: Floats, radius: float) -> Floats:
    """Smaller of two openings, the ridge where they cross rounded off; 0 where either is 0."""
    k = np.minimum(radius, np.maximum(a, b))
    away = np.where(np.isfinite(a), np.abs(np.where(np.isfinite(a), a, 0) - b), np.inf)
    overlap = np.maximum(k - away, 0)
    cut = np.divide(overlap**2, 4 * k, out=np.zeros_like(k), where=(k > 0) & np.isfinite(k))
    return np.asarray(np.minimum(a, b) - cut)


def flank_opening(flank: Flank, distance: Floats, cap: float) -> Floats:
    """Return the opening at ``distance`` outward of a notch, bent into the plateau ``cap``; 0 inside the
    contact."""
    d = np.maximum(distance, 0.0)
    if flank.shape == "linear":
        raw = flank.slope * d
    elif flank.shape == "root":
        raw = flank.slope * flank.radius * (np.sqrt(1 + 2 * d / flank.radius) - 1)
    elif flank.shape == "quadratic":
        raw = flank.slope * d * (1 + d / flank.radius)
    else:
        raw = _cap(flank, d)
    raw = raw * (1 - flank.collar * np.exp(-(((d - flank.collar_at) / (0.4 * flank.collar_at)) ** 2)))
    x, k = raw / cap, flank.bend
    bent = np.where(x < 1 - k, x, np.where(x > 1 + k, 1.0, x - (x - 1 + k) ** 2 / (4 * k)))
    # An exact zero inside: rounding must not open a closed contact.
    return np.where(d > 0, cap * bent, 0.0)


def _cap(flank: Flank, d: Floats) -> Floats:
    """Circle of the flank's radius that leaves the notch with its slope, and from 45° on its tangent."""
    start = math.atan(flank.slope)
    ball = flank.radius
    turn = ball * (math.sqrt(0.5) - math.sin(start))
    inside = np.minimum(d, max(turn, 0.0))
    rise = ball * (math.cos(start) - np.sqrt(1 - (math.sin(start) + inside / ball) ** 2))
    return rise + (d - inside)


def _rough(design: SectionDesign, u: Floats, surface: int) -> Floats:
    """Height of one surface's roughness over u: cubic through random knots, cut at 2.5 times its rms."""
    if not design.roughness:
        return np.zeros_like(u)
    knots = np.random.default_rng([design.rough_seed, surface]).standard_normal(4096)
    place = u / design.rough_length
    whole = np.floor(place).astype(int)
    t = place - whole
    a, b, c, e = (knots[(whole + i) % 4096] for i in range(4))
    # Catmull-Rom: passes through the knots, so its rms stays near theirs.
    height = b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - e + t * (3 * (b - c) + e - a)))
    return np.asarray(design.roughness * np.clip(height, -2.5, 2.5))


def _plateau(design: SectionDesign, u: Floats) -> Floats:
    """Height of the standoff at each place; it passes from left to right value across the contacts."""
    left = design.contacts[0].left
    t = np.clip((u - left) / (design.contacts[-1].right - left), 0, 1)
    ease = t * t * (3 - 2 * t)
    return design.standoff_left + (design.standoff_right - design.standoff_left) * ease + design.clearance


def _films(design: SectionDesign, u: Floats) -> tuple[Floats, Floats]:
    """Return thickness of residual plating and of open voids inside the contacts."""
    tin, void = np.zeros_like(u), np.zeros_like(u)
    for contact in design.contacts:
        for film in contact.films:
            t = np.abs((2 * u - film.start - film.end) / (film.end - film.start))
            lens = film.thickness * (1 - np.minimum(t, 1) ** (2 * film.fullness))
            target = tin if film.material == "tin" else void
            np.maximum(target, lens, out=target)
    tin[void > 0] = 0
    return tin, void


def _fill(
    design: SectionDesign, u: Floats, outside: Floats
) -> tuple[NDArray[np.bool_], tuple[tuple[float, float, int], ...]]:
    """Return where expelled plating fills the wedge, and the menisci (u, half height, outward sign)."""
    filled = np.zeros(u.shape, dtype=bool)
    if design.plating is None:
        return filled, ()
    height = max(design.plating.fill, 1.0) * (design.plating.upper + design.plating.lower)
    if design.clearance:
        return outside <= design.plating.upper + design.plating.lower, ()
    menisci = []
    closed = outside <= height
    for contact in design.contacts:
        first = int(np.searchsorted(u, contact.left))
        last = int(np.searchsorted(u, contact.right, side="right")) - 1
        while first > 0 and closed[first - 1]:
            first -= 1
        while last < len(u) - 1 and closed[last + 1]:
            last += 1
        filled[first : last + 1] = True
        menisci += [(float(u[first]), height / 2, -1), (float(u[last]), height / 2, 1)]
    filled &= outside > 0
    return filled, tuple(menisci)


def _hollow(part: Part, u: Floats) -> Floats:
    """Depth of the outer face below its level: a stamped dimple's hollow and an electrode mark."""
    dent = part.dent * np.exp(-(np.abs(u / part.dent_width) ** 3))
    edge = np.clip((np.abs(u) - part.mark_width) / (0.25 * part.mark_width), 0, 1)
    return np.asarray(dent + part.indentation * (1 - edge * edge * (3 - 2 * edge)))
