"""Cracks: thin dark tortuous ridges in the joint's metal that stand out from its grain boundaries and scratches."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.locate.flaw_ground import Ground, Mask, Places
from xsect.locate.tone import Floats, blurred

RIDGE = 1.6
"""Standard deviation in px of the ridge filter: between a crack of 1 px and one of 5 px under usual blur."""

HALF = 2
"""Px to a px of the copy on which ridges are looked for: what the filter smooths needs no more."""

SMOOTH = 1.03
"""Standard deviation in px of the blur before the copy is taken: the copy's own differences smooth the rest."""

SHORTEST = 40.0
"""Length in px from which a dark ridge is a crack: shorter ones are comet tails, twins and bits of boundaries."""

FAINTEST = 0.08
"""Contrast that a ridge must reach whatever the metal is like, as a share of the way to the mount."""

THIN = 2
"""Step in px of the copy between places at which the texture is read."""

ABOUT = 161
"""Side in px of the square over which the texture's own ridges are gathered."""

LEVELS = (1.6, 2.2, 3.2, 4.5)
"""Spreads above the texture's own ridges at which chains of dark ridges are looked at."""

LINKED_LEVEL = 1.4
"""The same where only what is dark besides is looked at, and its pieces are linked."""

LEAST = 0.035
"""Ridge strength below which nothing is looked at."""

TAIL = (2.0, 0.55)
"""End of the tail of n chains' weights, in their mean: the first plus the second times ln n (learned on drawn
sections without cracks)."""

LINKED_TAIL = (1.2, 0.65)
"""The same of the extents of dark, linked chains in uneven metal."""

LINK = 8.0
"""Extent in px under which a dark ridge in etched metal is a speck, and about how far apart pieces of one crack lie."""

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

STANDS_OUT, STANDS_OUT_DARK = 2.5, 1.9
"""Spreads of the metal's darkness that a crack's contrast must exceed, and where it is darker than most besides."""

LOST = 0.5
"""Share of the length found that such a crack may run on unseen, as a standard uncertainty."""

NET = 12.0
"""Dark px to a px of extent above which dark ridges are a network and no crack."""

FEW = 30
"""Number of chains up to which the metal has no texture of its own that could make long ones."""

SPECK = 6.0
"""Extent in px up to which a dark ridge is a pit and no chain."""

SLIM, OWN_WIDTH = 0.02, 0.9
"""A chain is straight whose pixels spread across it by less than this share of their spread along it, a ridge's own
half width in px taken off."""

ONE_WAY, CROOKED = 0.85, 0.4
"""Share of a skeleton's pixels from which its longest way is all there is, and least share of it outside straight
runs for it to be no row of scratches."""

END_PX = 2.0
"""How far a centre line ends before the crack's tip: half of the ridge's own width."""

TRUNK, DIRECT = 0.68, 0.6
"""Share of its trunk in all of a crack's branches, and of the way between its ends in its trunk's length, under which
it follows the boundaries of grains."""

PLAINER = 1.5
"""How many times darker than what wanders a part of it must be to be a crack by itself."""

STRAIGHT_RUN = 40.0
"""Length in px from which a straight run of dark pixels is a scratch, even where a crack crosses it."""

SCRATCHED = 0.65
"""Share of a trunk in straight runs above which it is scratches that meet, or an even line of the metal."""

STRAIGHT_PX, STRAIGHT_SHARE = 1.3, 0.012
"""A ridge that leaves its chord by less than this (px and share of its length) is a scratch."""


@dataclass(frozen=True)
class Ridge:
    """One crack: centre lines ``paths`` of (x, y), px of the turned picture, the trunk first and then branches.

    ``length`` and ``u_length`` in px; ``width`` in px as if it were as dark as the mount throughout; ``contrast``:
    median darkness against the metal beside it. ``wanders``: it runs about among the grains of etched metal as
    boundaries do. ``ends``: (2, 2) the trunk's two ends.
    """

    paths: tuple[Places, ...]
    length: float
    u_length: float
    width: float
    contrast: float
    wanders: bool = False

    @property
    def ends(self) -> Places:
        """The trunk's two ends."""
        return np.array([self.paths[0][0], self.paths[0][-1]])


def faintest(ground: Ground) -> float:
    """Return the contrast that a crack must exceed in this metal."""
    return max(FAINTEST, STANDS_OUT * ground.spread)


def find_cracks(ground: Ground, dark: Mask) -> tuple[Ridge, ...]:
    """Return the cracks in the ground's metal off the bonded line, longest first. ``dark``: voids, left out."""
    looked = ground.metal & ~ground.bond
    if looked.sum() < 400:
        return ()
    smooth = smoothed_darkness(ground.darkness)
    strength = ridge_strength(smooth)
    free = looked & ~cv2.dilate(dark.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    looked, free = (np.ascontiguousarray(mask[::HALF, ::HALF]) for mask in (looked, free))
    taken, astray = np.zeros(looked.shape, bool), np.zeros(looked.shape, np.float32)
    found: list[Ridge] = []
    textured = ground.spread > TEXTURED
    limits = _limits(strength, looked)

    def follow(limit: Floats, among: Mask, *, linked: bool) -> None:
        labels, stats, chosen = _long_chains(strength, limit, among, taken, textured=textured, linked=linked)
        for label in chosen:
            crack = _trace(ground, labels, stats[label], label, linked=linked)
            x, y, width, height = stats[label, :4]
            part = np.s_[y : y + height, x : x + width]
            own = labels[part] == label
            if crack is None or crack.contrast < PLAINER * float(astray[part][own].max()):
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
        found = [one for one in found if one.contrast > BLACK]
    found = [one for one in found if not one.wanders]
    return tuple(sorted(found, key=lambda one: -one.length))


def _long_chains(
    strength: Floats, limit: Floats, free: Mask, taken: Mask, *, textured: bool, linked: bool
) -> tuple[NDArray[np.int32], NDArray[np.int32], list[int]]:
    """Return (labels, statistics, chosen): the chains longer and darker than chance makes them out of the texture.

    Chains of boundaries that happen to be dark have weights (extent times the root of what they exceed the limit
    by) with a steep tail, whatever the grain size; a crack's weight lies beyond the end of the tail. Scratches are
    not of that kind. ``linked``: of what is dark besides, pieces are joined and weighed by their extent alone.
    """
    over = cv2.compare(strength, limit, cv2.CMP_GT)
    candidates = np.asarray(cv2.bitwise_and(over, free.view(np.uint8)), np.uint8)
    if linked:
        candidates = _linked(candidates)
    count, found, sizes, _ = cv2.connectedComponentsWithStats(candidates, connectivity=8)
    labels, stats = np.asarray(found, dtype=np.int32), np.asarray(sizes, dtype=np.int32)
    extent = HALF * np.hypot(stats[:, 2], stats[:, 3])
    extent[0] = 0.0
    place = np.flatnonzero(candidates)
    rows, columns = np.divmod(place, strength.shape[1])
    at = labels.ravel()[place]
    excess = np.bincount(at, strength.ravel()[place] / limit.ravel()[place] - 1, count)
    weight = extent if linked else extent * np.sqrt(excess / np.maximum(stats[:, 4], 1))
    straight = _slimness(at, rows, columns, count) < SLIM
    chains = np.sort(weight[(extent > SPECK) & ~straight])
    end = 0.0
    if chains.size > FEW or (textured and chains.size > 4):
        many = chains.size > FEW or linked
        common = float(chains[: int(0.98 * chains.size)].mean() if many else 1.5 * np.median(chains))
        tail = LINKED_TAIL if linked else TAIL
        end = common * (tail[0] + tail[1] * np.log(chains.size))
    net = HALF**2 * stats[:, 4] > NET * extent
    chosen = np.flatnonzero((extent > 0.75 * SHORTEST) & (weight > end) & ~straight & ~net).tolist()
    before = set(np.unique(labels[taken]).tolist())
    return labels, stats, [label for label in chosen if label not in before]


def _linked(candidates: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the dark ridges without specks, those a few px apart joined: light grains interrupt a crack."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(candidates, connectivity=8)
    kept = HALF * np.hypot(stats[:, 2], stats[:, 3]) > LINK
    kept[0] = False
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (int(LINK) // HALF * 2 - 1,) * 2)
    return np.asarray(cv2.morphologyEx(kept[labels].astype(np.uint8), cv2.MORPH_CLOSE, disc), np.uint8)


def _slimness(
    at: NDArray[np.int32], rows: NDArray[np.intp], columns: NDArray[np.intp], count: int
) -> NDArray[np.float64]:
    """Return the spread across each piece's main direction as a share of that along it; ``at``: labels of its px."""
    size = np.maximum(np.bincount(at, minlength=count), 1)
    x, y = (np.bincount(at, axis, count) / size for axis in (columns, rows))
    dx, dy = columns - x[at], rows - y[at]
    xx, yy, xy = (np.bincount(at, one, count) / size for one in (dx * dx, dy * dy, dx * dy))
    half = np.hypot((xx - yy) / 2, xy)
    mean = (xx + yy) / 2
    across = np.sqrt(np.maximum(mean - half, 0))
    return np.asarray(np.clip(across - OWN_WIDTH / HALF, 0, None) / np.maximum(np.sqrt(mean + half), 1e-6))


def smoothed_darkness(darkness: Floats) -> Floats:
    """Return each HALF-th pixel of the blurred darkness."""
    return np.ascontiguousarray(blurred(darkness, SMOOTH)[::HALF, ::HALF])


def ridge_strength(smooth: Floats) -> Floats:
    """Return how much darker each pixel of the smoothed copy is than the metal to both sides, across its darkest
    direction.

    The larger curvature, scaled so that a fine line reads the same at any filter width.
    """
    scale = (RIDGE / HALF) ** 2 / 4
    xx, yy, xy = (
        cv2.Sobel(smooth, cv2.CV_32F, *order, ksize=3, scale=scale) for order in ((2, 0), (0, 2), (1, 1))
    )
    mean, half = cv2.addWeighted(xx, 0.5, yy, 0.5, 0), cv2.addWeighted(xx, 0.5, yy, -0.5, 0)
    return np.asarray(
        np.maximum(cv2.subtract(cv2.magnitude(half, xy), mean), np.float32(0)), dtype=np.float32
    )


def _limits(strength: Floats, looked: Mask) -> list[Floats]:
    """Return the strengths, weakest first, by which a ridge stands out from the texture about each place; the first
    for linked ones.

    A crack must not raise its own limit: strength counts up to what nearly all of the metal stays under.
    """
    # every second px both ways tells means and spreads over a wide square
    some, seen = strength[::THIN, ::THIN], looked[::THIN, ::THIN]
    box = (ABOUT // (HALF * THIN) | 1, ABOUT // (HALF * THIN) | 1)
    weight = cv2.blur(seen.astype(np.float32), box) + np.float32(1e-6)
    plain = cv2.blur(np.where(seen, some, np.float32(0)), box) / weight
    most = np.float32(np.quantile(some[seen], 0.97)) if seen.any() else np.float32(0)
    # a nugget's own boundaries may all be darker than most of the picture's
    counted = np.where(seen, np.minimum(some, np.maximum(most, 3 * plain)), np.float32(0))
    mean = cv2.blur(counted, box) / weight
    spread = np.sqrt(np.maximum(cv2.blur(counted * counted, box) / weight - mean * mean, 0))
    least, shape = np.float32(LEAST), strength.shape[::-1]
    return [
        np.asarray(cv2.resize(np.maximum(mean + np.float32(level) * spread, least), shape), np.float32)
        for level in (LINKED_LEVEL, *LEVELS)
    ]


def _trace(
    ground: Ground, labels: NDArray[np.int32], stats: NDArray[np.int32], label: int, *, linked: bool
) -> Ridge | None:
    """Follow one ridge's centre lines; None where it is a scratch, a network, or too short or faint."""
    x, y, width, height = (int(value) for value in stats[:4])
    box = slice(y, y + height), slice(x, x + width)
    piece = np.pad((labels[box] == label).astype(np.float32), 1)
    # smooth edges: a staircase has no straight run by which to tell a scratch
    own = np.asarray(cv2.resize(piece, None, fx=HALF, fy=HALF, interpolation=cv2.INTER_LINEAR) > 0.5)
    x, y, width, height = HALF * x, HALF * y, HALF * width, HALF * height
    bones = _skeleton(own)
    if bones.sum() > 2.5 * np.hypot(width, height):
        return None
    bones = _without_scratches(bones)
    pieces = centre_lines(bones, shortest=12.0)
    pieces = [piece for piece in pieces if not _is_straight(piece)]
    if not pieces:
        return None
    shift = np.array([x - HALF - 0.5, y - HALF - 0.5])
    lines = [piece + shift for piece in pieces]
    lengths = [_length(line) for line in lines]
    if lengths[0] < SHORTEST:
        return None
    contrast, across = _profile(ground, lines[0])
    least = faintest(ground) * (STANDS_OUT_DARK / STANDS_OUT if linked else 1.0)
    if contrast < least or across < NARROWEST:
        return None
    if contrast < BLACK and _straight_share(lines[0]) > SCRATCHED:
        return None
    if across > (WIDEST + 2.5 * ground.blur) * contrast:
        return None
    wanders = ground.spread > TEXTURED and _wanders(lines, lengths, contrast)
    total = sum(lengths) + 2 * END_PX
    # an end fades in the noise and faint stretches are lost (learned on drawn sections)
    u = float(np.hypot(3.0 * np.sqrt(2 * len(lines)), (LOST if linked else 0.08) * total))
    return Ridge(tuple(ground.place(line) for line in lines), total, u, across, contrast, wanders)


def _skeleton(mask: Mask) -> Mask:
    from skimage.morphology import skeletonize

    return np.asarray(skeletonize(mask), dtype=np.bool_)  # type: ignore[no-untyped-call]


def _without_scratches(bones: Mask) -> Mask:
    """Return a skeleton without its long straight runs, the crossings kept closed.

    A skeleton that is one way without branches crosses nothing: it stays whole where most of it is not straight.
    """
    drawn = bones.astype(np.uint8)
    lines = cv2.HoughLinesP(drawn, 1, np.pi / 360, 25, None, STRAIGHT_RUN, 3)
    if lines is None:
        return bones
    for x0, y0, x1, y1 in np.asarray(lines, dtype=np.int32).reshape(-1, 4).tolist():
        cv2.line(drawn, (int(x0), int(y0)), (int(x1), int(y1)), 0, 5)
    if drawn.sum() > CROOKED * bones.sum() and len(_longest_way(bones)) > ONE_WAY * bones.sum():
        return bones
    closed = cv2.morphologyEx(drawn, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9)))
    return _skeleton(closed > 0)


def centre_lines(bones: Mask, *, shortest: float) -> list[Places]:
    """Return the smoothed centre lines (k, 2) of a skeleton: its longest way first, then ever shorter branches."""
    left = bones.copy()
    out: list[Places] = []
    while left.any() and len(out) < 8:
        way = _longest_way(left)
        line = np.array(way, dtype=np.float64)[:, ::-1]
        if len(line) < 4 or _length(line) < shortest:
            break
        out.append(_smooth(line))
        for row, column in way:
            left[row, column] = False
        # what touched the way stays off it by a pixel, so that no way runs along another
        left &= bones
    return out


def _longest_way(bones: Mask) -> list[tuple[int, int]]:
    """Return the longest shortest way through a skeleton, by two breadth-first searches in each of its pieces."""
    unseen = {(int(r), int(c)) for r, c in np.argwhere(bones)}
    best: list[tuple[int, int]] = []
    while unseen:
        start = min(unseen)
        order, _ = _search(start, bones)
        far, parents = _search(order[-1], bones)
        way = [far[-1]]
        while parents[way[-1]] is not None:
            way.append(parents[way[-1]])  # type: ignore[arg-type]
        if len(way) > len(best):
            best = way
        unseen.difference_update(order)
    return best


def _search(
    start: tuple[int, int], bones: Mask
) -> tuple[list[tuple[int, int]], dict[tuple[int, int], tuple[int, int] | None]]:
    rows, columns = bones.shape
    parents: dict[tuple[int, int], tuple[int, int] | None] = {start: None}
    order = [start]
    for row, column in order:
        for dr in (-1, 0, 1):
            for dc in (-1, 0, 1):
                r, c = row + dr, column + dc
                if 0 <= r < rows and 0 <= c < columns and bones[r, c] and (r, c) not in parents:
                    parents[r, c] = (row, column)
                    order.append((r, c))
    return order, parents


def _smooth(line: Places) -> Places:
    """Return a pixel path without its steps, its ends kept."""
    if len(line) < 8:
        return line
    smooth = gaussian_filter1d(line, 2.0, axis=0, mode="nearest")
    smooth[0], smooth[-1] = line[0], line[-1]
    return np.asarray(smooth)


def _length(line: Places) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def _wanders(lines: list[Places], lengths: list[float], contrast: float) -> bool:
    """Whether centre lines run about among grains as boundaries do: many branches, or a trunk that leads nowhere."""
    trunk = lines[0]
    if len(lines) > 2 and lengths[0] < TRUNK * sum(lengths):
        return True
    return contrast < BLACK and float(np.hypot(*(trunk[-1] - trunk[0]))) < DIRECT * lengths[0]


def _is_straight(line: Places) -> bool:
    """Whether a centre line leaves its chord no more than a scratch does."""
    chord = line[-1] - line[0]
    span = float(np.hypot(*chord))
    if span < 5:
        return False
    aside = (line - line[0]) @ np.array([-chord[1], chord[0]]) / span
    return float(np.quantile(np.abs(aside), 0.95)) < STRAIGHT_PX + STRAIGHT_SHARE * span


def _straight_share(line: Places) -> float:
    """Return the share of a centre line that runs straight for longer than cracks do."""
    corners = np.asarray(cv2.approxPolyDP(line.astype(np.float32).reshape(-1, 1, 2), STRAIGHT_PX, False))
    runs = np.hypot(*np.diff(corners.reshape(-1, 2), axis=0).T)
    return float(runs[runs > STRAIGHT_RUN].sum() / max(runs.sum(), 1e-6))


def _profile(ground: Ground, line: Places) -> tuple[float, float]:
    """Return (median contrast, width in px as if fully dark) of a ridge from its profiles across."""
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
    return float(lifted[np.abs(off) <= 1.0].max()), float(max(lifted.sum() * 0.5, 0.0))
