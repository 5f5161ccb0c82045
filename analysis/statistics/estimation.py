"""Small shared statistics: quantiles, sample sizes, and one robust mean with honest intervals."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtr

from analysis.conventions import FloatArray
from analysis.statistics.budget import coverage_factor


@dataclass(frozen=True, slots=True)
class Interval:
    """Two-sided interval of equal tails."""

    low: float
    high: float
    confidence: float

    @property
    def half_width(self) -> float:
        """Half of its length."""
        return (self.high - self.low) / 2


def stein_sample_size(sd: float, dof: float, half_width: float, *, confidence: float = 0.90) -> int:
    """Whole sample that brings a mean's interval to ``half_width`` with certainty.

    Stein, Ann. Math. Statist. 16 (1945) 243-258: after a pilot of n0 = dof + 1 values with
    standard deviation s, take ``max(n0, floor(t^2 s^2 / d^2) + 1)`` in all, t at the pilot's
    degrees of freedom.

    Parameters
    ----------
    sd, dof : float
        Of the pilot; ``sd`` >= 0, ``dof`` >= 1.
    half_width : float
        Wanted half-width d > 0, in the unit of ``sd``.
    confidence : float
        Of the two-sided interval.

    Returns
    -------
    int

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not (sd >= 0 and dof >= 1 and half_width > 0):
        raise ValueError("needs sd >= 0, dof >= 1 and half_width > 0")
    t = coverage_factor(dof, confidence)
    return max(math.ceil(dof) + 1, math.floor((t * sd / half_width) ** 2) + 1)


# Confidence at which a question may be asked again after every swing and still be answered wrongly
# by chance in only one of ten cases in all: Pocock's constant for 20 equally spaced looks at 10 %
# is 2.392 where one look takes 1.645 (Pocock, Biometrika 64 (1977) 191-199; constants as tabled by
# Jennison and Turnbull, Group Sequential Methods (2000), table 2.1, from memory; checked by
# simulation in tests/statistics/test_contact_mean.py). Without it tests/benchmarks/contact.py found
# 32 % of centred clubs called deep by players who look after each swing.
EVERY_SWING = 0.983


@dataclass(frozen=True, slots=True)
class RobustMean:
    """Mean and spread of values of which a few may be strays."""

    estimate: float
    """Median of the posterior of the mean."""
    u: float
    """Standard uncertainty: with ``dof`` and Student's t it gives back ``interval``."""
    dof: float
    interval: Interval
    spread: float
    """Standard deviation of the values that are not strays: posterior median."""
    spread_interval: Interval
    p_stray: FloatArray
    """Shape (n,): probability of each value to be a stray."""


# Share, width (in spreads) and tail of strays in the model. Box and Tiao took 5 sigma; a tenth is
# the most that gross mishits make of a player's swings. Shares of 0.06 and 0.15 and widths of 4 and
# 7 moved the coverage that tests/benchmarks/contact.py prints by up to 2 points, none for the
# better throughout. The tail of Student's t with 3 degrees of freedom, where Box and Tiao have a
# normal one, keeps a single wild value from stretching the spread of all others.
STRAY_SHARE = 0.1
STRAY_WIDTH = 5.0
# Height at 0 of Student's t with 3 degrees of freedom, times sqrt(2 pi).
_STRAY_TOP = 2 * math.sqrt(2 / (3 * math.pi))

# Points of the grid. Steps four times as fine move no interval's end by more than 0.5 % of its
# length (tests/statistics/test_estimation.py).
MEAN_POINTS = 141
SPREAD_POINTS = 61
# Natural logarithm of the range of a float below 1, with some to spare.
_LOG_RANGE = 690.0


def huber_location(
    values: ArrayLike, *, k: float = 1.5, scale: float | None = None
) -> tuple[float, float]:
    """Huber's location with a fixed scale, or location and scale together (his proposal 2).

    Huber, Robust Statistics (1981), 6.4 and 6.7; start at median and 1.4826 MAD.

    Parameters
    ----------
    values : array_like, shape (n,)
        n >= 1, finite.
    k : float
        Where pulling in begins, in scales.
    scale : float, optional
        Fixed scale > 0; if not given it is estimated along with the location.

    Returns
    -------
    location, scale : float
        The scale is 0 if more than half of the values are equal.
    """
    x = np.asarray(values, dtype=np.float64)
    mu = float(np.median(x))
    s = 1.4826 * float(np.median(np.abs(x - mu))) if scale is None else scale
    if s <= 0 or x.size < 2:
        return mu, max(s, 0.0)
    inside = float(2 * stdtr(1e9, k) - 1)
    density = math.exp(-0.5 * k * k) / math.sqrt(2 * math.pi)
    # Mean of the squared, pulled-in standard normal.
    beta = inside + k * k * (1 - inside) - 2 * k * density
    # Sorted, what is not pulled in is one stretch, which changes little from turn to turn.
    middle = mu
    ordered = np.sort(x) - middle
    places: list[float] = ordered.tolist()
    first = last = -1
    within = squares = mu = 0.0
    for _ in range(200):
        low, high = mu - k * s, mu + k * s
        stretch = bisect_left(places, low), bisect_right(places, high)
        if stretch != (first, last):
            first, last = stretch
            within = float(ordered[first:last].sum())
            squares = float(ordered[first:last] @ ordered[first:last])
        under, over = first, x.size - last
        mu_next = (within + under * low + over * high) / x.size
        s_next = s
        if scale is None:
            about = squares + under * low**2 + over * high**2 - x.size * mu_next**2
            s_next = math.sqrt(max(about, 0.0) / (x.size - 1) / beta)
        moved = abs(mu_next - mu) + abs(s_next - s)
        mu, s = mu_next, s_next
        if moved <= 1e-10 * s or s <= 0:
            break
    return middle + mu, s


def robust_mean(
    values: ArrayLike, *, confidence: float = 0.90, resolution: float = 0.0
) -> RobustMean:
    """Mean of values that are normal but for a few strays, with intervals that say how sure.

    Parameters
    ----------
    values : array_like, shape (n,)
        n >= 2, finite, any unit.
    confidence : float
        Of both intervals.
    resolution : float
        Smallest step that the values can show, same unit, >= 0. Values cannot scatter less than
        ``resolution / sqrt(12)`` (JCGM 100:2008, F.2.2.1), and that much is added to the mean's
        uncertainty unreduced, because equal values share their rounding.

    Returns
    -------
    RobustMean

    Raises
    ------
    ValueError
        Fewer than 2 values, values not finite, or all equal with ``resolution`` 0.

    Notes
    -----
    Each value comes from N(m, s^2) or, with probability `STRAY_SHARE`, from a Student's t about m
    that is `STRAY_WIDTH` times as wide; prior density 1/s (after Box and Tiao, A Bayesian approach
    to some outlier problems, Biometrika 55 (1968) 119-129, from memory; there the strays are
    normal). The posterior of (m, s) is summed on a grid. Without strays in the model this is
    exactly Student's t. Nothing is thrown away by a test, so the interval of few values holds the
    doubt whether the odd one was a stray.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or x.size < 2 or not np.all(np.isfinite(x)):
        raise ValueError("a robust mean needs at least two finite values")
    if not 0 < confidence < 1:
        raise ValueError("confidence must lie within 0 and 1")
    upper = (1 + confidence) / 2
    if not resolution >= 0:
        raise ValueError("resolution cannot be negative")
    # A large constant (a board that counts from far away) must not eat the digits.
    origin = float(np.median(x))
    y = x - origin
    finest = resolution / math.sqrt(12)
    sd = max(float(y.std(ddof=1)), finest)
    if sd <= 0:
        raise ValueError("all values are equal: give the resolution they were read with")

    mean_grid, spread_grid = _grids(y, sd, finest)
    log_post, stray_share = _log_posterior(y, mean_grid, spread_grid)
    post = np.exp(log_post - log_post.max())
    # Mean by trapezoids over its uneven grid; spread is even in log s, which is the 1/s prior.
    width = np.gradient(mean_grid)
    post *= width
    post /= post.sum()

    low, mid, high = _quantiles(mean_grid, post.sum(axis=0) / width, (1 - upper, 0.5, upper))
    s_low, s_mid, s_high = np.exp(
        _quantiles(np.log(spread_grid), post.sum(axis=1), (1 - upper, 0.5, upper))
    )
    p_stray = np.array([float(np.vdot(post, share)) for share in stray_share])
    dof = max(float(np.sum(1 - p_stray)) - 1, 1.0)
    factor = coverage_factor(dof, confidence)
    u = math.hypot((high - low) / 2 / factor, finest)
    # The widening by the resolution goes to both sides alike.
    extra = factor * u - (high - low) / 2
    return RobustMean(
        estimate=origin + mid,
        u=u,
        dof=dof,
        interval=Interval(origin + low - extra, origin + high + extra, confidence),
        spread=float(s_mid),
        spread_interval=Interval(float(s_low), float(s_high), confidence),
        p_stray=p_stray,
    )


def _grids(y: FloatArray, sd: float, finest: float) -> tuple[FloatArray, FloatArray]:
    mu, s = huber_location(y)
    # Three values of which two agree have hardly any robust scale: stay within reach of the sd.
    s = min(max(s, 0.1 * sd), sd)
    few = y.size < 8
    reach = math.asinh(60.0 if few else 20.0)
    steps = np.sinh(np.linspace(-reach, reach, MEAN_POINTS))
    mean_grid = mu + steps * s * (2.0 if few else 1.0) / math.sqrt(y.size)
    low = max((0.05 if few else 0.2) * s, finest)
    # Two values leave the spread open upward: their posterior falls only as 1/s^2. From eight on
    # all but 1e-5 of it lies below six standard deviations (chi-square).
    spread_grid = np.geomspace(low, (100.0 if few else 6.0) * sd, SPREAD_POINTS)
    return mean_grid, spread_grid


def _log_posterior(
    y: FloatArray, mean_grid: FloatArray, spread_grid: FloatArray
) -> tuple[FloatArray, list[FloatArray]]:
    """Shape (spreads, means); up to a constant, with respect to d(mean) d(log spread).

    And for each value the probability there that it is a stray.
    """
    total = np.zeros((spread_grid.size, mean_grid.size))
    shares = []
    per_spread = 1 / spread_grid**2
    # Logarithms take longest: of as many values at once as a float holds the product of.
    furthest = max(float(y.max() - mean_grid[0]), float(mean_grid[-1] - y.min()))
    least = _densities(per_spread.max() * np.array([furthest**2]))[1]
    at_once = max(1, int(_LOG_RANGE / -math.log(max(float(least[0]), 1e-300))))
    for start in range(0, y.size, at_once):
        product = np.ones_like(total)
        for value in y[start : start + at_once]:
            sound, stray = _densities(np.multiply.outer(per_spread, (value - mean_grid) ** 2))
            sound += stray
            stray /= sound
            shares.append(stray)
            product *= sound
        total += np.log(product, out=product)
    return np.asarray(total - y.size * np.log(spread_grid)[:, None]), shares


def _densities(z2: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Of a sound value and of a stray, times ``sqrt(2 pi)``, at ``z2`` squared spreads."""
    # In place: the grids are large beside the processor's nearest memory.
    sound = np.exp(z2 * -0.5)
    sound *= 1 - STRAY_SHARE
    # The tail falls as a power: it cannot underflow to 0 and spoil the logarithm.
    tail = z2 * (1 / (3 * STRAY_WIDTH**2))
    tail += 1
    tail *= tail
    return sound, np.divide(STRAY_SHARE * _STRAY_TOP / STRAY_WIDTH, tail, out=tail)


def _quantiles(grid: FloatArray, density: FloatArray, levels: tuple[float, ...]) -> list[float]:
    steps = np.diff(grid) * (density[1:] + density[:-1]) / 2
    total = np.concatenate(([0.0], np.cumsum(steps)))
    return [float(q) for q in np.interp(levels, total / total[-1], grid)]
