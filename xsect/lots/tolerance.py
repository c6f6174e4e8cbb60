"""Tolerance intervals of a normal distribution: bounds that hold a share of all sections with a confidence."""

from __future__ import annotations

import math
from functools import cache

import numpy as np


@cache
def one_sided_factor(n: int, coverage: float, confidence: float) -> float:
    """Return k: mean + k · s is above a share ``coverage`` of the population with ``confidence``; exact.

    Noncentral t with n − 1 degrees of freedom and noncentrality z · sqrt(n) (ISO 16269-6).
    """
    from scipy.stats import nct, norm

    _check(n, coverage, confidence)
    return float(nct.ppf(confidence, n - 1, norm.ppf(coverage) * math.sqrt(n))) / math.sqrt(n)


@cache
def two_sided_factor(n: int, coverage: float, confidence: float) -> float:
    """Return k: mean ± k · s holds a share ``coverage`` of the population with ``confidence``; exact.

    For each place of the sample's mean the half-width that holds the share follows from the noncentral chi-square;
    the probability that k · s reaches it is averaged over the places by quadrature, and k solved for.
    """
    from scipy.optimize import brentq
    from scipy.stats import chi2, ncx2, norm

    _check(n, coverage, confidence)
    node, weight = np.polynomial.legendre.leggauss(64)
    z = 4.5 * (node + 1)  # the mean's place in its own standard deviations, 0 to 9
    density = 4.5 * weight * 2 * norm.pdf(z)
    half = ncx2.ppf(coverage, 1, z * z / n)

    def short(k: float) -> float:
        return float(density @ chi2.sf((n - 1) * half / k**2, n - 1)) - confidence

    start = howe_factor(n, coverage, confidence)
    return float(brentq(short, 0.5 * start, 2 * start, xtol=1e-12))


def howe_factor(n: int, coverage: float, confidence: float) -> float:
    """Return the two-sided factor by W. G. Howe's approximation (J. Am. Stat. Assoc. 64, 1969)."""
    from scipy.stats import chi2, norm

    _check(n, coverage, confidence)
    z = float(norm.ppf((1 + coverage) / 2))
    return z * math.sqrt((n - 1) * (1 + 1 / n) / float(chi2.ppf(1 - confidence, n - 1)))


def _check(n: int, coverage: float, confidence: float) -> None:
    if n < 2:
        raise ValueError(f"n = {n}: a tolerance interval needs at least 2 values")
    for name, share in (("coverage", coverage), ("confidence", confidence)):
        if not 0 < share < 1:
            raise ValueError(f"{name} = {share:g}: must lie between 0 and 1")
