"""Stations: the state of each column of the strip, the bond segments and their notches."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d
from scipy.special import erf

from xsect.locate.contacts import Contact, find_contacts, runs
from xsect.locate.notch import fit_hinge
from xsect.locate.opening import RESOLVED, Opening
from xsect.locate.view import FILLED, JOINED, OPEN, PLATING, UNKNOWN

CLOSED_AT_MOST = 2.5
"""Opening in px from which a station is open whatever the bond's own level is."""


LENIENCE = 2.0
"""Factor by which careful people's ideas may differ of how far above the closed level an open station must read."""

SMALL_SHARE = 0.05
"""Share of the line under which a contact that is no longer than its uncertainty is dust in the gap."""

STEADY = 80
"""Stations over which the roughness of the two surfaces averages out."""

SHORTEST_MOUTH = 15
"""Fewest stations beside a bond that can show a gap opening."""

MOUTH_SHARE = 0.03
"""Share of the line that the gap beside the outermost notch takes up at least."""

NOISE_SHARE = 0.1
"""Share of a mouth's rise above which what looks like noise may be its own blunt end."""

DARK_GAP = 0.85
"""Darkness that a gap wide enough to show its own level reaches at its darkest."""

LEVEL_RANK = 0.75
"""Rank among a mouth's openings of what it opens to."""

LOWEST_MOUTH = 2.0
"""Opening in px that a gap beside a bond must reach to be one."""


@dataclass(frozen=True)
class Notch:
    """End of a bond segment: ``station`` (fractional), standard uncertainty ``u`` of the fit in stations.

    ``seen`` is False where no gap opens on that side and the segment just ends with the line. ``first_px``:
    stations over which the gap opens by its first px. ``bent``: share of the mouth's rise that is curved.
    """

    station: float
    u: float
    seen: bool
    first_px: float = 0.0
    bent: float = 0.0


@dataclass(frozen=True)
class Segment:
    """One bond segment between two notches."""

    left: Notch
    right: Notch


@dataclass(frozen=True)
class Stations:
    """``states``: (n,) indices into view.STATES; ``opening``: (n,) px of open gap; ``apart``: (n,) px between
    the base metals, plating and gap together; ``layer``: (n,) px of plating; ``arc``: (n,) px along the line.

    ``closed_level``: opening in px that the closed stations show (0 for an invisible line). ``doubtful``: (n,) where
    a somewhat lower or higher threshold would tell another state.
    """

    states: NDArray[np.int8]
    opening: NDArray[np.float64]
    apart: NDArray[np.float64]
    layer: NDArray[np.float64]
    arc: NDArray[np.float64]
    segments: tuple[Segment, ...]
    closed_level: float
    doubtful: NDArray[np.bool_]


def read_stations(
    apart: Opening,
    gap: Opening,
    points: NDArray[np.float64],
    *,
    share: NDArray[np.float32] | None = None,
    reach: float = 10.0,
) -> Stations:
    """Tell joined stations from open, plated and filled ones, group them into segments and fit the notches.

    ``apart``: distance between the base metals; ``gap``: its open part (the same object where nothing is plated).
    ``reach``: distance in px up to which the mouth beside a notch takes part in its fit.
    """
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    # plating that was painted as gap is as dark as its hue was full, which says nothing of it
    dark_gap = DARK_GAP if gap is apart else 0.0
    closed_level, threshold = _closed(gaussian_filter1d(apart.thickness, 1.0, mode="nearest"), apart.floor)
    parted = _is_apart(apart, threshold, dark_gap)
    is_open = parted
    if gap is not apart:
        _, gap_threshold = _closed(gaussian_filter1d(gap.thickness, 1.0, mode="nearest"), gap.floor)
        is_open = parted & _is_apart(gap, gap_threshold, DARK_GAP)
    contacts = find_contacts(
        parted | ~apart.seen,
        apart.thickness,
        gap.thickness,
        shortest=max(12.0, 6 * apart.blur, 0.008 * arc.size),
    )
    segments = tuple(
        segment
        for contact in contacts
        if _is_bond(segment := _segment(contact, contacts, apart, closed_level, reach), parted, is_open)
    )
    states = np.where(is_open, OPEN, FILLED).astype(np.int8)
    for segment in segments:
        inside = slice(int(np.ceil(segment.left.station)), int(segment.right.station) + 1)
        states[inside] = np.where(parted[inside], np.where(is_open[inside], OPEN, PLATING), JOINED)
    states[~apart.seen] = UNKNOWN
    layer = np.zeros(arc.size) if share is None else _layer(share, apart)
    above = threshold - closed_level
    lenient, strict = (
        _is_apart(apart, closed_level + above * by, dark_gap) for by in (1 / LENIENCE, LENIENCE)
    )
    return Stations(
        states, gap.thickness, apart.thickness, layer, arc, segments, closed_level, lenient != strict
    )


def _layer(share: NDArray[np.float32], apart: Opening) -> NDArray[np.float64]:
    """Return the plating's thickness in px at each station: its share integrated between the base metals."""
    half = share.shape[0] // 2
    off = np.abs(np.arange(-half, half + 1)[:, None] - apart.centre[None, :])
    reach = maximum_filter1d(apart.thickness, 9) / 2 + 3 * apart.blur + 1
    return np.asarray(np.where(off <= reach, share, 0).sum(axis=0, dtype=np.float64))


def _is_apart(opening: Opening, threshold: float, dark_gap: float) -> NDArray[np.bool_]:
    smooth = gaussian_filter1d(opening.thickness, 1.0, mode="nearest")
    return _without_short((smooth > threshold) & _dark_enough(opening, dark_gap), 2.5 * opening.blur + 1)


def _is_bond(segment: Segment, parted: NDArray[np.bool_], is_open: NDArray[np.bool_]) -> bool:
    """Whether what lies between two fitted notches is a bond and not a bridge in a thin gap.

    At least half of it must be closed, be it by residual plating, and a tenth joined.
    """
    inside = slice(max(math.ceil(segment.left.station), 0), math.floor(segment.right.station) + 1)
    length = inside.stop - inside.start
    doubtful = length < 3 * math.hypot(segment.left.u, segment.right.u)
    if length < 4 or (doubtful and length < SMALL_SHARE * parted.size):
        return False
    return float(is_open[inside].mean()) < 0.5 and float(parted[inside].mean()) < 0.9


def _closed(thickness: NDArray[np.float64], floor: float) -> tuple[float, float]:
    """Return (level, threshold): the opening that closed stations show, and from where a station is open."""
    low = thickness[thickness < CLOSED_AT_MOST + floor]
    if low.size < 10:
        return floor, max(1.5 * floor + 0.3, 0.8)
    # from the quieter part, so that many slim voids do not raise what counts as closed
    quiet, level = (float(value) for value in np.quantile(low, (0.1, 0.4)))
    threshold = level + 4 * (level - quiet) + 0.2
    return level, float(np.clip(threshold, max(1.5 * floor + 0.3, 0.8), 1.5 * floor + CLOSED_AT_MOST))


def _dark_enough(opening: Opening, dark_gap: float) -> NDArray[np.bool_]:
    """Whether the darkest point is as dark as a gap of that opening must be: a dark grain is wide but not black.

    ``dark_gap``: what a resolved gap must reach.
    """
    m = opening.darkness.shape[0]
    near = opening.darkness[m // 2 - 12 : m // 2 + 13] if m > 25 else opening.darkness
    darkest = gaussian_filter1d(near.max(axis=0).astype(np.float64), 2.0, mode="nearest")
    expected = np.minimum(opening.gain * erf(opening.thickness / (2 * np.sqrt(2) * opening.blur)), 1)
    return np.asarray(darkest > np.where(opening.thickness > RESOLVED, dark_gap, 0.7 * expected))


def _without_short(flags: NDArray[np.bool_], shortest: float) -> NDArray[np.bool_]:
    out = flags.copy()
    for first, last in runs(flags):
        if last - first + 1 < shortest and first > 0 and last < flags.size - 1:
            out[first : last + 1] = False
    return out


def _segment(
    contact: Contact, contacts: tuple[Contact, ...], opening: Opening, closed_level: float, reach: float
) -> Segment:
    """Fit both notches of a contact, each with the mouth up to half-way to the next contact."""
    index = contacts.index(contact)
    start, stop = 0, opening.thickness.size - 1
    if index:
        start = (contacts[index - 1].last + contact.first) // 2
    if index + 1 < len(contacts):
        stop = (contact.last + contacts[index + 1].first) // 2
    length = contact.last - contact.first
    left = _notch(opening, contact.first, start, length // 2, closed_level, reach)
    right = _notch(opening, contact.last, stop, length // 2, closed_level, reach)
    return Segment(left, right)


def _notch(opening: Opening, edge: int, end: int, inside: int, closed_level: float, reach: float) -> Notch:
    """Fit one notch near ``edge``, the outermost joined station, with stations out to ``end`` and ``inside`` it."""
    sign = 1 if end >= edge else -1
    outward = opening.thickness[edge + sign * np.arange(abs(end - edge) + 1)][:600]
    smooth = gaussian_filter1d(outward, 2.0, mode="nearest")
    # a line that leaves a single part through its outer face shows a little mount at its end as well
    last = end in (0, opening.thickness.size - 1)
    shortest = max(SHORTEST_MOUTH, MOUTH_SHARE * opening.thickness.size * last)
    if outward.size < shortest or smooth.max() < closed_level + LOWEST_MOUTH:
        return Notch(float(edge), float(SHORTEST_MOUTH), False)
    # not the most: where a part ends the gap flares up
    height = float(np.quantile(smooth, LEVEL_RANK)) - closed_level
    rough = float(np.std((outward - smooth)[: max(SHORTEST_MOUTH, int(np.argmax(smooth)))]))
    # the quieter the data, the nearer to the notch the rise is read, where its shape matters least; and only the
    # rising mouth: on the level gap behind it a straight-plus-curved rise has no business
    near = np.clip(3 * opening.floor + 25 * rough, 0.35 * reach, reach)
    most = closed_level + min(max(reach, 2 * opening.blur), 0.65 * height)
    least = min(closed_level + max(float(near), 2 * opening.blur), most)
    past_most, past_least = (int(np.flatnonzero(smooth > limit)[0]) + 1 for limit in (most, least))
    outside = int(np.clip(max(past_least, min(past_most, STEADY)), 8, min(500, outward.size)))
    limit = float(smooth[outside - 1])
    inside = min(inside, max(40, outside), 300)
    distance = np.arange(-inside, outside, dtype=np.float64)
    values = opening.thickness[edge + sign * np.arange(-inside, outside)]
    noise, correlation = _noise(values - gaussian_filter1d(values, 8.0, mode="nearest"), distance)
    if noise > NOISE_SHARE * (limit - closed_level):
        # across a blunt end no smooth course follows the data, and what it misses is no noise
        noise, correlation = _noise(_about_each_side(values, distance), distance)
    floor = max(opening.floor, closed_level) + noise
    # below the closed level the mouth is followed back at most twice as far as it took to rise from it to the limit,
    # or as far as a mouth that opens along a tangent needs
    root = math.sqrt(floor)
    straight = 2.0 * floor / max(limit - floor, 0.5) * outside + 12
    tangent = root / max(math.sqrt(max(limit, 0.0)) - root, 0.5) * outside + 4
    earliest = -max(straight, tangent)
    fit = fit_hinge(
        distance,
        values,
        noise=noise,
        floor=floor,
        correlation=correlation,
        earliest=earliest,
        blur=opening.along,
    )
    if fit is None:
        return Notch(float(edge), float(inside), True)
    return Notch(edge + sign * fit.position, fit.u, True, fit.first_px, fit.bent)


def _about_each_side(values: NDArray[np.float64], distance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return openings (n,) about the smooth course of the bond, and about that of the mouth, each by itself."""
    closed, mouth = values[distance <= 0], values[distance > 0]
    x = np.linspace(-1, 1, mouth.size)
    course = np.polynomial.Polynomial.fit(x, mouth, min(3, max(mouth.size // 4 - 1, 0)))(x)
    return np.concatenate([closed - gaussian_filter1d(closed, 8.0, mode="nearest"), mouth - course])


def _noise(rough: NDArray[np.float64], distance: NDArray[np.float64]) -> tuple[float, float]:
    """Return (standard deviation, correlated neighbours) of openings, given (n,) about their smooth course."""
    noise = max(
        1.4826 * float(np.median(np.abs(rough[distance > 0]))) if (distance > 0).sum() > 8 else 0.0,
        float(np.std(rough)) / 3,
        0.05,
    )
    centred = rough - rough.mean()
    power = float(centred @ centred)
    if power <= 0:
        return noise, 1.0
    lags = [float(centred[:-k] @ centred[k:]) / power for k in range(1, min(12, centred.size - 1))]
    total = 0.0
    for value in lags:
        if value <= 0.05:
            break
        total += value
    return noise, 1 + 2 * total
