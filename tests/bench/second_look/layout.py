"""Layout: the shapes of one drawn section as polygons, and the truth that follows from them.

Everything is laid out in two coordinates: ``s``, arc length along the faying line, and ``n``, the distance
from it towards the upper part, both in px of the picture. So a bond's width along the line is a difference
of ``s``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.bench.second_look.openings import Flank

Floats = NDArray[np.float64]

MARGIN_PX = 3.0
FAR_PX = 1e5
"""A part that runs out of the picture ends this far away."""
LEVEL_PX = 40.0
"""A level stretch counts as visible from this length on."""


@dataclass(frozen=True)
class Lens:
    """A film or void inside a contact: ``left`` to ``right`` along s, ``thickness`` high."""

    left: float
    right: float
    thickness: float


@dataclass(frozen=True)
class Part:
    """One part: thickness, ends along s (far outside the picture where it runs out), corner radius, dents.

    ``dent`` is (centre, half-width, depth) of the mark in the outer face; ``share`` of the opening is on
    its side.
    """

    thickness: float
    left: float
    right: float
    corner: float
    share: float
    dent: tuple[float, float, float] = (0.0, 1.0, 0.0)


@dataclass(frozen=True)
class Tin:
    """Plating: thickness on the lower and upper facing surface, where the fill of each wedge ends beyond its
    notch (left, right), length of the rounded mouth there, and waviness of the free surface (share). ``compound``:
    mean thickness of the intermetallic layer on the base metal, part of the plating."""

    lower: float
    upper: float
    fill: tuple[float, float]
    mouth: float
    waves: float
    phase: float
    outside: bool
    compound: float = 0.0

    def compound_at(self, s: Floats) -> Floats:
        """Thickness of the compound on each face: round caps side by side, of the mean thickness ``compound``."""
        cap = np.abs(np.cos(np.pi * s / (4 + 2.5 * self.compound)))
        return np.asarray(self.compound * (0.7 + 0.15 * np.pi * cap))


@dataclass(frozen=True)
class Nugget:
    """Re-solidified zone: centre and width along s, depths into both parts, roundness (2: ellipse).

    ``shift``: how far its middle lies above the faying line. ``ripple``: (order, share, phase) of its rim's waves.
    """

    centre: float
    width: float
    upper: float
    lower: float
    power: float
    shift: float = 0.0
    ripple: tuple[tuple[int, float, float], ...] = ()

    def outline(self, count: int = 720) -> tuple[Floats, Floats]:
        """Return the outline as stations and distances (s, n), anticlockwise from the right."""
        turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
        wave = 1 + sum(share * np.cos(order * turn + phase) for order, share, phase in self.ripple)
        along = np.sign(np.cos(turn)) * np.abs(np.cos(turn)) ** (2 / self.power)
        up = np.sign(np.sin(turn)) * np.abs(np.sin(turn)) ** (2 / self.power)
        depth = np.where(up > 0, self.upper - self.shift, self.lower + self.shift)
        return self.centre + self.width / 2 * wave * along, self.shift + depth * wave * up


@dataclass(frozen=True)
class Layout:
    """All shapes of one section; lengths in px."""

    shape: tuple[int, int]
    um_per_px: float
    centre: tuple[float, float]
    tilt: float
    wave: tuple[float, float, float]
    """Curve of the faying line: (height, half-length, place) of a hump."""
    contacts: tuple[tuple[float, float], ...]
    flanks: tuple[tuple[Flank, Flank], ...]
    """One pair a contact (or a near-contact of a section without bond): to its left, to its right."""
    least_gap: float
    """0 for bonds; where nothing touches, the thinnest place of the gap."""
    upper: Part
    lower: Part
    tin: Tin | None = None
    films: tuple[Lens, ...] = ()
    voids: tuple[Lens, ...] = ()
    nugget: Nugget | None = None
    heat: Nugget | None = None
    """Shape about which a heat-affected zone lies that has no nugget in it."""
    rough: tuple[float, float, int] = (0.0, 0.0, 0)
    """Roughness (px): of the gap's walls where it is wide, of the outer faces, and the seed of its waves."""
    row: dict[str, str | float] = field(default_factory=dict)


@dataclass(frozen=True)
class Shapes:
    """A layout laid out: stations ``s`` (step at most 0.5 px) and what lies above and below them.

    ``lower`` and ``upper`` are the base-metal surfaces, ``lower_tin`` and ``upper_tin`` the surfaces that
    face the gap; ``lower_outer`` and ``upper_outer`` the outer faces (all signed n). ``gap`` is what is dark
    between.
    """

    s: Floats
    points: Floats
    normals: Floats
    lower: Floats
    upper: Floats
    lower_tin: Floats
    upper_tin: Floats
    lower_outer: Floats
    upper_outer: Floats
    opening: Floats
    gap: Floats

    def at(self, s: Floats | float, n: Floats | float) -> Floats:
        """Return (k, 2) points (x, y) of the picture at stations s and distances n."""
        xy = [
            np.interp(s, self.s, self.points[:, i]) + n * np.interp(s, self.s, self.normals[:, i])
            for i in (0, 1)
        ]
        return np.column_stack([np.atleast_1d(value) for value in xy])

    def band(self, low: Floats, high: Floats, *, where: NDArray[np.bool_] | slice = slice(None)) -> Floats:
        """Return the closed polygon between two surfaces given at the stations."""
        keep = np.arange(len(self.s))[where]
        one = self.points[keep] + self.normals[keep] * low[keep, None]
        two = self.points[keep] + self.normals[keep] * high[keep, None]
        return np.vstack([one, two[::-1]])


def lay_out(layout: Layout) -> Shapes:
    """Return the surfaces of a layout at closely spaced stations."""
    s, points, normals = _line(layout)
    waves = np.random.default_rng(layout.rough[2])
    opening, void = _opening(layout, s, layout.rough[0] * _waves(s, waves, (25, 200)))
    dents = [
        sign * _dent(s, part) + layout.rough[1] * _waves(s, waves, (8, 160))
        for sign, part in ((1, layout.lower), (-1, layout.upper))
    ]
    gap, tin_low, tin_high = _fill(layout, s, opening, void)
    level = _level(layout, s)
    edges = {}
    for name, part in (("lower", layout.lower), ("upper", layout.upper)):
        edges[name] = _corner(s, part)
    low = -layout.lower.share * opening - edges["lower"]
    high = layout.upper.share * opening + edges["upper"]
    return Shapes(
        s, points, normals, low, high, low + tin_low, high - tin_high,
        -layout.lower.share * level - layout.lower.thickness + edges["lower"] + dents[0],
        layout.upper.share * level + layout.upper.thickness - edges["upper"] + dents[1],
        opening, gap,
    )  # fmt: skip


def _line(layout: Layout) -> tuple[Floats, Floats, Floats]:
    """Return arc length, points (x, y) and unit normals (towards the upper part) along the faying line."""
    reach = 1.3 * max(layout.shape)
    u = np.arange(-reach, reach, 0.5)
    height, half, place = layout.wave
    x = np.clip((u - place) / half, -1, 1)
    v = height * (np.cos(np.pi * x) + 1) / 2
    slope = -height * np.pi / (2 * half) * np.sin(np.pi * x)
    s = np.concatenate([[0], np.cumsum(np.hypot(np.diff(u), np.diff(v)))])
    s -= np.interp(0.0, u, s)
    cos, sin = np.cos(np.radians(layout.tilt)), np.sin(np.radians(layout.tilt))
    turn = np.array([[cos, sin], [sin, -cos]])  # v points up, rows count down
    points = np.column_stack([u, v]) @ turn.T + np.array(layout.centre)
    tangents = np.column_stack([np.ones_like(u), slope])
    tangents /= np.linalg.norm(tangents, axis=1)[:, None]
    normals = np.column_stack([-tangents[:, 1], tangents[:, 0]]) @ turn.T
    # Notches, ends and corners become stations themselves so that no shape is cut short.
    extra = np.array([*np.ravel(layout.contacts), *_ends(layout.lower), *_ends(layout.upper)])
    extra = extra[(extra > s[0]) & (extra < s[-1])]
    dense = np.unique(np.concatenate([s, extra]))
    return (
        dense,
        np.column_stack([np.interp(dense, s, points[:, i]) for i in (0, 1)]),
        np.column_stack([np.interp(dense, s, normals[:, i]) for i in (0, 1)]),
    )


def _ends(part: Part) -> Floats:
    """Return stations around both ends of a part, dense where the corner turns."""
    depth = part.corner * (1 - np.cos(np.linspace(0, np.pi / 2, 12)))
    return np.concatenate([part.left + depth, part.right - depth])


def _opening(layout: Layout, s: Floats, waves: Floats) -> tuple[Floats, Floats]:
    """Return the opening between the base metals, and of that the voids inside contacts."""
    opening = np.full_like(s, np.inf)
    for (left, right), (to_left, to_right) in zip(layout.contacts, layout.flanks, strict=True):
        here = np.where(s < left, to_left(left - s), to_right(s - right))
        opening = np.minimum(opening, np.maximum(here, 0))
    film, void = np.zeros_like(s), np.zeros_like(s)
    for lenses, into in ((layout.films, film), (layout.voids, void)):
        for lens in lenses:
            x = (2 * s - lens.left - lens.right) / (lens.right - lens.left)
            into += lens.thickness * np.maximum(1 - np.abs(x) ** 4, 0) ** 0.5
    opening += layout.least_gap
    # Roughness dies out towards the notch, so that it stays where it is and the gap never closes outside it.
    opening *= 1 + waves / (opening + 4 * layout.rough[0] + 1e-9)
    return opening + film + void, void


def _fill(layout: Layout, s: Floats, opening: Floats, void: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the dark gap and the plating on the lower and upper surface."""
    tin = layout.tin
    if tin is None:
        return opening, np.zeros_like(s), np.zeros_like(s)
    waves = 1 + tin.waves * np.sin(s / 9.0 + tin.phase) * np.sin(s / 23.0 + 2 * tin.phase)
    free_low, free_high = tin.lower * waves, tin.upper * waves
    left, right = layout.contacts[0][0], layout.contacts[-1][1]
    beyond = np.where(s < left, left - tin.fill[0] - s, s - right - tin.fill[1])
    mouth = np.sqrt(1 - (1 - np.clip(beyond / tin.mouth, 0, 1)) ** 2)
    open_ = np.maximum(opening - free_low - free_high, 0) * mouth
    inside = (s >= left) & (s <= right)
    gap = np.where(inside, void if layout.least_gap == 0 else open_, open_)
    plating = opening - gap
    share = free_low / (free_low + free_high)
    return gap, plating * share, plating * (1 - share)


def _waves(s: Floats, rng: np.random.Generator, lengths: tuple[float, float]) -> Floats:
    """Return a random profile (spread 1) of waves with lengths between two bounds."""
    periods = np.exp(rng.uniform(*np.log(lengths), 9))
    phases = rng.uniform(0, 2 * np.pi, 9)
    return np.sum(np.sin(s[:, None] * (2 * np.pi / periods) + phases), axis=1) / np.sqrt(4.5)


def _level(layout: Layout, s: Floats) -> Floats:
    """Return the opening of the level stretches, carried smoothly across the contacts."""
    left, right = layout.flanks[0][0].height, layout.flanks[-1][1].height
    a, b = layout.contacts[0][0], layout.contacts[-1][1]
    x = np.clip((s - a) / (b - a), 0, 1)
    return layout.least_gap + left + (right - left) * x * x * (3 - 2 * x)


def _corner(s: Floats, part: Part) -> Floats:
    """Return how far a rounded corner has receded at each station."""
    into = np.clip(np.minimum(s - part.left, part.right - s), 0, part.corner)
    return part.corner - np.sqrt(np.maximum(part.corner**2 - (part.corner - into) ** 2, 0))


def _dent(s: Floats, part: Part) -> Floats:
    centre, half, depth = part.dent
    x = np.clip((s - centre) / half, -1, 1)
    return depth * (1 - x * x) ** 2


def inside_picture(shapes: Shapes, shape: tuple[int, int], n: Floats) -> NDArray[np.bool_]:
    """Return which stations of a surface lie in the picture, a margin off its border."""
    xy = shapes.points + shapes.normals * n[:, None]
    last = np.array([shape[1], shape[0]]) - 1 - MARGIN_PX
    return np.asarray(((xy > MARGIN_PX) & (xy < last)).all(axis=1))


def within(part: Part, s: Floats) -> NDArray[np.bool_]:
    """Return which stations the part covers, its rounded corners left out."""
    return (s > part.left + part.corner) & (s < part.right - part.corner)


def level_stretches(layout: Layout, shapes: Shapes) -> list[NDArray[np.bool_]]:
    """Return the stations on each side of the bond where the gap is level and in view."""
    s = shapes.s
    fill = (0.0, 0.0)
    if layout.tin is not None:
        fill = (layout.tin.fill[0] + layout.tin.mouth, layout.tin.fill[1] + layout.tin.mouth)
    seen = inside_picture(shapes, layout.shape, shapes.lower) & inside_picture(
        shapes, layout.shape, shapes.upper
    )
    seen &= within(layout.lower, s) & within(layout.upper, s)
    left = s <= layout.contacts[0][0] - max(layout.flanks[0][0].reach, fill[0])
    right = s >= layout.contacts[-1][1] + max(layout.flanks[-1][1].reach, fill[1])
    return [seen & left, seen & right]


def length(shapes: Shapes, where: NDArray[np.bool_], weight: Floats | None = None) -> float:
    """Return the length of the stations in ``where``, or the integral of ``weight`` over them."""
    both = where[:-1] & where[1:]
    mean = 1.0 if weight is None else (weight[:-1] + weight[1:]) / 2
    return float(np.sum(np.diff(shapes.s) * both * mean))
