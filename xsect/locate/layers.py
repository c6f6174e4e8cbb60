"""Layers on the facing surfaces: plating and the intermetallic layer beneath it, read beside the open gap.

Across a facing surface lie gap, plating, intermetallic layer and base metal. Windows of stations are fitted as steps
under one blur, each side of the gap for itself; levels are relative to the base metal's own, so that light and etch
drop out. Which level the plating has is learned where it is thick: in the filled gap beside the bond, else from all
windows at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter

from xsect.locate.plating import Plating
from xsect.locate.section import Located
from xsect.locate.steps import Steps, fit_best, fit_steps
from xsect.locate.view import FILLED, OPEN

Floats = NDArray[np.float64]
WINDOW = 24
"""Stations averaged to one reading."""
CLEAR = 8.0
"""Open px that a gap needs so that its two surfaces do not touch each other's blur."""
OUTWARD, INWARD = 9, 16
"""Rows of gap, and of base metal, that take part in a fit."""
THICKEST = 60.0
"""Thickest plating in px that is looked for."""
FEWEST = 4
"""Readings below which a side is not read."""

UNEVEN = 0.4
"""Relative scatter of its readings from which an intermetallic layer is not told: an edge that wanders is none."""

TELLING = 0.8
"""Share of what plain steps leave that steps with an intermetallic layer may leave at most for it to be told."""

INNER = (0.40, 0.20, 0.55)
"""Level of a second compound next to the base metal, in backscatter (usual, least, most), as a share of the way from
copper to tin: Cu3Sn (Castaing's rule, as REACTION)."""

SHOWN = 5.0
"""Blurs from which a layer shows its level itself, better than the fill elsewhere does."""

LIMITS = (-0.3, 4.0)
"""Levels, of the base metal's own, that there can be."""

REACTION: dict[str, tuple[float, float, float]] = {
    "backscatter": (0.64, 0.40, 0.78),
    "brightfield": (0.78, 0.55, 0.92),
}
"""Level of the intermetallic layer (usual, least, most). Backscatter: Cu6Sn5, as a share of the way from copper to tin
by backscatter coefficients (Castaing's rule: 0.302, 0.370, 0.413; Cu3Sn, 0.345, is the least). Brightfield: against
tin, in every colour (from memory: the compound is grey, darker than tin)."""


@dataclass(frozen=True)
class SurfaceLayers:
    """Layers read on one facing surface.

    ``station``: (j,); ``plating``: (j,) px, the intermetallic layer in it; ``u_plating``: (j,); ``reaction``: (j,) px
    of the intermetallic layer; ``u_reaction``: (j,). ``shared_plating``, ``shared_reaction``: standard uncertainty
    common to all readings, px. ``inner``: (j,) px of it that is a second compound, next to the base metal; 0 where one
    shows no step of its own. ``told``: whether the intermetallic layer shows as a step of its own. ``blur``: px.
    ``level``: (c,) of the plating, of the base metal's; ``reaction_level``: (c,).
    """

    station: Floats
    plating: Floats
    u_plating: Floats
    reaction: Floats
    u_reaction: Floats
    shared_plating: float
    shared_reaction: float
    told: bool
    blur: float
    level: Floats
    reaction_level: Floats
    inner: Floats


def read_surfaces(located: Located, view: str) -> tuple[SurfaceLayers, ...]:
    """Return the layers on the upper and the lower facing surface; a side with too little in view is left out."""
    if located.plating is None:
        return ()
    values = located.strip.values.astype(np.float64).reshape(*located.strip.values.shape[:2], -1)
    usable = _beside_open_gap(located)
    sides = (_side(located, located.plating, values, usable, sign, view) for sign in (-1, 1))
    return tuple(side for side in sides if side is not None)


def _beside_open_gap(located: Located) -> NDArray[np.bool_]:
    """Return (n,) stations beside an open gap, outside the bond, its menisci left out."""
    stations = located.stations
    open_ = (stations.states == OPEN) & (located.gap.thickness > CLEAR) & located.gap.seen
    for segment in stations.segments:
        open_[max(int(segment.left.station), 0) : int(segment.right.station) + 2] = False
    # the meniscus at the end of a filled stretch is no free surface
    near = np.flatnonzero(stations.states == FILLED)
    for margin in range(-6, 7):
        open_[np.clip(near + margin, 0, open_.size - 1)] = False
    return np.asarray(open_)


def _side(
    located: Located, plating: Plating, values: Floats, usable: NDArray[np.bool_], sign: int, view: str
) -> SurfaceLayers | None:
    surface = _surface(located, plating, sign)
    thick = (
        float(np.clip(np.median((located.apart.thickness - located.gap.thickness)[usable]) / 2, 1, THICKEST))
        if usable.any()
        else 1.0
    )
    depth = np.arange(-OUTWARD, np.ceil(1.4 * thick) + INWARD + 1)
    picked = _windows(values, located.strip.seen, surface, usable, depth, sign)
    if len(picked.station) < FEWEST:
        return None
    known = _level_in_the_fill(located, values, sign)
    return _fit(picked, known, view)


@dataclass(frozen=True)
class _Picked:
    """Mean profiles (j, m, c) of the windows, of the base metal's level, at depths (j, m) below the surface."""

    station: Floats
    profiles: Floats
    depths: Floats
    weights: Floats


def _surface(located: Located, plating: Plating, sign: int) -> Floats:
    """Return (n,) rows at which the gap ends on one side: where the tone, outwards, reaches half the plating's."""
    tone, gap = plating.relative, located.gap
    half = tone.shape[0] // 2
    rows = tone.shape[0]
    start = np.clip(np.rint(half + gap.centre), 0, rows - 1)
    row = np.arange(rows)[:, None]
    outward = (sign * (row - start[None, :]) >= 0) & (tone > 0.5 * min(plating.level, 1.0))
    reach = np.where(outward, sign * row, rows * 2).min(axis=0)
    found = sign * reach
    expected = half + gap.centre + sign * gap.thickness / 2
    # what is far from where the gap's own thickness puts it is a glint, or hidden
    found = np.where(np.abs(found - expected) < 8, found, expected)
    return np.asarray(
        gaussian_filter1d(median_filter(found.astype(float), 11, mode="nearest"), 4.0, mode="nearest")
    )


def _windows(
    values: Floats,
    seen: NDArray[np.bool_],
    surface: Floats,
    usable: NDArray[np.bool_],
    depth: Floats,
    sign: int,
) -> _Picked:
    rows, columns = values.shape[:2]
    stations, profiles, depths, weights = [], [], [], []
    start = 0
    while start + WINDOW <= columns:
        block = slice(start, start + WINDOW)
        if not usable[block].all():
            start += 1 if not usable[start] else max(1, int(np.argmin(usable[block])))
            continue
        shift = np.rint(surface[block])
        at = shift[None, :] + sign * depth[:, None]
        index = np.clip(at, 0, rows - 1).astype(np.intp)
        column = np.arange(start, start + WINDOW)[None, :]
        good = (at >= 0) & (at < rows) & seen[index, column]
        count = good.sum(axis=1)
        picked = values[index, column]
        mean = np.where(good[..., None], picked, 0).sum(axis=1) / np.maximum(count, 1)[:, None]
        weight = (count > 0.5 * WINDOW).astype(float)
        base = (weight > 0) & (depth > depth[-1] - 8)
        if weight.mean() > 0.9 and base.sum() > 4:
            level = mean[base].mean(axis=0)
            stations.append(start + (WINDOW - 1) / 2)
            profiles.append(mean / np.maximum(level, 1e-3))
            depths.append(depth + sign * (float(shift.mean()) - float(surface[block].mean())))
            weights.append(weight)
        start += WINDOW
    m, c = depth.size, values.shape[2]
    shape = (len(stations), m, c)
    return _Picked(
        np.array(stations), np.array(profiles).reshape(shape), np.array(depths).reshape(shape[:2]),
        np.array(weights).reshape(shape[:2]),
    )  # fmt: skip


def _level_in_the_fill(located: Located, values: Floats, sign: int) -> Floats | None:
    """Return (c,) the plating's level, of the base metal's, where it fills the gap thickly; None where it does not."""
    apart, states = located.apart, located.stations.states
    thick = np.flatnonzero(
        (states == FILLED) & (apart.thickness > 6 * apart.blur + 2) & (located.gap.thickness < 1.5)
    )
    if thick.size < 12:
        return None
    half = values.shape[0] // 2
    middle = np.clip(np.rint(half + apart.centre[thick]).astype(np.intp), 1, values.shape[0] - 2)
    plating = np.mean([values[middle + k, thick] for k in (-1, 0, 1)], axis=0)
    edge = half + apart.centre[thick] + sign * (apart.thickness[thick] / 2 + 10)
    rows = np.clip(np.rint(edge[None, :] + sign * np.arange(8)[:, None]), 0, values.shape[0] - 1).astype(
        np.intp
    )
    base = values[rows, thick[None, :]].mean(axis=0)
    return np.asarray(np.median(plating / np.maximum(base, 1e-3), axis=0))


def _fit(picked: _Picked, known: Floats | None, view: str) -> SurfaceLayers:
    """Fit gap, plating and base metal, then see whether a layer between plating and base metal explains more."""
    of_mean, plain = _plain(picked, known)
    level = np.median(plain.levels[:, 1], axis=0)
    split = _split(picked, of_mean, plain, level, known, view)
    chosen, told, inner = plain, False, np.zeros(len(picked.station))
    if split is not None:
        told = len(split.edges) > 1 and _tells(plain, split) and _stands_out(split, view)
        n = len(picked.station)
        # a fit of the mean profile stands for all windows: what each alone would say is looser
        alone = math.sqrt(n / len(split.edges))
        reaction, u = np.resize(split.thickness(2), n), np.resize(split.u_thickness(2), n) * alone
        shared, its_level = split.u_common(2), np.median(split.levels[:, 2], axis=0)
        if told:
            chosen = split
        if told and view == "backscatter" and (two := _two(picked, split, level)) is not None:
            chosen = two
            reaction, inner = two.thickness(2) + two.thickness(3), two.thickness(3)
            u, shared = (
                np.hypot(two.u_thickness(2), two.u_thickness(3)),
                math.hypot(two.u_common(2), two.u_common(3)),
            )
            parts = np.median(two.levels, axis=0)
            share = float(np.mean(inner)) / max(float(np.mean(reaction)), 1e-9)
            its_level = (1 - share) * parts[2] + share * parts[3]
    else:
        reaction, u, shared, its_level = (
            np.zeros(len(picked.station)),
            np.zeros(len(picked.station)),
            plain.blur,
            level,
        )
    total = chosen.edges[:, -1] - chosen.edges[:, 0]
    keep = _sound(total, chosen.rms)
    if told:
        keep &= _sound(reaction, chosen.rms)
    phases = range(1, chosen.edges.shape[1])
    u_total = np.sqrt(np.sum([chosen.u_thickness(phase) ** 2 for phase in phases], axis=0))
    return SurfaceLayers(
        picked.station[keep],
        total[keep],
        u_total[keep],
        reaction[keep],
        u[keep],
        chosen.u_common(1),
        shared,
        told,
        chosen.blur,
        level,
        its_level,
        inner[keep],
    )


def _stands_out(split: Steps, view: str) -> bool:
    """Whether the compound has a level of its own: in one grey channel of brightfield it must be darker than both its
    neighbours, since between them a soft edge looks the same."""
    if view == "backscatter" or split.levels.shape[2] > 1:
        return True
    _, plating, compound, base = np.median(split.levels[..., 0], axis=0)
    return bool(compound < 0.92 * min(plating, base))


def _sound(thickness: Floats, rms: Floats) -> NDArray[np.bool_]:
    """Return (j,) readings without those spoilt by a scratch, pit or glint: fitted badly, or far from all others."""
    off = np.abs(thickness - np.median(thickness))
    far = off > 5 * max(1.4826 * float(np.median(off)), 0.3)
    return np.asarray(~far & (rms < 4 * float(np.median(rms))))


def _mean(picked: _Picked) -> tuple[Floats, Floats, Floats]:
    """Return the mean profile (1, m, c) of all windows, its depths and weights (1, m)."""
    return (
        picked.profiles.mean(axis=0, keepdims=True),
        picked.depths.mean(axis=0, keepdims=True),
        picked.weights.min(axis=0, keepdims=True),
    )


def _plain(picked: _Picked, known: Floats | None) -> tuple[Steps, Steps]:
    """Fit gap, plating, base metal to the mean profile, from starts of several thicknesses, then to all windows."""
    mean, depths, weights = _mean(picked)
    given = {} if known is None else {1: known}
    deepest = depths[0, -1] - 6
    starts = [
        (np.array([0.0, thick]), blur)
        for thick in np.geomspace(1.0, max(deepest, 2.0), 12)
        for blur in (0.9, 1.4, 2.2)
    ]
    best = fit_best(mean, depths, starts, known=given, weights=weights, limits=LIMITS)
    edges = np.repeat(best.edges, len(picked.station), axis=0)
    # a thick layer shows its level itself, and better than the fill elsewhere does
    if best.thickness(1)[0] > SHOWN * best.blur:
        given = {}
    return best, fit_steps(
        picked.profiles,
        picked.depths,
        edges,
        blur=best.blur,
        shared=(1,),
        known=given,
        weights=picked.weights,
        limits=LIMITS,
    )


def _split(
    picked: _Picked, of_mean: Steps, plain: Steps, level: Floats, known: Floats | None, view: str
) -> Steps | None:
    """Fit gap, plating, intermetallic layer, base metal; None where no level of the compound can lie between.

    ``of_mean``, ``plain``: the fits without the intermetallic layer. Where one in the mean profile explains too
    little to be told, the windows are not fitted each.
    """
    usual, least, most = REACTION[view]

    def at(share: float) -> Floats:
        return 1 + share * (level - 1) if view == "backscatter" else share * level

    if view == "backscatter" and float(np.mean(level)) < 1.02:
        return None
    mean, depths, weights = _mean(picked)
    outer, inner = plain.edges.mean(axis=0)
    starts = [
        (np.array([outer, inner - part * max(inner - outer, 0.5), inner]), plain.blur)
        for part in (0.08, 0.15, 0.25, 0.4, 0.6)
    ]

    def tried(share: float) -> Steps:
        return fit_best(mean, depths, starts, known={1: level, 2: at(share)}, weights=weights, limits=LIMITS)

    share, start = usual, tried(usual)
    # where the usual level explains next to nothing, those about it explain too little as well
    if start.cost <= 1.1 * TELLING * of_mean.cost:
        tries = [(share, start), *((one, tried(one)) for one in ((usual + least) / 2, (usual + most) / 2))]
        share, start = min(tries, key=lambda one: one[1].cost)
    if start.cost > TELLING * of_mean.cost:
        return start
    edges = np.column_stack([plain.edges[:, 0], plain.edges[:, 1] - start.thickness(2)[0], plain.edges[:, 1]])
    thin = float(np.mean(plain.thickness(1))) < SHOWN * plain.blur
    given = {1: known} if known is not None and thin else {}
    begin = np.maximum.accumulate(edges, axis=1)
    free = fit_steps(
        picked.profiles, picked.depths, begin, blur=start.blur, shared=(1, 2), known=given,
        weights=picked.weights, limits=LIMITS,
    )  # fmt: skip
    its = free.levels[0, 2]
    found = (its - 1) / np.mean(level - 1) if view == "backscatter" else its / level
    # in colour every channel must agree: a soft edge between plating and base metal shows levels on their mixing line
    plausible = bool(np.all((least <= found) & (found <= most)))
    if plausible and free.u_common(2) < 0.25 * max(float(np.mean(free.thickness(2))), 0.1):
        return free
    return fit_steps(
        picked.profiles, picked.depths, begin, blur=start.blur, shared=(1,), known={2: at(share), **given},
        weights=picked.weights, limits=LIMITS,
    )  # fmt: skip


def _two(picked: _Picked, split: Steps, level: Floats) -> Steps | None:
    """Fit gap, plating, two compounds, base metal, in backscatter; None where no second compound shows.

    The one next to the base metal must have a level of its own, between the base metal's and the first one's.
    """
    outer, first, last = split.edges.T
    tries = [
        fit_steps(
            picked.profiles, picked.depths, np.column_stack([outer, first, last - part * (last - first), last]),
            blur=split.blur, shared=(1, 2, 3), weights=picked.weights, limits=LIMITS,
        )
        for part in (0.3, 0.6)
    ]  # fmt: skip
    best = min(tries, key=lambda fit: fit.cost)
    if best.cost > TELLING * split.cost:
        return None
    shares = [float(np.mean((best.levels[0, phase] - 1) / (level - 1))) for phase in (2, 3)]
    (_, least, most), (_, inner_least, inner_most) = REACTION["backscatter"], INNER
    plausible = (
        least <= shares[0] <= most and inner_least <= shares[1] <= inner_most and shares[1] < shares[0] - 0.08
    )
    sure = all(
        best.u_common(phase) < 0.25 * float(np.mean(best.thickness(phase)))
        and float(np.mean(best.thickness(phase))) > 0.5 * best.blur
        and float(np.std(best.thickness(phase))) < UNEVEN * float(np.mean(best.thickness(phase)))
        for phase in (2, 3)
    )
    return best if plausible and sure else None


def _tells(plain: Steps, split: Steps) -> bool:
    """Whether the layer between shows: it explains much of what the plain steps leave, and is thicker than its u."""
    mean = float(np.mean(split.thickness(2)))
    u = float(np.sqrt(np.mean(split.u_thickness(2) ** 2)))
    even = float(np.std(split.thickness(2))) < UNEVEN * mean and mean > 0.5 * split.blur
    clear = even and mean > 2 * max(split.u_common(2), u / np.sqrt(len(split.edges)))
    return bool(clear and split.cost < TELLING * plain.cost)


def film_thickness(located: Located, surfaces: tuple[SurfaceLayers, ...]) -> Floats | None:
    """Return (n,) px of plating between the base metals at each station, by its integrated contrast; None without
    ``surfaces``, which tell the contrast that nothing but plating has.

    Blur moves edges but not the integral, so films thinner than the blur keep their thickness. In colour only the hue
    counts: grain shade and dark traces of the joint change all channels alike.
    """
    if not surfaces:
        return None
    apart, strip = located.apart, located.strip
    contrast = np.mean([side.level for side in surfaces], axis=0) - 1
    weight = contrast - contrast.mean() if contrast.size > 1 else contrast
    scale = float(contrast @ weight)
    if scale < 1e-4:
        return None
    reach = apart.thickness / 2 + 3 * apart.blur + 1
    # nothing farther from the line bears on the film
    most = min(math.ceil(float((reach + np.abs(apart.centre)).max())) + 15, strip.half)
    near = slice(strip.half - most, strip.half + most + 1)
    values = strip.values[near].reshape(2 * most + 1, reach.size, -1)
    off = np.abs(np.arange(-most, most + 1)[:, None] - apart.centre[None, :])
    beside = (off > reach + 1) & (off < reach + 14) & strip.seen[near]
    within = off <= reach
    count = gaussian_filter1d(beside.sum(axis=0).astype(float), 6.0, mode="nearest")
    film = np.zeros(reach.size)
    for channel, share in enumerate(weight / scale):
        total, own = (
            np.einsum("mn,mn->n", values[..., channel], rows.astype(np.float32)) for rows in (beside, within)
        )
        base = gaussian_filter1d(total.astype(float), 6.0, mode="nearest") / np.maximum(count, 1)
        film += share * (own / np.maximum(base, 1e-3) - within.sum(axis=0))
    return _with_compound(film, [side for side in surfaces if side.told], weight / scale)


def _with_compound(film: Floats, told: list[SurfaceLayers], weight: Floats) -> Floats:
    """Return a film's thickness with the intermetallic layer on both base metals counted in full, not by its weaker
    contrast; a film too thin for two such layers is compound throughout."""
    if not told:
        return np.asarray(film)
    part = float(np.mean([(side.reaction_level - 1) @ weight for side in told]))
    both = sum(float(np.mean(side.reaction)) for side in told) * 2 / len(told)
    if not 0.3 < part < 1:
        return np.asarray(film)
    return np.asarray(np.minimum(film / part, film + (1 - part) * both))
