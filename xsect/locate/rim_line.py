"""Rim line: an etched rim may be a line of its own, darker or lighter than both sides; the rim lies in its middle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from xsect.locate.rim import POINTS, Outline, band, normals, size
from xsect.locate.structure import Structure

WIDTHS = np.array([1.5, 2.5, 4.0, 6.0])
"""Standard deviations in frame px of the lines tried."""

PITCH = 0.5
"""Step in frame px between the places tried."""

OWN, CLEARLY = 1.0, 3.0
"""Contrast of a rim's line, in that of both sides, and how many times better it explains the profile than a step
alone, from which the rim has one."""

FEWEST = POINTS // 4
"""Fewest points of the rim that are seen at an offset."""


def on_rim_line(outline: Outline, line: NDArray[np.float64], structure: Structure) -> Outline:
    """Return the outline moved to the middle of its rim's line, or as it is where the rim has none.

    The strongest change is on one flank of such a line, outside it or inside. The median brightness along the normals
    is a step with a line on it, both blurred alike, between sides that may slope.
    """
    off, profile = _profile(outline, line, structure)
    if off.size < 20:
        return outline
    reach = 0.1 * size(outline) + 3
    places = np.arange(-reach, reach + PITCH / 2, PITCH)
    place, width = (one.reshape(-1, 1) for one in np.meshgrid(places, WIDTHS, indexing="ij"))
    away = off[None] - place
    # columns: level, step, slopes outside and inside, line
    terms = np.stack(
        [
            np.ones_like(away), ndtr(-away / width), np.clip(away, 0, None), np.clip(away, None, 0),
            np.exp(-((away / width) ** 2) / 2),
        ],
        axis=2,
    )  # fmt: skip
    with_line, fits = _fitted(terms, profile)
    without, _ = _fitted(terms[..., :4], profile)
    best = int(with_line.argmin())
    step, ridge = fits[best, 1], fits[best, 4]
    if abs(ridge) < OWN * abs(step) or without.min() < CLEARLY * with_line[best]:
        return outline
    return outline + float(place[best, 0]) * normals(outline)


def _profile(
    outline: Outline, line: NDArray[np.float64], structure: Structure
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (offsets, median brightness there) along the outline's normals."""
    about = band(outline, line, structure.plain, max(0.25 * size(outline), 12.0))
    shown = np.where(about.seen > 0.5, about.values[..., 0], np.float32(np.nan))
    enough = np.isfinite(shown).sum(axis=1) > FEWEST
    return about.offsets[enough], np.nanmedian(shown[enough], axis=1).astype(np.float64)


def _fitted(
    terms: NDArray[np.float64], profile: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (squares left, coefficients) of each of the (n, m, k) sets of terms fitted to the profile (m,)."""
    system = np.einsum("nmk,nml->nkl", terms, terms) + 1e-9 * np.eye(terms.shape[2])
    fits = np.linalg.solve(system, np.einsum("nmk,m->nk", terms, profile)[..., None])[..., 0]
    left = profile - np.einsum("nmk,nk->nm", terms, fits)
    return np.asarray((left * left).sum(axis=1)), np.asarray(fits)
