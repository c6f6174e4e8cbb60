"""Spread of a result when one input is uncertain, without cutting the curve off after its slope."""

from __future__ import annotations

import math
from collections.abc import Callable

from numpy.polynomial.hermite_e import hermegauss

_NODES, _WEIGHTS = hermegauss(15)


def rms_deviation(function: Callable[[float], float], centre: float, u: float) -> float:
    """Return the root mean square of function(x) − function(centre), x normal about centre, deviation u.

    Gauss-Hermite quadrature, exact for polynomials to degree 14. Equals |slope| · u for a straight line and
    keeps what first order drops where the slope vanishes (JCGM 100:2008, note to 5.1.2).
    """
    if u == 0:
        return 0.0
    at_centre = function(centre)
    squares = [(function(centre + u * float(node)) - at_centre) ** 2 for node in _NODES]
    return math.sqrt(float(_WEIGHTS @ squares) / math.sqrt(2 * math.pi))
