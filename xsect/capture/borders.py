"""What is put round or under a picture: data strips along the top or bottom, and even margins."""

from __future__ import annotations

import cv2
import numpy as np

from xsect.capture.marks import Grey8, every_nth

_RINGING = 9
"""Lines over which the JPEG block that holds an edge may ring: the edge lies at most a block further in."""


def border_widths(picture: Grey8) -> tuple[int, int, int, int]:
    """Return the widths in px of strips and margins at top, bottom, left and right of an 8-bit picture."""
    rows, cols = picture.shape[:2]
    across = _green(every_nth(picture, 1, max(1, cols // 400)))
    down = np.ascontiguousarray(_green(every_nth(picture, max(1, rows // 400), 1)).T)
    top, bottom = _margin(across), _margin(across[::-1])
    left, right = _margin(down), _margin(down[::-1])
    return (
        max(top, _strip(across[top:]) + top),
        max(bottom, _strip(across[: rows - top][::-1][bottom:]) + bottom),
        left,
        right,
    )


def _green(picture: Grey8) -> Grey8:
    return picture if picture.ndim == 2 else np.ascontiguousarray(picture[..., 1])


def _crisp_step(lines: Grey8, edge: int, level: int, share: float) -> bool:
    """Whether line ``edge`` is the first of the picture: full contrast at once, straight from end to end.

    A blurred edge needs two lines or more from 5 % to 95 % of its contrast, however it is clipped.
    """
    if edge + 4 >= len(lines):
        return False
    last, first, inside = (np.abs(lines[edge + k].astype(int) - level) for k in (-1, 0, 3))
    seen = inside >= 12
    if (last <= 24).mean() < 0.9 or seen.mean() < share:
        return False
    full = inside[seen].sum()
    straight = ((first[seen] >= 0.6 * inside[seen]) & (last[seen] <= 0.4 * inside[seen])).mean() >= 0.85
    return bool(straight and first[seen].sum() >= 0.9 * full and last[seen].sum() <= 0.2 * full)


def _margin(lines: Grey8) -> int:
    """Return how many lines from the first one are one even tone that ends at a crisp straight edge."""
    level = int(np.median(lines[0]))
    if (np.abs(lines[:2].astype(int) - level) <= 4).mean() < 0.985:
        return 0
    even = (cv2.absdiff(lines, np.full_like(lines, level)) <= 4).mean(axis=1) >= 0.985
    depth = len(lines) if even.all() else int(np.argmin(even))
    if not 2 <= depth < len(lines) // 2:
        return 0
    return next((k for k in range(depth, depth + _RINGING) if _crisp_step(lines, k, level, 0.4)), 0)


def _strip(lines: Grey8) -> int:
    """Return the height of a data strip that starts with the first line: even ground, text, a crisp end."""
    first = lines[: max(8, len(lines) // 40)]
    ground = int(np.median(first))
    if (np.abs(first.astype(int) - ground) <= 8).mean() < 0.5:
        return 0
    lines = lines[: len(lines) // 3]
    away = cv2.absdiff(lines, np.full_like(lines, ground))
    own = np.median(lines, axis=1).astype(int)
    ruled = (np.abs(lines.astype(int) - own[:, None]) <= 8).mean(axis=1) >= 0.95
    ruled &= np.abs(own - ground) >= 60
    # A ruled line is thin; even metal beyond the strip is not.
    alike = [np.abs(own[max(k - 6, 0) : k + 7] - own[k]) <= 30 for k in np.flatnonzero(ruled)]
    ruled[ruled] = [near.sum() <= 6 for near in alike]
    inside = ((away <= 8).mean(axis=1) >= 0.2) | ruled
    depth = len(inside) if inside.all() else int(np.argmin(inside))
    # The picture beyond may be as dark as the strip, which ends at the last ruled line or crisp step.
    ends = [int(rule) + 1 for rule in np.flatnonzero(ruled[:depth])[-1:]]
    steps = ((away[:-1] <= 24).mean(axis=1) >= 0.9) & ((away[1:] >= 12).mean(axis=1) >= 0.3)
    jump = cv2.absdiff(lines[1:], lines[:-1]).mean(axis=1)
    ends += sorted(
        (int(k) + 1 for k in np.flatnonzero(steps[: depth + _RINGING])), key=lambda k: -jump[k - 1]
    )
    ends = [k for k in ends if ruled[k - 1] or _crisp_step(lines, k, ground, 0.4)]
    return next((end for end in ends if _holds_text(lines[:end], away[:end])), 0)


def _holds_text(lines: Grey8, away: Grey8) -> bool:
    """Whether lines are mostly even ground with some crisp strokes in it."""
    edges = (np.abs(np.diff(lines.astype(int), axis=1)) >= 80).mean()
    return bool(
        len(lines) >= 12
        and 0.003 <= (away >= 80).mean() <= 0.45
        and (away <= 8).mean() >= 0.5
        and edges >= 0.003
    )
