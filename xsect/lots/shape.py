"""Shape of a distribution: a test for the normal one, and transformations that make others normal.

Capability of skewed or bounded quantities is reckoned after a monotone transformation of values and limits, which keeps
the share beyond each limit. A transformation is used only where what it gives passes the test.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from xsect.lots.spread import Floats

Method = Literal["auto", "normal", "box_cox", "johnson", "bounded", "percentile"]
METHODS: Final[tuple[Method, ...]] = ("auto", "normal", "box_cox", "johnson", "bounded", "percentile")
FEWEST: Final = 8
"""Below this many values no test of shape says anything; the normal shape is then taken for granted, and said."""
GOOD_ENOUGH: Final = 0.05
"""A shape is refused where the test's probability is below this (common practice)."""

LARGEST_POWER: Final = 5

Map = Callable[[Floats], Floats]


@dataclass(frozen=True)
class Shape:
    """A shape that was fitted: ``forward`` takes values to normal ones and ``back`` returns them, both increasing.

    ``statistic`` is Anderson-Darling's A*² of the transformed values, ``p`` its probability (NaN below eight values).
    ``words`` says what was done.
    """

    method: Method
    words: str
    forward: Map
    back: Map
    statistic: float
    p: float

    @property
    def fits(self) -> bool:
        """Whether the test does not refuse the shape."""
        return not self.p < GOOD_ENOUGH


def anderson_darling(values: Floats) -> tuple[float, float]:
    """Return (A*², p) of the test for a normal distribution whose mean and sd are estimated from the values.

    A*² = A² (1 + 0.75/n + 2.25/n²); p from the curves of R. B. D'Agostino and M. A. Stephens, Goodness-of-Fit
    Techniques, 1986, table 4.9 (from memory; 0.752 gives 5 %, 1.035 gives 1 %).
    """
    from scipy.special import log_ndtr

    n, sd = values.size, float(values.std(ddof=1))
    if n < FEWEST or not sd:
        return math.nan, math.nan
    z = (np.sort(values) - values.mean()) / sd
    odd = 2 * np.arange(1, n + 1) - 1
    raw = -n - float(odd @ (log_ndtr(z) + log_ndtr(-z[::-1]))) / n
    a = raw * (1 + 0.75 / n + 2.25 / n**2)
    if a >= 0.6:
        p = math.exp(1.2937 - 5.709 * a + 0.0186 * a * a) if a < 13 else 0.0
    elif a >= 0.34:
        p = math.exp(0.9177 - 4.279 * a - 1.38 * a * a)
    elif a >= 0.2:
        p = 1 - math.exp(-8.318 + 42.796 * a - 59.938 * a * a)
    else:
        p = 1 - math.exp(-13.436 + 101.14 * a - 223.73 * a * a)
    return a, p


def normal_shape(values: Floats) -> Shape:
    """Return the values as they are, with the test's result."""
    return Shape("normal", "values as they are", lambda x: x, lambda x: x, *anderson_darling(values))


def box_cox_shape(values: Floats) -> Shape:
    """Return the power that makes positive values most nearly normal (G. E. P. Box and D. R. Cox, 1964)."""
    from scipy.special import boxcox, inv_boxcox
    from scipy.stats import boxcox_normmax

    if not (values > 0).all():
        raise ValueError("box_cox: all values must be above 0")
    scale = float(np.exp(np.log(values).mean()))
    power = float(boxcox_normmax(values / scale, method="mle"))
    if abs(power) > LARGEST_POWER:
        raise ValueError(
            f"box_cox: the best power would be {power:.1f}, beyond ±{LARGEST_POWER}: no such curve"
        )
    forward: Map = lambda x: np.asarray(boxcox(np.maximum(x, 0) / scale, power))  # noqa: E731
    back: Map = lambda y: np.asarray(inv_boxcox(y, power) * scale)  # noqa: E731
    return Shape("box_cox", f"Box-Cox, power {power:.2f}", forward, back, *anderson_darling(forward(values)))


def bounded_shape(values: Floats, low: float, high: float) -> Shape:
    """Return ln((x − low) / (high − x)) of values strictly between two known bounds (Johnson's SB, bounds known)."""
    if not ((values > low) & (values < high)).all():
        raise ValueError(f"bounded: all values must lie between {low:g} and {high:g}, not on a bound")
    width = high - low

    def forward(x: Floats) -> Floats:
        share = np.clip((x - low) / width, 0, 1)
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(share) - np.log1p(-share))

    def back(y: Floats) -> Floats:
        return np.asarray(low + width / (1 + np.exp(-y)))

    words = f"log-odds between the bounds {low:g} and {high:g}"
    return Shape("bounded", words, forward, back, *anderson_darling(forward(values)))


def johnson_shape(values: Floats, z: float = 0.524) -> Shape:
    """Return Johnson's transformation, SU or SB, from four quantiles at ±z and ±3z.

    J. F. Slifker and S. S. Shapiro, Technometrics 22, 1980 (formulas from memory; tested on exact quantiles). Raises
    ValueError where the quantiles give neither, or a fitted bound cuts off values.
    """
    from scipy.special import ndtr

    q = np.quantile(values, ndtr(z * np.array([-3, -1, 1, 3])), method="median_unbiased")
    return _johnson_from(q, z, values)


def _johnson_from(q: Floats, z: float, values: Floats) -> Shape:
    m, n, p = q[3] - q[2], q[1] - q[0], q[2] - q[1]
    middle = (q[2] + q[1]) / 2
    if min(m, n, p) <= 0:
        raise ValueError("johnson: too many equal values")
    ratio = m * n / p**2
    if ratio > 1:
        total = (m + n) / p
        eta = 2 * z / math.acosh(total / 2)
        gamma = eta * math.asinh((n - m) / p / (2 * math.sqrt(ratio - 1)))
        lam = 2 * p * math.sqrt(ratio - 1) / ((total - 2) * math.sqrt(total + 2))
        xi = middle + (n - m) / (2 * (total - 2))
        forward: Map = lambda x: np.asarray(gamma + eta * np.arcsinh((x - xi) / lam))  # noqa: E731
        back: Map = lambda y: np.asarray(xi + lam * np.sinh((y - gamma) / eta))  # noqa: E731
        words = "Johnson SU"
    else:
        pm, pn = 1 + p / m, 1 + p / n
        eta = z / math.acosh(math.sqrt(pm * pn) / 2)
        over = 1 / ratio - 1
        gamma = eta * math.asinh((p / n - p / m) * math.sqrt(pm * pn - 4) / (2 * over))
        lam = p * math.sqrt((pm * pn - 2) ** 2 - 4) / over
        xi = middle - lam / 2 + p * (p / n - p / m) / (2 * over)
        inner = bounded_shape(values, xi, xi + lam)
        forward = lambda x: gamma + eta * inner.forward(x)  # noqa: E731
        back = lambda y: inner.back((y - gamma) / eta)  # noqa: E731
        words = f"Johnson SB, fitted bounds {xi:.4g} and {xi + lam:.4g}"
    return Shape("johnson", words, forward, back, *anderson_darling(forward(values)))


def fit_shape(
    values: Floats, *, method: Method = "auto", bounds: tuple[float, float] = (-math.inf, math.inf)
) -> Shape | None:
    """Return the shape to reckon with; None where ``auto`` finds none that the test accepts.

    ``bounds`` are those of the quantity itself: 0 for lengths, 0 and 1 for fractions. ``auto`` takes the values as
    they are where the test accepts that and the normal curve keeps within the bounds (less than 0.1 % beyond), else the
    first that it accepts of log-odds (two bounds), Box-Cox (values above 0) and Johnson, which fit ever more of the
    chance in the values. A method asked for by name raises ValueError where it cannot be applied.
    """
    if method == "normal":
        return normal_shape(values)
    if method == "box_cox":
        return box_cox_shape(values)
    if method == "johnson":
        return johnson_shape(values)
    if method == "bounded":
        if not (math.isfinite(bounds[0]) and math.isfinite(bounds[1])):
            raise ValueError("bounded: the quantity has no two bounds")
        return bounded_shape(values, *bounds)
    plain = normal_shape(values)
    if plain.fits and (values.size < FEWEST or _within(values, bounds)):
        return plain
    attempts: list[Callable[[], Shape]] = [lambda: box_cox_shape(values), lambda: johnson_shape(values)]
    if math.isfinite(bounds[0]) and math.isfinite(bounds[1]):
        attempts.insert(0, lambda: bounded_shape(values, *bounds))
    for attempt in attempts:
        try:
            shape = attempt()
        except ValueError:
            continue
        if shape.p >= GOOD_ENOUGH:
            return shape
    return plain if plain.fits else None


def _within(values: Floats, bounds: tuple[float, float]) -> bool:
    from scipy.special import ndtr

    mean, sd = float(values.mean()), float(values.std(ddof=1))
    return float(ndtr((bounds[0] - mean) / sd) + ndtr((mean - bounds[1]) / sd)) < 1e-3
