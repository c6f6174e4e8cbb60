"""Steps: profiles across layers as level stretches joined by error-function edges under one shared blur.

All windows of a layer are fitted at once: its blur and the levels of its own material are common to them, the edges
and the levels of what lies beside it are each window's own. Thick windows thus teach the thin ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

ROUNDS = 40
FOLLOWED = 2
"""Starts, of many, that are fitted on."""
FEW = 12
"""Rounds after which a start has shown how far it gets."""
NARROWEST = 0.3
"""Least blur in px (standard deviation): the box of one pixel has 0.29."""

_ROOT = np.sqrt(2 * np.pi)


@dataclass(frozen=True)
class Steps:
    """A fit of k edges between k + 1 phases in each of j windows.

    ``edges``: (j, k) positions in px; ``levels``: (j, k + 1, c); ``blur``: px; ``covariance``: (j, k, k) of the
    edges, that of blur and shared levels included, and ``shared``: (j, k, k) their part alone. ``rms``: (j,) residual
    of each window. ``freedom``: residuals less parameters; ``cost``: sum of weighted squared residuals.
    """

    edges: Floats
    levels: Floats
    blur: float
    covariance: Floats
    shared: Floats
    rms: Floats
    freedom: float
    cost: float

    def thickness(self, phase: int) -> Floats:
        """Return (j,) thickness of an inner phase in px."""
        return self.edges[:, phase] - self.edges[:, phase - 1]

    def u_thickness(self, phase: int) -> Floats:
        """Return (j,) standard uncertainty of the thickness of an inner phase in px."""
        return _u_between(self.covariance, phase)

    def u_common(self, phase: int) -> float:
        """Return the part of it, in px, that blur and shared levels bring to all windows alike."""
        return float(np.mean(_u_between(self.shared, phase)))


def _u_between(covariance: Floats, phase: int) -> Floats:
    a, b = phase - 1, phase
    return np.sqrt(np.maximum(covariance[:, a, a] + covariance[:, b, b] - 2 * covariance[:, a, b], 0))


def fit_steps(
    profiles: Floats,
    places: Floats,
    edges: Floats,
    *,
    blur: float,
    shared: tuple[int, ...] = (),
    known: dict[int, Floats] | None = None,
    fixed_blur: bool = False,
    weights: Floats | None = None,
    limits: tuple[float, float] = (-0.05, 1.05),
    rounds: int = ROUNDS,
) -> Steps:
    """Fit edges, levels and blur to the profiles of all windows by least squares (Levenberg and Marquardt).

    ``profiles``: (j, m, c) at ``places`` (j, m) px; ``edges``: (j, k) where they are about; ``blur``: about how wide.
    ``shared``: phases (0 to k) whose level is one and the same in all windows; ``known``: phases whose level (c,) or
    (j, c) is given; ``limits``: the lowest and highest level there can be. Edges keep their order: a layer may
    shrink to nothing but not turn inside out.
    """
    known = known or {}
    weights = np.ones(places.shape) if weights is None else weights
    windows, k = edges.shape
    channels, phases = profiles.shape[2], edges.shape[1] + 1
    free = [one for one in range(phases) if one not in known and one not in shared]
    common = [one for one in shared if one not in known]
    state = _State(edges.astype(np.float64).copy(), np.zeros((windows, phases, channels)), float(blur))
    for phase, level in known.items():
        state.levels[:, phase] = level
    state.levels = _start_levels(profiles, places, weights, state, free, common)
    damping, cost = 1e-3, _cost(profiles, places, weights, state)
    for _ in range(rounds):
        step = _normal(profiles, places, weights, state, free, common, fixed_blur, damping)
        tried = _moved(state, step, free, common, fixed_blur, limits)
        new = _cost(profiles, places, weights, tried)
        if new < cost:
            settled = cost - new < 1e-5 * cost
            state, cost, damping = tried, new, max(damping / 5, 1e-9)
            if settled:
                break
        else:
            damping *= 6
            if damping > 1e6:
                break
    step = _normal(profiles, places, weights, state, free, common, fixed_blur, 0.0)
    return _result(profiles, places, weights, state, step, cost, k, len(free), len(common), fixed_blur)


def fit_best(
    profile: Floats,
    places: Floats,
    starts: list[tuple[Floats, float]],
    *,
    known: dict[int, Floats] | None = None,
    weights: Floats | None = None,
    limits: tuple[float, float] = (-0.05, 1.05),
    followed: int = FOLLOWED,
) -> Steps:
    """Return the best fit to one profile (1, m, c) from many starts, each edges (k,) and a blur.

    A thin layer's profile suits more than one guess nearly as well. The few starts that already explain it best, their
    levels solved for, are followed.
    """
    weights = np.ones(places.shape) if weights is None else weights
    costs = [_cost_at_start(profile[0], places, weights[0], *start, known or {}) for start in starts]
    picked = [starts[i] for i in np.argsort(costs, kind="stable")[:followed]]
    fits = [
        fit_steps(
            profile, places, edges[None], blur=blur, known=known, weights=weights, limits=limits, rounds=FEW
        )
        for edges, blur in picked
    ]
    return min(fits, key=lambda fit: fit.cost)


def _cost_at_start(
    profile: Floats, places: Floats, weights: Floats, edges: Floats, blur: float, known: dict[int, Floats]
) -> float:
    """Return what one start leaves of the profile (m, c) when the levels that are not known are the best for it."""
    state = _State(edges[None], np.zeros((1, edges.size + 1, profile.shape[1])), blur)
    share = _shares(places, state)[0]
    rest = profile - sum(share[:, phase, None] * level for phase, level in known.items())
    free = [one for one in range(edges.size + 1) if one not in known]
    root = np.sqrt(weights)[:, None]
    normal = (share[:, free] * root).T @ (share[:, free] * root)
    normal[range(len(free)), range(len(free))] += 1e-6
    levels = np.linalg.solve(normal, (share[:, free] * root**2).T @ rest)
    return float(np.sum((root * (rest - share[:, free] @ levels)) ** 2))


@dataclass
class _State:
    """Parameters on their way: edges (j, k), levels (j, k + 1, c), blur."""

    edges: Floats
    levels: Floats
    blur: float


@dataclass(frozen=True)
class _Step:
    """Changes of each window's own parameters (j, p) and of the shared ones (g,), and their covariances."""

    own: Floats
    shared: Floats
    covariance: Floats
    carried: Floats
    """(j, p, p) part of the covariance that the shared parameters bring."""


def _shares(places: Floats, state: _State) -> Floats:
    """Return (j, m, k + 1): share of each phase at each place."""
    beyond = ndtr((places[:, :, None] - state.edges[:, None, :]) / state.blur)
    ones, zeros = np.ones((*places.shape, 1)), np.zeros((*places.shape, 1))
    return np.asarray(np.concatenate([ones, beyond], axis=2) - np.concatenate([beyond, zeros], axis=2))


def _cost(profiles: Floats, places: Floats, weights: Floats, state: _State) -> float:
    residual = profiles - _shares(places, state) @ state.levels
    return float(np.sum(weights[:, :, None] * residual**2))


def _start_levels(
    profiles: Floats, places: Floats, weights: Floats, state: _State, free: list[int], common: list[int]
) -> Floats:
    """Return levels (j, k + 1, c) that suit the edges: each phase's mean, weighted by its share of each place."""
    share = _shares(places, state) ** 2 * weights[:, :, None]
    total = share.sum(axis=1)[..., None]
    mean = np.einsum("jmp,jmc->jpc", share, profiles) / np.maximum(total, 1e-9)
    levels = state.levels.copy()
    levels[:, free] = mean[:, free]
    for phase in common:
        # the windows in which the phase shows most teach its level
        most = total[:, phase, 0] >= np.quantile(total[:, phase, 0], 0.7)
        levels[:, phase] = np.median(mean[most, phase], axis=0)
    return levels


def _normal(
    profiles: Floats, places: Floats, weights: Floats, state: _State,
    free: list[int], common: list[int], fixed_blur: bool, damping: float,
) -> _Step:  # fmt: skip
    """Solve the damped normal equations: each window's own block is eliminated, then the shared one is solved."""
    windows, channels = profiles.shape[0], profiles.shape[2]
    k = state.edges.shape[1]
    share = _shares(places, state)
    residual = profiles - share @ state.levels
    z = (places[:, :, None] - state.edges[:, None, :]) / state.blur
    bell = np.exp(-0.5 * z**2) / _ROOT / state.blur
    rise = np.diff(state.levels, axis=1)
    eye = np.eye(channels)
    own = [-bell[:, :, i, None] * rise[:, None, i] for i in range(k)]
    own += [share[:, :, phase, None] * eye[c] for phase in free for c in range(channels)]
    both = [share[:, :, phase, None] * eye[c] for phase in common for c in range(channels)]
    if not fixed_blur:
        both.append(-((z * bell) @ rise))
    root = np.sqrt(weights)[:, :, None]
    a = np.stack([(one * root).reshape(windows, -1) for one in own], axis=2)
    y = (residual * root).reshape(windows, -1)
    across = a.transpose(0, 2, 1)
    h = across @ a
    diagonal = np.einsum("jpp->jp", h)
    h[:, range(h.shape[1]), range(h.shape[1])] += damping * diagonal + 1e-9 * (
        1 + diagonal.max(axis=1)[:, None]
    )
    g = (across @ y[..., None])[..., 0]
    inverse = np.linalg.inv(h)
    if not both:
        return _Step(np.einsum("jpq,jq->jp", inverse, g), np.zeros(0), inverse, np.zeros_like(inverse))
    b = np.stack([(one * root).reshape(windows, -1) for one in both], axis=2)
    mixed = across @ b
    flat = b.reshape(-1, b.shape[2])
    s = flat.T @ flat
    s[range(len(s)), range(len(s))] += damping * np.diag(s)
    carried = inverse @ mixed
    s = s - np.einsum("jpq,jpr->qr", mixed, carried)
    s[range(len(s)), range(len(s))] += 1e-12 * (1 + np.abs(np.diag(s)).max())
    right = flat.T @ y.ravel() - np.einsum("jpq,jp->q", carried, g)
    shared = np.linalg.lstsq(s, right, rcond=1e-12)[0]
    local = np.einsum("jpq,jq->jp", inverse, g) - np.einsum("jpq,q->jp", carried, shared)
    if damping:  # only the last step's covariance is asked for
        return _Step(local, shared, inverse, np.zeros_like(inverse))
    brought = carried @ np.linalg.pinv(s, hermitian=True) @ carried.transpose(0, 2, 1)
    return _Step(local, shared, inverse + brought, brought)


def _moved(
    state: _State,
    step: _Step,
    free: list[int],
    common: list[int],
    fixed_blur: bool,
    limits: tuple[float, float],
) -> _State:
    k, channels = state.edges.shape[1], state.levels.shape[2]
    # no edge leaps further than the profile says anything about it
    edges = state.edges + np.clip(step.own[:, :k], -3 * state.blur, 3 * state.blur)
    edges = np.maximum.accumulate(edges, axis=1)
    levels = state.levels.copy()
    levels[:, free] += step.own[:, k:].reshape(len(edges), len(free), channels)
    n = len(common) * channels
    levels[:, common] += step.shared[:n].reshape(len(common), channels)
    # beyond black and full scale there is no level: else a layer thinner than the blur shrinks to a line of any height
    levels = np.clip(levels, *limits)
    blur = state.blur
    if not fixed_blur:
        blur = float(np.clip(blur + np.clip(step.shared[-1], -0.3 * blur, 0.5 * blur), NARROWEST, 60.0))
    return _State(edges, levels, blur)


def _result(
    profiles: Floats, places: Floats, weights: Floats, state: _State, step: _Step, cost: float,
    k: int, free: int, common: int, fixed_blur: bool,
) -> Steps:  # fmt: skip
    windows, _, channels = profiles.shape
    used = float((weights > 0).sum()) * channels
    freedom = max(used - windows * (k + free * channels) - common * channels - (not fixed_blur), 1.0)
    residual = profiles - _shares(places, state) @ state.levels
    total = np.maximum(weights.sum(axis=1), 1e-9) * channels
    rms = np.sqrt(np.sum(weights[:, :, None] * residual**2, axis=(1, 2)) / total)
    # neighbouring samples of a resampled picture are not independent: twice the variance is common practice
    variance = 2 * cost / freedom
    covariance, shared = step.covariance[:, :k, :k] * variance, step.carried[:, :k, :k] * variance
    return Steps(state.edges, state.levels, state.blur, covariance, shared, rms, freedom, cost)
