"""Centre lines of dark ridges: how they are drawn from a mask, and how scratches are told from what is tortuous."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from xsect.locate.flaw_ground import Mask, Places
from xsect.locate.ridge_map import strength_along
from xsect.locate.tone import Floats

ONE_WAY, CROOKED = 0.85, 0.4
"""Share of a skeleton's pixels from which its longest way is all there is, and least share of it outside straight
runs for it to be no row of scratches."""

STRAIGHT_RUN = 40.0
"""Length in px from which a straight run of dark pixels is a scratch, even where a crack crosses it."""

STRAIGHT_PX, STRAIGHT_SHARE = 1.3, 0.012
"""A ridge that leaves its chord by less than this (px and share of its length) is a scratch."""

RUN_PX, SHORTEST_RUN = 2.0, 12.0
"""How far in px a centre line strays from a straight run of it, and how long in px a run is that tells a direction."""

BEYOND, ASIDE_PX = (4.0, 30.0), 3.0
"""Where in px beyond a straight run's end it is looked whether it goes on, and how far off the centre line itself."""

RUNS_ON = 0.4
"""Share of a centre line in runs that go on beyond it from which scratches are part of it."""

AS_DARK, MOST = 0.5, 0.7
"""Share of its own strength that a run goes on with, and share of the places beyond its end at which it does."""


def skeleton(mask: Mask) -> Mask:
    """Return a mask thinned to lines one pixel wide."""
    from skimage.morphology import skeletonize

    return np.asarray(skeletonize(mask), dtype=np.bool_)  # type: ignore[no-untyped-call]


def without_scratches(bones: Mask) -> Mask:
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
    return skeleton(closed > 0)


def centre_lines(bones: Mask, *, shortest: float) -> list[Places]:
    """Return the smoothed centre lines (k, 2) of a skeleton: its longest way first, then ever shorter branches."""
    left = bones.copy()
    out: list[Places] = []
    while left.any() and len(out) < 8:
        way = _longest_way(left)
        line = np.array(way, dtype=np.float64)[:, ::-1]
        if len(line) < 4 or length(line) < shortest:
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


def length(line: Places) -> float:
    """Return the length of a line in px."""
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def is_straight(line: Places) -> bool:
    """Whether a centre line leaves its chord no more than a scratch does."""
    chord = line[-1] - line[0]
    span = float(np.hypot(*chord))
    if span < 5:
        return False
    aside = (line - line[0]) @ np.array([-chord[1], chord[0]]) / span
    return float(np.quantile(np.abs(aside), 0.95)) < STRAIGHT_PX + STRAIGHT_SHARE * span


def straight_share(line: Places) -> float:
    """Return the share of a centre line that runs straight for longer than cracks do."""
    corners = np.asarray(cv2.approxPolyDP(line.astype(np.float32).reshape(-1, 1, 2), STRAIGHT_PX, False))
    runs = np.hypot(*np.diff(corners.reshape(-1, 2), axis=0).T)
    return float(runs[runs > STRAIGHT_RUN].sum() / max(runs.sum(), 1e-6))


def without_scratch_runs(strength: Floats, line: Places) -> Places:
    """Return a centre line, or the longest stretch of it without straight runs that go on straight, as dark, where the
    line turns off or ends, if much of it is such.

    Scratches do so that meet, that a comet's tail joins, or that a crack crosses; a crack does not.
    """
    corners = np.asarray(cv2.approxPolyDP(line.astype(np.float32).reshape(-1, 1, 2), RUN_PX, False))
    at = [int(np.argmin(np.hypot(*(line - one).T))) for one in corners.reshape(-1, 2)]
    stretches, gone = [(0, 0)], 0.0
    for first, last in itertools.pairwise(at):
        if _runs_on(strength, line, first, last):
            gone += length(line[first : last + 1])
            stretches.append((last, last))
        else:
            stretches[-1] = (stretches[-1][0], last)
    if gone < RUNS_ON * length(line):
        return line
    first, last = max(stretches, key=lambda one: length(line[one[0] : one[1] + 1]))
    return line[first : last + 1]


def _runs_on(strength: Floats, line: Places, first: int, last: int) -> bool:
    """Whether the straight run from one place of a line to another goes on beyond either of its ends."""
    run = line[first : last + 1]
    if float(np.hypot(*(run[-1] - run[0]))) < SHORTEST_RUN:
        return False
    middle = run.mean(axis=0)
    way = np.linalg.svd(run - middle, full_matrices=False)[2][0]
    along = (run - middle) @ way
    own = float(np.median(strength_along(strength, run)))
    off = np.arange(*BEYOND)
    for gone in (float(along.max()) + off, float(along.min()) - off):
        place = middle + gone[:, None] * way
        away = np.hypot(*(place[:, None] - line[None]).transpose(2, 0, 1)).min(axis=1) > ASIDE_PX
        if away.sum() < SHORTEST_RUN:
            continue
        if float((strength_along(strength, place[away]) > AS_DARK * own).mean()) > MOST:
            return True
    return False
