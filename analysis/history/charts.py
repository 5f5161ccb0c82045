"""Control charts of a series whose values are not equally sure: EWMA and CUSUM."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.conventions import FloatArray

# NIST/SEMATECH e-Handbook, 6.3.2.4: weights of 0.2 to 0.3 are usual, limits of three sigma.
EWMA_WEIGHT = 0.3
EWMA_WIDTH = 3.0
# NIST/SEMATECH e-Handbook, 6.3.2.3: half the shift that matters, and four to five sigma.
CUSUM_SLACK = 0.5
CUSUM_LIMIT = 4.0


@dataclass(frozen=True, slots=True)
class EwmaChart:
    """Exponentially weighted moving average against a target.

    Attributes
    ----------
    target : float
        What the series is held against.
    mean : ndarray, shape (n,)
        Moving average after each value.
    half_width : ndarray, shape (n,)
        Of the limits about the target.
    """

    target: float
    mean: FloatArray
    half_width: FloatArray

    @property
    def out(self) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Whether each average lies outside its limits."""
        return np.asarray(np.abs(self.mean - self.target) > self.half_width)


@dataclass(frozen=True, slots=True)
class CusumChart:
    """Tabular cumulative sums above and below a target.

    Attributes
    ----------
    high, low : ndarray, shape (n,)
        Both >= 0, in the unit of the values.
    limit : float
        A sum above it is a signal.
    """

    target: float
    high: FloatArray
    low: FloatArray
    limit: float

    @property
    def out(self) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Whether either sum is above the limit."""
        return np.asarray((self.high > self.limit) | (self.low > self.limit))


def past_mean(values: ArrayLike, u: ArrayLike, sessions: int) -> tuple[float, float]:
    """Mean of the first values, weighted by their precision, and its standard uncertainty.

    Parameters
    ----------
    values, u : array_like, shape (n,)
        Values and their standard uncertainties, > 0.
    sessions : int
        How many of them are the past, 1 .. n.
    """
    y, s = _checked(values, u)
    if not 1 <= sessions <= y.size:
        raise ValueError("the past must have from one value to all of them")
    w = s[:sessions] ** -2.0
    return float(w @ y[:sessions] / w.sum()), float(w.sum() ** -0.5)


def ewma_chart(
    values: ArrayLike,
    u: ArrayLike,
    *,
    target: float | None = None,
    past: int = 1,
    weight: float = EWMA_WEIGHT,
    width: float = EWMA_WIDTH,
) -> EwmaChart:
    """Exponentially weighted moving average with exact limits.

    Parameters
    ----------
    values, u : array_like, shape (n,)
        Values and their standard uncertainties, > 0, independent of each other.
    target : float, optional
        Known target; left out it is `past_mean` of the first ``past`` values, and the limits allow
        for its being only estimated, from values that the average itself uses.
    weight : float
        Of a value as precise as the middle one, within 0 and 1.
    width : float
        Half-width of the limits in standard deviations.

    Returns
    -------
    EwmaChart

    Raises
    ------
    ValueError
        An empty series, an uncertainty that is not positive, a weight outside 0 .. 1.

    Notes
    -----
    ``z_t = z_(t-1) + a_t (y_t - z_(t-1))`` from ``z_0 = target``: NIST/SEMATECH e-Handbook 6.3.2.4
    for values of one precision, where ``a_t`` is the weight. Else ``a_t = weight * w_t / W_t`` with
    ``w = u^-2`` and ``W_t = (1 - weight) W_(t-1) + weight * w_t``, a discounted weighted mean: a
    session of few swings moves it little (our extension). The limits are ``width`` times the
    standard deviation of ``z_t - target`` as a sum over the values, not its steady state.
    """
    y, s = _checked(values, u)
    if not 0 < weight <= 1:
        raise ValueError("weight lies within 0 and 1")
    precision = s**-2.0
    toward = np.zeros(y.size)
    if target is None:
        target, _ = past_mean(y, s, past)
        toward[:past] = precision[:past] / precision[:past].sum()
    seen = float(np.median(s)) ** -2.0
    effect = np.zeros(y.size)
    z = target
    means, sds = np.empty(y.size), np.empty(y.size)
    for t in range(y.size):
        seen = (1 - weight) * seen + weight * precision[t]
        a = weight * precision[t] / seen
        z += a * (y[t] - z)
        effect = (1 - a) * effect - a * toward
        effect[t] += a
        means[t], sds[t] = z, float(np.sqrt(np.sum((effect * s) ** 2)))
    return EwmaChart(target, means, width * sds)


def cusum_chart(
    values: ArrayLike,
    *,
    target: float,
    slack: float,
    limit: float,
    u: ArrayLike | None = None,
) -> CusumChart:
    """Tabular CUSUM (Page, Biometrika 41, 1954, 100-115; NIST/SEMATECH e-Handbook 6.3.2.3).

    Parameters
    ----------
    values : array_like, shape (n,)
    target, slack, limit : float
        Middle, allowance k and decision limit h, in the unit of the values.
    u : array_like, shape (n,), optional
        Standard uncertainties, > 0. A step then counts by its precision against the middle one,
        ``S_t = max(0, S_(t-1) + (u_mid / u_t)^2 (y_t - target - k))``, which is the log-likelihood
        ratio for a shift of 2 k, times u_mid^2 / 2 k. All equal: the plain form.

    Returns
    -------
    CusumChart

    Raises
    ------
    ValueError
        An empty series, a negative slack, a limit or uncertainty that is not positive.
    """
    y, s = _checked(values, np.ones(np.size(values)) if u is None else u)
    if not (slack >= 0 and limit > 0):
        raise ValueError("slack cannot be negative and the limit must be positive")
    weight = (float(np.median(s)) / s) ** 2
    high, low = np.zeros(y.size), np.zeros(y.size)
    up = down = 0.0
    for t in range(y.size):
        up = max(0.0, up + weight[t] * (y[t] - target - slack))
        down = max(0.0, down + weight[t] * (target - y[t] - slack))
        high[t], low[t] = up, down
    return CusumChart(target, high, low, limit)


def _checked(values: ArrayLike, u: ArrayLike) -> tuple[FloatArray, FloatArray]:
    y = np.asarray(values, dtype=np.float64)
    s = np.asarray(u, dtype=np.float64)
    if y.ndim != 1 or y.shape != s.shape or y.size == 0:
        raise ValueError("a chart needs at least one value, and an uncertainty for each")
    if not (np.all(np.isfinite(y)) and np.all(np.isfinite(s)) and np.all(s > 0)):
        raise ValueError("values must be numbers and uncertainties positive")
    return y, s
