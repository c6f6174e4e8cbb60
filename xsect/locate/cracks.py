"""Cracks: thin dark tortuous ridges in the joint's metal that stand out from its grain boundaries and scratches."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.locate.crack_chains import SHORTEST, limits_of, long_chains
from xsect.locate.crack_lines import (
    centre_lines,
    is_straight,
    length,
    skeleton,
    straight_share,
    without_scratch_runs,
    without_scratches,
)
from xsect.locate.flaw_ground import Ground, Mask, Places
from xsect.locate.ridge_map import (
    HALF,
    near_spread,
    ridge_strength,
    smoothed_darkness,
    strength_along,
    texture_strength,
)
from xsect.locate.tone import Floats

SHORTEST_PIECE = 12.0
"""Length in px of the shortest branch."""

LEAST_METAL = 400
"""Px of metal under which nothing is looked at."""

ALIKE, BLACK = 3, 0.5
"""Number of cracks in uneven metal from which they are doubted, and the contrast that is beyond doubt."""

NARROWEST = 0.3
"""Least width in px, as if fully dark, of a crack: less is a bend of the metal's own shading."""

WIDEST = 6.0
"""Width in px, the blur's own left out, above which a dark band is no crack: a grain, a stain, a fold."""

TEXTURED = 0.045
"""Spread of the metal's darkness from which it is taken for etched."""

UNEVEN, DARKER = 0.1, 1.8
"""Spread of the metal's darkness from which cracks hide among boundaries as sharp as they are, and by how many
spreads they are darker than the metal is on average."""

FAINTEST = 0.08
"""Contrast that a ridge must reach whatever the metal is like, as a share of the way to the mount."""

STANDS_OUT = 2.5
"""Spreads of the metal's darkness, as large as it is at large or a few px apart, whichever is less, that a crack's
contrast must exceed."""

STANDS_OUT_DARK, LEAST_DARK = 1.9, 0.4
"""Spreads of the metal's darkness that a crack's contrast must exceed where it is darker than most besides, and least
contrast of such a one."""

KEEN, KEEN_DARK, KEEN_LINKED = 1.5, 1.2, 0.9
"""How many times sharper than nearly all of the metal's own ridges a crack is, one darker than the grains differ, and
one linked of dark pieces (between what cracks and what boundaries show on drawn sections of both looks)."""

ALONE = 2.2
"""The same from which a chain is looked at whatever its length, and a part of what wanders is a crack by itself."""

SHARP = 0.38
"""Ridge strength of a fine line to its contrast (median of drawn cracks)."""

ASKEW = 0.5
"""Share of a ridge's contrast by which the metal to its two sides may differ: more is the edge of a dark grain."""

FAINTER = 0.5
"""Share of its trunk's contrast under which a branch is a boundary that a crack crosses."""

LOST = 0.5
"""Share of the length found that such a crack may run on unseen, as a standard uncertainty."""

END_PX = 2.0
"""How far a centre line ends before the crack's tip: half of the ridge's own width."""

TRUNK, DIRECT = 0.68, 0.6
"""Share of its trunk in all of a crack's branches, and of the way between its ends in its trunk's length, under which
it follows the boundaries of grains."""

PLAINER = 1.5
"""How many times darker than what wanders a part of it must be to be a crack by itself."""

SCRATCHED = 0.65
"""Share of a trunk in straight runs above which it is scratches that meet, or an even line of the metal."""


@dataclass(frozen=True)
class Texture:
    """What the metal's own structure is like: ``strength`` (rows, columns) of ridges on the half-size copy, what the
    texture's own stay under (``common``), the contrast that a crack must exceed (``least``) not to be hidden, and that
    from which it need not be as sharp (``plain``)."""

    strength: Floats
    common: float
    least: float
    plain: float

    @property
    def faintest(self) -> float:
        """Contrast under which a crack would not be seen."""
        dark = max(self.plain, KEEN_DARK * self.common / SHARP)
        return max(self.least, min(dark, KEEN * self.common / SHARP))


@dataclass(frozen=True)
class Ridge:
    """One crack: centre lines ``paths`` of (x, y), px of the turned picture, the trunk first and then branches.

    ``length`` and ``u_length`` in px; ``width`` in px as if it were as dark as the mount throughout; ``contrast``:
    median darkness against the metal beside it. ``keen``: median sharpness against that of nearly all the metal's own
    ridges. ``wanders``: it runs about among the grains of etched metal as
    boundaries do. ``ends``: (2, 2) the trunk's two ends.
    """

    paths: tuple[Places, ...]
    length: float
    u_length: float
    width: float
    contrast: float
    keen: float = 0.0
    wanders: bool = False

    @property
    def ends(self) -> Places:
        """The trunk's two ends."""
        return np.array([self.paths[0][0], self.paths[0][-1]])


def find_cracks(ground: Ground, dark: Mask) -> tuple[tuple[Ridge, ...], float]:
    """Return the cracks in the ground's metal off the bonded line, longest first, and the contrast that one must
    exceed to be seen. ``dark``: voids, left out."""
    looked = ground.metal & ~ground.bond
    if looked.sum() < LEAST_METAL:
        return (), 1.0
    smooth = smoothed_darkness(ground.darkness)
    strength = ridge_strength(smooth)
    least = max(FAINTEST, STANDS_OUT * min(ground.spread, near_spread(ground, looked)))
    free = looked & ~cv2.dilate(dark.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    looked, free = (np.ascontiguousarray(mask[::HALF, ::HALF]) for mask in (looked, free))
    taken, astray = np.zeros(looked.shape, bool), np.zeros(looked.shape, np.float32)
    found: list[Ridge] = []
    textured = ground.spread > TEXTURED
    limits = limits_of(strength, looked)
    plain = STANDS_OUT * ground.spread if textured else 1.0
    texture = Texture(strength, texture_strength(strength, looked), least, plain)

    def follow(limit: Floats, among: Mask, *, linked: bool) -> None:
        sharp = np.inf if linked else ALONE * texture.common
        labels, stats, chosen = long_chains(
            strength, limit, among, taken, textured=textured, linked=linked, sharp=sharp
        )
        for label in chosen:
            x, y, width, height = stats[label, :4]
            part = np.s_[y : y + height, x : x + width]
            own = labels[part] == label
            if not linked and np.quantile(strength[part][own], 0.75) < KEEN_DARK * texture.common:
                continue
            crack = _trace(ground, texture, labels, stats[label], label, linked=linked)
            if crack is None:
                continue
            doubtful = crack.wanders or crack.keen < ALONE
            if doubtful and crack.contrast < PLAINER * float(astray[part][own].max()):
                continue
            found.append(crack)
            if crack.wanders:
                # boundaries may have been followed together with a crack, which is darker
                astray[part][own] = crack.contrast
            else:
                taken[part] |= own

    # from the faintest ridges up: what is followed to its faint ends already is not looked at again
    for limit in limits[1:]:
        follow(limit, free, linked=False)
    if ground.spread > UNEVEN:
        # a boundary stands out from the grains beside it; a crack is also darker than the metal is at large
        level, spread = cv2.meanStdDev(smooth, mask=looked.view(np.uint8))
        black = free & (smooth > np.float32(level[0, 0] + DARKER * spread[0, 0]))
        follow(limits[0], black, linked=True)
    if ground.spread > TEXTURED / 2 and len(found) > ALIKE:
        # where so many stand out they are the metal's own structure, and only what is plainly black is a crack
        found = [one for one in found if one.contrast > BLACK and one.keen > KEEN]
    found = [one for one in found if not one.wanders]
    return tuple(sorted(found, key=lambda one: -one.length)), texture.faintest


def _trace(
    ground: Ground,
    texture: Texture,
    labels: NDArray[np.int32],
    stats: NDArray[np.int32],
    label: int,
    *,
    linked: bool,
) -> Ridge | None:
    """Follow one ridge's centre lines; None where it is a scratch, a network, or too short or faint."""
    x, y, width, height = (int(value) for value in stats[:4])
    box = slice(y, y + height), slice(x, x + width)
    piece = np.pad((labels[box] == label).astype(np.float32), 1)
    # smooth edges: a staircase has no straight run by which to tell a scratch
    own = np.asarray(cv2.resize(piece, None, fx=HALF, fy=HALF, interpolation=cv2.INTER_LINEAR) > 0.5)
    x, y, width, height = HALF * x, HALF * y, HALF * width, HALF * height
    bones = skeleton(own)
    if bones.sum() > 2.5 * np.hypot(width, height):
        return None
    bones = without_scratches(bones)
    pieces = centre_lines(bones, shortest=SHORTEST_PIECE)
    pieces = [piece for piece in pieces if not is_straight(piece)]
    if not pieces:
        return None
    shift = np.array([x - HALF - 0.5, y - HALF - 0.5])
    lines = [piece + shift for piece in pieces]
    if length(lines[0]) < SHORTEST:
        return None
    least = max(LEAST_DARK, STANDS_OUT_DARK * ground.spread) if linked else texture.least
    read = _read(ground, texture, lines[0])
    if _hidden(read, least, texture, linked=linked):
        return None
    if not linked:
        lines = [without_scratch_runs(texture.strength, line) for line in lines]
        lines = [
            line
            for line in lines
            if len(line) > 1 and length(line) > SHORTEST_PIECE and not is_straight(line)
        ]
        lines.sort(key=length, reverse=True)
        if not lines or length(lines[0]) < SHORTEST:
            return None
        read = _read(ground, texture, lines[0])
        if _hidden(read, least, texture, linked=linked):
            return None
    contrast, across, step, keen = read
    if across < NARROWEST or step > ASKEW * contrast:
        return None
    if contrast < BLACK and straight_share(lines[0]) > SCRATCHED:
        return None
    if len(lines) > 1:
        # what is much fainter than the trunk is a boundary that the crack crosses, and no branch
        kept = [i == 0 or _profile(ground, line)[0] > FAINTER * contrast for i, line in enumerate(lines)]
        lines = [line for line, keep in zip(lines, kept, strict=True) if keep]
    lengths = [length(line) for line in lines]
    if across > (WIDEST + 2.5 * ground.blur) * contrast:
        return None
    wanders = ground.spread > TEXTURED and _wanders(lines, lengths, contrast)
    total = sum(lengths) + 2 * END_PX
    # an end fades in the noise and faint stretches are lost (learned on drawn sections)
    u = float(np.hypot(3.0 * np.sqrt(2 * len(lines)), (LOST if linked else 0.08) * total))
    return Ridge(tuple(ground.place(line) for line in lines), total, u, across, contrast, keen, wanders)


def _read(ground: Ground, texture: Texture, line: Places) -> tuple[float, float, float, float]:
    """Return (contrast, width, difference of both sides, sharpness against the texture's own ridges) of a trunk."""
    keen = float(np.median(strength_along(texture.strength, line))) / texture.common
    return *_profile(ground, line), keen


def _hidden(read: tuple[float, float, float, float], least: float, texture: Texture, *, linked: bool) -> bool:
    """Whether a trunk is no darker, or no sharper, than the metal's own structure may be."""
    contrast, _, _, keen = read
    sharp = KEEN_LINKED if linked else KEEN_DARK if contrast > texture.plain else KEEN
    return contrast < least or keen < sharp


def _wanders(lines: list[Places], lengths: list[float], contrast: float) -> bool:
    """Whether centre lines run about among grains as boundaries do: many branches, or a trunk that leads nowhere."""
    trunk = lines[0]
    if len(lines) > 2 and lengths[0] < TRUNK * sum(lengths):
        return True
    return contrast < BLACK and float(np.hypot(*(trunk[-1] - trunk[0]))) < DIRECT * lengths[0]


def _profile(ground: Ground, line: Places) -> tuple[float, float, float]:
    """Return (median contrast, width in px as if fully dark, difference of both sides) of a ridge from its profiles
    across."""
    step = np.gradient(gaussian_filter1d(line, 2.0, axis=0, mode="nearest"), axis=0)
    size = np.maximum(np.hypot(*step.T), 1e-6)[:, None]
    normal = np.stack([-step[:, 1], step[:, 0]], axis=1) / size
    reach = 3.0 * ground.blur + 5.0
    off = np.arange(-reach, reach + 0.5, 0.5)
    at = line[:, None, :] + off[None, :, None] * normal[:, None, :]
    values = cv2.remap(
        ground.darkness, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    profile = np.median(values, axis=0)
    beside = float(np.median(profile[np.abs(off) > 0.75 * reach]))
    lifted = profile - beside
    far = 0.75 * reach
    step = abs(float(np.median(profile[off > far])) - float(np.median(profile[off < -far])))
    return float(lifted[np.abs(off) <= 1.0].max()), float(max(lifted.sum() * 0.5, 0.0)), step
