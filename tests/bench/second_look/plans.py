"""Plans: the random choice of a section's shapes, kind by kind and by difficulty."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from tests.bench.second_look.layout import FAR_PX, Layout, Lens, Nugget, Part, Tin, lay_out
from tests.bench.second_look.openings import Flank, flank
from tests.bench.second_look.truths import truth_of

Pair = tuple[float, float]
PLATED = ("plated", "plated_residual", "plated_grey", "bse")
LEAST_OPENING_PX = 5.0
"""A gap that nowhere opens this far beside the bond could not be told from a line, so it is not drawn."""


@dataclass(frozen=True)
class Level:
    """What a difficulty means for the shapes; lengths in px at 1400 px width, with ``_px`` in real px."""

    tilt: float
    off_centre: float
    least_side: float
    slope: Pair
    height: Pair
    uneven: float
    hump: float
    tin_px: Pair
    thin_gap_px: Pair
    rough: float


LEVELS = {
    "easy": Level(4, 0.05, 170, (0.10, 0.45), (18, 60), 0.0, 0.3, (3.5, 9.0), (5.0, 12.0), 0.3),
    "fair": Level(10, 0.12, 110, (0.05, 0.40), (13, 50), 0.1, 0.7, (2.2, 8.0), (4.0, 10.0), 0.8),
    "hard": Level(20, 0.30, 55, (0.02, 0.35), (8, 42), 0.2, 1.0, (1.4, 6.0), (3.0, 8.0), 1.4),
}


def log_uniform(rng: np.random.Generator, bounds: Pair) -> float:
    """Return a value spread evenly over the logarithm."""
    return float(np.exp(rng.uniform(*np.log(bounds))))


def plan(kind: str, difficulty: str, rng: np.random.Generator, width_px: int) -> Layout:
    """Return the shapes of one section of a kind; chooses again until the section can be read at all."""
    for _ in range(300):
        layout = _choose(kind, LEVELS[difficulty], rng, width_px)
        if layout is not None:
            return _with_row(kind, layout, rng)
    raise RuntimeError(f"{kind}, {difficulty}: no readable section in 300 attempts")


def _choose(kind: str, level: Level, rng: np.random.Generator, width_px: int) -> Layout | None:
    """Return one choice of shapes, or None where it came out unreadable."""
    k = width_px / 1400
    shape = (round(width_px * rng.uniform(0.6, 0.8)), width_px)
    tilt = rng.uniform(-level.tilt, level.tilt)
    half_view = width_px / 2 / np.cos(np.radians(tilt))
    contacts = _contacts(kind, level, rng, width_px, half_view)
    if contacts is None:
        return None
    upper, lower = _parts(kind, rng, width_px, contacts, half_view, level)
    ends = (max(upper.left, lower.left, -half_view), min(upper.right, lower.right, half_view))
    sides = (contacts[0][0] - ends[0], ends[1] - contacts[-1][1])
    tin_px = rng.uniform(*level.tin_px) if kind in PLATED else 0.0
    flanks = _flanks(kind, level, rng, k, contacts, sides, 2 * tin_px)
    if flanks is None:
        return None
    tin = None
    if kind in PLATED:
        tin = _tin(rng, tin_px, (flanks[0][0], flanks[0][1]), sides)
        if tin is None:
            return None
        tin = replace(tin, compound=_compound(kind, tin))
    films, voids = _lenses(kind, rng, k, contacts)
    return Layout(
        shape=shape,
        um_per_px=_um_per_px(kind, rng, sum(right - left for left, right in contacts), tin_px),
        centre=(width_px / 2 - 0.5, shape[0] * rng.uniform(0.42, 0.58)),
        tilt=tilt,
        wave=_hump(level, rng, k, width_px, max(upper.thickness, lower.thickness)),
        contacts=contacts,
        flanks=flanks,
        least_gap=_least_gap(level, rng) if kind == "no_bond" else 0.0,
        upper=upper,
        lower=lower,
        tin=tin,
        films=films,
        voids=voids,
        nugget=_nugget(rng, contacts[0], upper, lower) if kind == "steel_fusion" else None,
        rough=(rng.uniform(0, level.rough), rng.uniform(0.1, 0.7) * level.rough, int(rng.integers(2**31))),
    )


def _contacts(
    kind: str, level: Level, rng: np.random.Generator, width_px: int, half_view: float
) -> tuple[Pair, ...] | None:
    least = level.least_side * width_px / 1400
    if kind == "segments":
        room = 2 * half_view - 2 * least
        span = room * rng.uniform(0.7, 1.0)
        count = int(rng.integers(2, 5))
        shares = rng.dirichlet(np.full(2 * count - 1, 6.0)) * span
        if shares[0::2].min() < 0.05 * width_px or shares[1::2].min() < 0.08 * width_px:
            return None
        start = -half_view + least + rng.uniform(0, room - span)
        edges = start + np.concatenate([[0], np.cumsum(shares)])
        return tuple((float(a), float(b)) for a, b in edges.reshape(-1, 2))
    half = width_px * rng.uniform(*((0.25, 0.5) if kind == "steel_fusion" else (0.14, 0.5))) / 2
    centre = rng.uniform(-1, 1) * level.off_centre * width_px
    if abs(centre) + half > half_view - least:
        return None
    return ((centre - half, centre + half),)


def _parts(
    kind: str,
    rng: np.random.Generator,
    width_px: int,
    contacts: tuple[Pair, ...],
    half_view: float,
    level: Level,
) -> tuple[Part, Part]:
    """Return the upper and the lower part: thickness, ends, which side the projection is on, dents."""
    k = width_px / 1400
    thick = [width_px * rng.uniform(0.10, 0.2), width_px * rng.uniform(0.12, 0.28)]
    if rng.random() < 0.15:
        thick = [width_px * 0.9, width_px * 0.9]  # both parts run out of the picture: no outer mount in view
    ends = [[-FAR_PX, FAR_PX], [-FAR_PX, FAR_PX]]
    for side, notch in ((0, contacts[0][0]), (1, contacts[-1][1])):
        room = half_view - abs(notch)
        scene = rng.choice(["neither", "upper", "lower", "both"], p=[0.5, 0.22, 0.18, 0.1])
        for i, name in enumerate(("upper", "lower")):
            if scene in (name, "both"):
                beyond = max(room * rng.uniform(0.5, 0.9), level.least_side * k)
                ends[i][side] = notch + (beyond if side else -beyond)
    share = float(rng.choice([1.0, 0.5, 0.0], p=[0.6, 0.2, 0.2]))
    left, right = contacts[0][0], contacts[-1][1]
    dents = []
    for i in (0, 1):
        likely = 0.8 if kind == "steel_fusion" else (0.4, 0.15)[i]
        deep = rng.uniform(0.04, 0.14) if kind == "steel_fusion" else rng.uniform(0.08, 0.3)
        half = (right - left) * rng.uniform(0.5, 0.8)
        place = (left + right) / 2 + rng.normal(0, 0.03) * (right - left)
        dents.append(
            (place, half, deep * thick[i] if rng.random() < likely and thick[i] < width_px / 2 else 0.0)
        )
    parts = [
        Part(thick[i], ends[i][0], ends[i][1], rng.uniform(2, 14) * k, (share, 1 - share)[i], dents[i])
        for i in (0, 1)
    ]
    return parts[0], parts[1]


def _flanks(
    kind: str,
    level: Level,
    rng: np.random.Generator,
    k: float,
    contacts: tuple[Pair, ...],
    sides: Pair,
    plating: float,
) -> tuple[tuple[Flank, Flank], ...] | None:
    """Return how the gap opens to the left and right of each contact, or None where it opens too little."""
    height = rng.uniform(*level.height) * k + 4
    if kind == "steel_fusion":
        height = rng.uniform(4, 16) * k + 4
    outer = [height * (1 + rng.uniform(-1, 1) * level.uneven) for _ in (0, 1)]

    def choose(tall: float, room: float, longest: float) -> Flank | None:
        made = flank(rng, tall, room * rng.uniform(0.3, longest), log_uniform(rng, level.slope))
        opens = float(made(np.array([room]))[0])
        return made if opens - plating >= LEAST_OPENING_PX else None

    starts = [choose(outer[0] + plating, sides[0], 1.1)]
    for (_, right), (left, _) in pairwise(contacts):
        tall = height * rng.uniform(0.5, 1.0)
        starts += [choose(tall, (left - right) / 2, 1.0) for _ in (0, 1)]
    starts.append(choose(outer[1] + plating, sides[1], 1.1))
    if any(made is None for made in starts):
        return None
    made = [made for made in starts if made is not None]
    for i in range(1, len(made) - 1, 2):
        # Between two contacts both flanks meet on one level.
        reach = min(made[i].reach, made[i + 1].reach)
        made[i : i + 2] = [replace(one, height=made[i].height, reach=reach) for one in made[i : i + 2]]
    return tuple((made[2 * i], made[2 * i + 1]) for i in range(len(contacts)))


def _tin(rng: np.random.Generator, tin_px: float, flanks: tuple[Flank, Flank], sides: Pair) -> Tin | None:
    """Return plating whose squeezed-out part fills each wedge to where it is wider than both layers."""
    low, high = tin_px * rng.uniform(0.85, 1.15), tin_px * rng.uniform(0.85, 1.15)
    fill = []
    for one, side in zip(flanks, sides, strict=True):
        width = (low + high) * rng.uniform(1.2, 2.4)
        distance = np.linspace(0, side, 2000)
        opening = one(distance)
        if width > 0.75 * opening[-1]:
            width = 0.75 * opening[-1]
        if width < 1.1 * (low + high):
            return None
        fill.append(float(np.interp(width, opening, distance)))
    mouth = rng.uniform(0.4, 1.5) * (low + high)
    if any(reach + 2 * mouth > 0.8 * side for reach, side in zip(fill, sides, strict=True)):
        return None
    return Tin(
        low, high, (fill[0], fill[1]), mouth, rng.uniform(0, 0.12), rng.uniform(0, 6), rng.random() < 0.6
    )


def _compound(kind: str, tin: Tin) -> float:
    """Return the intermetallic layer's thickness: in most backscatter pictures, up to a third of the plating."""
    # from the phase of the waves, which says nothing else of the layer: no further draw, so all else stays as it was
    return (0.1 + 0.06 * tin.phase) * min(tin.lower, tin.upper) if kind == "bse" and tin.phase < 4 else 0.0


def _lenses(
    kind: str, rng: np.random.Generator, k: float, contacts: tuple[Pair, ...]
) -> tuple[tuple[Lens, ...], tuple[Lens, ...]]:
    """Return films of plating and voids inside the contacts; none touches another or a notch."""
    films, voids = [], []
    filmed = kind == "plated_residual" or (kind in ("plated_grey", "bse") and rng.random() < 0.4)
    voided = kind not in ("no_bond", "plated", "steel_fusion") and rng.random() < 0.25
    for left, right in contacts:
        slots = int(rng.integers(1, 5))
        cuts = np.linspace(left, right, slots + 2)
        cuts[1:-1] += rng.uniform(-0.15, 0.15, slots) * (right - left) / (slots + 1)
        room = (right - left) / (slots + 1)
        for at in cuts[1:-1]:
            half = room * rng.uniform(0.08, 0.3)
            if filmed:
                films.append(Lens(at - half, at + half, rng.uniform(1.8, 8.0)))
            elif voided and rng.random() < 0.5:
                # Well shorter than the gap between two contacts, or it would be told as one.
                half = min(0.6 * half, 25 * k)
                voids.append(Lens(at - half, at + half, rng.uniform(2.5, 7.0)))
    return tuple(films), tuple(voids)


def _um_per_px(kind: str, rng: np.random.Generator, bond_px: float, tin_px: float) -> float:
    if kind in PLATED:
        return log_uniform(rng, (2.0, 14.0)) / tin_px
    return log_uniform(rng, (500.0, 4000.0)) / bond_px


def _hump(
    level: Level, rng: np.random.Generator, k: float, width_px: int, thickness: float
) -> tuple[float, float, float]:
    """Return (height, half-length, place) of a curved faying line, gentle enough for the outer faces."""
    half = rng.uniform(200, 500) * k
    reach = min(thickness, width_px * 0.6)
    tallest = min(26 * k * level.hump, 0.6 * 2 * half**2 / (np.pi**2 * reach))
    height = 0.0 if rng.random() < 0.4 else rng.uniform(-1, 1) * tallest
    return (height, half, rng.uniform(-150, 150) * k)


def _least_gap(level: Level, rng: np.random.Generator) -> float:
    return float(rng.uniform(*level.thin_gap_px) if rng.random() < 0.7 else rng.uniform(10, 40))


def _nugget(rng: np.random.Generator, contact: Pair, upper: Part, lower: Part) -> Nugget:
    width = (contact[1] - contact[0]) * rng.uniform(0.7, 0.95)
    slack = (contact[1] - contact[0] - width) / 2
    centre = (contact[0] + contact[1]) / 2 + rng.uniform(-0.7, 0.7) * slack
    depths = [
        min(rng.uniform(0.3, 0.75) * part.thickness, width * rng.uniform(0.25, 0.5))
        for part in (upper, lower)
    ]
    return Nugget(centre, width, depths[0], depths[1], rng.uniform(1.8, 2.6))


def _with_row(kind: str, layout: Layout, rng: np.random.Generator) -> Layout:
    """Return the layout with what its lot sheet says: nominal values a little off the true ones."""
    um = layout.um_per_px
    row: dict[str, str | float] = {
        "um_per_px": um,
        "weld_type": "fusion" if kind == "steel_fusion" else "solid_state",
        "upper_thickness_um": round(layout.upper.thickness * um * rng.normal(1, 0.004), 1),
        "lower_thickness_um": round(layout.lower.thickness * um * rng.normal(1, 0.004), 1),
        "plating": "tin" if layout.tin is not None else "none",
        "view": "backscatter" if kind == "bse" else "brightfield",
    }
    if layout.tin is not None:
        row["plating_um"] = round((layout.tin.lower + layout.tin.upper) / 2 * um * rng.normal(1, 0.05), 1)
    standoff = truth_of(layout, lay_out(layout)).quantities.get("standoff")
    if standoff is not None and kind != "steel_fusion":
        row["projection_height_um"] = round(standoff / (1 - rng.uniform(0.3, 0.9)), 1)
    if kind != "no_bond" and kind != "steel_fusion":
        left, right = layout.contacts[0]
        row["projection_diameter_um"] = round((right - left) * um / rng.uniform(0.7, 1.0), 0)
    return replace(layout, row=row)
