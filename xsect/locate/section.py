"""One section located: parts, faying line, strip, stations, and how far the notches move when choices change."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from xsect.capture.micrograph import Micrograph
from xsect.locate.faying_line import FayingLine, find_faying_line
from xsect.locate.opening import REACH, Opening, read_opening
from xsect.locate.parts import Parts, find_parts, turn
from xsect.locate.plating import Plating, facing_tone, read_plating
from xsect.locate.stations import Stations, read_stations
from xsect.locate.strip import Strip, unroll
from xsect.locate.tone import project
from xsect.reasons import Refusal

VARIATIONS: tuple[tuple[int, float], ...] = ((14, 10.0), (36, 10.0), (REACH, 6.0), (REACH, 16.0))
"""Analysis choices that a careful person could make otherwise: (rows over which the metal's level is read,
opening up to which the gap's mouth takes part in a notch's fit), against the choice (REACH, 10)."""


SMOOTH = 0.008
"""Departure from a parabola, as a share of its length, under which a line is what a joint looks like."""

SOFTER = 1.2
"""Factor by which one edge of a picture may be softer than another: rounded by polishing, or out of the focal plane."""

NEAR = 90
"""Rows on either side of the line that the variations read."""


@dataclass(frozen=True)
class Located:
    """Everything found in one picture. ``apart``: distance between the base metals; ``gap``: the open part of it,
    ``surfaces``: the same read against the facing surfaces' own level, for its full height; all three are one
    where nothing is plated. ``spread``: for each segment (left, right), the standard deviation in
    stations of its notches over the variations; infinite where a variation found other segments."""

    parts: Parts
    line: FayingLine
    strip: Strip
    apart: Opening
    gap: Opening
    surfaces: Opening
    plating: Plating | None
    stations: Stations
    spread: tuple[tuple[float, float], ...]


def locate(micrograph: Micrograph, *, plated: bool) -> Located:
    """Locate the section, with the parts one above the other or side by side.

    A line that is smooth and has an open gap at both ends is taken at once; otherwise both ways are tried and the
    better line is taken.
    """
    found: list[Located] = []
    refused: list[Refusal] = []
    for turned in (False, True):
        try:
            located = _locate(micrograph, plated=plated, turned=turned)
        except Refusal as refusal:
            refused.append(refusal)
            continue
        if _plain(located):
            return located
        found.append(located)
    if not found:
        raise refused[0]
    return max(found, key=lambda one: (_ends_seen(one) + _long(one) + _near(one), -one.line.wander))


def _plain(located: Located) -> bool:
    return _ends_seen(located) == 2 and _long(located) and _near(located) and located.line.wander < SMOOTH


def _near(located: Located) -> bool:
    """Whether the line keeps to evidence, or at least close to the straight way from gap to gap."""
    return located.line.support > 0


def _long(located: Located) -> bool:
    """Whether the line runs along at least half of the picture, as a joint between two parts does."""
    return bool(len(located.line.points) > 0.5 * located.parts.step * located.parts.metal.shape[1])


def _ends_seen(located: Located) -> int:
    """Number of ends of the line at which a gap opens beside the bond, or at which there is no bond at all."""
    segments = located.stations.segments
    if not segments:
        return sum(located.line.gap_seen)
    return segments[0].left.seen + segments[-1].right.seen


def _locate(micrograph: Micrograph, *, plated: bool, turned: bool) -> Located:
    parts = find_parts(micrograph, turned=turned, plated=plated)
    line = find_faying_line(parts)
    half = int(np.clip(line.opening.max() / 2 + (96 if plated else 56), 72, 400))
    marks = micrograph.burned_in
    strip = unroll(
        turn(micrograph.pixels, turned), line.points, half, marks.T if turned and marks is not None else marks
    )
    tone = strip.values if parts.weights is None else project(strip.values, parts.weights)
    gap = read_opening(tone, line.opening, strip.seen, dark=parts.mount_tone, texture=parts.texture)
    plating = (
        read_plating(strip.values, tone, line.opening, strip.seen, gap.blur, dark=parts.mount_tone)
        if plated
        else None
    )
    apart = surfaces = gap
    if plating is not None:
        tone = plating.as_gap
        read = partial(read_opening, seen=strip.seen, dark=0.0, texture=parts.texture)
        # noise makes the plating's painted edges look softer than any edge of the picture is
        softest = SOFTER * max(parts.edge_blur, gap.blur) + 0.3
        apart = read(tone, line.opening, gain=plating.gain, softest=softest)
        gap = read(plating.as_base, line.opening, begin=gap, passes=1)
        surfaces = read(facing_tone(plating, gap), gap.thickness, begin=gap, passes=1)
    share = None if plating is None else plating.share
    stations = read_stations(apart, gap, line.points, share=share)
    dark = parts.mount_tone if plating is None else 0.0
    spread = _spread(stations, tone, apart, gap, line, strip, dark, parts.texture)
    return Located(parts, line, strip, apart, gap, surfaces, plating, stations, spread)


def _spread(
    stations: Stations,
    tone: NDArray[np.float32],
    apart: Opening,
    gap: Opening,
    line: FayingLine,
    strip: Strip,
    dark: float,
    texture: float,
) -> tuple[tuple[float, float], ...]:
    placed = []
    # far from the line nothing bears on a notch, and four readings of it would cost most of the time
    cut = max(0, strip.half - NEAR)
    near = slice(cut, tone.shape[0] - cut)
    for rows, mouth in VARIATIONS:
        opening = apart
        if rows != REACH:
            opening = read_opening(
                tone[near],
                line.opening,
                strip.seen[near],
                dark=dark,
                texture=texture,
                reach=rows,
                begin=apart,
                passes=0,
                gain=apart.gain,
            )
        varied = read_stations(opening, gap, line.points, reach=mouth)
        if len(varied.segments) != len(stations.segments):
            return tuple((np.inf, np.inf) for _ in stations.segments)
        placed.append([(one.left.station, one.right.station) for one in varied.segments])
    base = np.array([(one.left.station, one.right.station) for one in stations.segments])
    if base.size == 0:
        return ()
    off = np.sqrt(np.mean((np.array(placed) - base) ** 2, axis=0))
    return tuple((float(left), float(right)) for left, right in off)
