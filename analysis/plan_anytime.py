"""Intervals that hold however often one looks at them and whenever one stops."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.budget import coverage_factor
from analysis.conventions import FloatArray
from analysis.estimation import Interval

# Prior variance of the mean in squared spreads: tightest near 1 / g values.
_G = 0.15


@dataclass(frozen=True)
class ConfidenceSequence:
    """Interval after each value; before the second one it is the whole line."""

    mean: FloatArray
    """(n,): running mean."""
    half_width: FloatArray
    """(n,): infinite where nothing can be said yet."""
    confidence: float

    def last(self) -> Interval:
        """Interval after all values."""
        mean, half = float(self.mean[-1]), float(self.half_width[-1])
        return Interval(mean - half, mean + half, self.confidence)


def confidence_sequence(
    values: ArrayLike, *, confidence: float = 0.90, g: float = _G
) -> ConfidenceSequence:
    """Intervals for the mean of normal values of unknown spread, valid at all times together.

    Parameters
    ----------
    values : array_like, (n,)
        n >= 1, finite, in the order they came. Mishits should be out: the interval is for normal
        values.
    confidence : float
        Probability that no interval of the whole sequence misses the mean.
    g : float
        Variance of the mixture over the mean, in squared spreads, > 0.

    Raises
    ------
    ValueError
        No values, values not finite, or an argument out of range.

    Notes
    -----
    The mixture e-process of the t-test with the right Haar prior on the spread: its value against a
    mean m is ``(1 + n g)^(-1/2) ((1 + T) / (1 + T / (1 + n g)))^(n / 2)`` with T = t^2 / (n - 1),
    a martingale under m, so it exceeds ``1 / alpha`` ever with probability alpha at most (Ville).
    Robbins, Ann. Math. Statist. 41 (1970) 1397-1409; Lai, Ann. Statist. 4 (1976) 265-280, for the
    unknown spread; both from memory; the inversion for m is ours.
    """
    x = np.asarray(values, dtype=np.float64).reshape(-1)
    if x.size == 0 or not np.all(np.isfinite(x)):
        raise ValueError("a confidence sequence needs finite values")
    if not 0 < confidence < 1 or not g > 0:
        raise ValueError("confidence must lie within 0 and 1, and g be positive")
    n = np.arange(1, x.size + 1)
    origin = x[0]
    y = x - origin
    mean = np.cumsum(y) / n
    square = np.maximum(np.cumsum(y**2) - n * mean**2, 0.0)
    log_a = (np.log1p(n * g) - 2 * math.log(1 - confidence)) / n
    # T <= (a - 1) / (1 - a / (1 + n g)), nothing is excluded while a >= 1 + n g.
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        room = -np.expm1(log_a - np.log1p(n * g))
        t2 = np.where(room > 0, np.expm1(log_a) / room, np.inf)
        half = np.sqrt(t2 * square / n)
    half[(room <= 0) | (n < 2)] = np.inf
    return ConfidenceSequence(mean + origin, half, confidence)


def chow_robbins_size(
    values: ArrayLike, half_width: float, *, confidence: float = 0.90, first: int = 2
) -> int | None:
    """Tell at how many values Chow and Robbins stop for an interval of this half-width.

    First n >= ``first`` with ``n >= z^2 / d^2 (s_n^2 + 1 / n)``, Chow and Robbins, Ann. Math.
    Statist. 36 (1965) 457-462. None if it does not come within the values.

    Parameters
    ----------
    values : array_like, (n,)
        In the order they came.
    half_width : float
        d > 0.
    confidence : float
        Reached as d goes to 0.
    first : int
        Least number, >= 2.
    """
    if not half_width > 0 or first < 2:
        raise ValueError("half_width must be positive and first at least 2")
    x = np.asarray(values, dtype=np.float64).reshape(-1)
    z2 = (coverage_factor(math.inf, confidence) / half_width) ** 2
    for n in range(first, x.size + 1):
        if n >= z2 * (float(x[:n].var(ddof=1)) + 1 / n):
            return n
    return None
