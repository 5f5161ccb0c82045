"""A straight line that a few stray points cannot pull, with every point judged against the others.

Source: least trimmed squares to start from (Rousseeuw, J. Am. Stat. Assoc. 79 (1984) 871-880), then
Tukey's bisquare with its scale held (an MM-estimate in the manner of Yohai, Ann. Stat. 15 (1987)
642-656), both from memory.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray

# Tukey's constant for 95 % efficiency at the normal.
_BISQUARE = 4.685
_ROUNDS = 200
# All pairs of this many points are a few thousand lines; a set of clubs has a dozen.
_MOST_POINTS = 100


@dataclass(frozen=True, slots=True)
class RobustLine:
    """Line ``y = middle_y + slope * (x - middle_x)``; arrays in the order of the points."""

    slope: float
    u_slope: float
    middle_x: float
    """Weighted mean of x: slope and height are independent there."""
    middle_y: float
    u_middle_y: float
    scale: float
    """Standard deviation of points that are not stray, not under the points' own uncertainty."""
    weight: FloatArray
    """1 = counts in full, 0 = stray, not counted."""
    residual: FloatArray
    """y minus the line through all points."""
    off: FloatArray
    """y minus the line through the other points; NaN where the others make no line."""
    u_off: FloatArray
    """Standard uncertainty of ``off`` from the point's own and from the line of the others."""

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line at ``x``, with its standard uncertainty."""
        step = x - self.middle_x
        return self.middle_y + self.slope * step, math.hypot(self.u_middle_y, step * self.u_slope)


def robust_line(x: ArrayLike, y: ArrayLike, *, u_y: ArrayLike) -> RobustLine:
    """Fit a line from which ``n - (n + 3) // 2`` points may stray: 1 of 4, 2 of 7, 3 of 8.

    Parameters
    ----------
    x, y : array_like
        Shape (n,), 3 <= n <= 100, finite.
    u_y : array_like
        Standard uncertainty of each y, scalar or shape (n,), > 0: how exactly it was measured.

    Returns
    -------
    RobustLine

    Raises
    ------
    NoAnswerError
        Fewer than 3 points, or all x the same.
    ValueError
        Lengths differ, numbers not finite, an uncertainty not positive, more than 100 points.

    Notes
    -----
    Every line through two points is tried; the one whose smaller half of squared residuals sums to
    least is the start. The scale is the residuals' normalised median there, not under 1 (all in
    units of ``u_y``). Three points have no stray among them that could be told and no scatter of
    their own: they get the plain line, and each is judged against the other two.
    """
    across, up = np.asarray(x, np.float64), np.asarray(y, np.float64)
    if across.ndim != 1 or across.shape != up.shape or across.size > _MOST_POINTS:
        raise ValueError("a line needs two lists of the same length, of 100 points at most")
    u = np.broadcast_to(np.asarray(u_y, np.float64), across.shape)
    if not (np.isfinite(across).all() and np.isfinite(up).all() and np.isfinite(u).all()):
        raise ValueError("a line needs finite numbers only")
    if not np.all(u > 0):
        raise ValueError("u_y must be positive")
    if across.size < 3:
        raise NoAnswerError(f"a line needs 3 points, there are {across.size}")
    if np.ptp(across) == 0:
        raise NoAnswerError("all points have the same x: there is no line along it")

    height, slope = _trimmed_start(across, up, u)
    scaled = np.abs(up - height - slope * across) / u
    # The start passes through two points exactly; of the others the lower median, so that the one
    # stray that four points may hold does not make the scale.
    typical = float(np.sort(scaled)[2 + (across.size - 3) // 2]) / float(ndtri(0.75))
    sole_residual = across.size == 3
    scale = 1.0 if sole_residual else max(typical, 1.0)
    weight = np.ones_like(across)
    for _ in range(_ROUNDS):
        pulled = (up - height - slope * across) / (u * scale * _BISQUARE)
        if not sole_residual:
            weight = np.where(np.abs(pulled) < 1, (1 - pulled**2) ** 2, 0.0)
        full = weight / u**2
        middle_x = float(full @ across / full.sum())
        middle_y = float(full @ up / full.sum())
        spread = float(full @ (across - middle_x) ** 2)
        if spread == 0:
            raise NoAnswerError("the points that agree all have the same x: no line along it")
        before = slope
        slope = float(full @ ((across - middle_x) * (up - middle_y))) / spread
        height = middle_y - slope * middle_x
        if abs(slope - before) * np.ptp(across) <= 1e-12 * float(u.min()):
            break
    off, u_off = _against_others(across, up, u, weight, scale)
    return RobustLine(
        slope=slope,
        u_slope=scale / math.sqrt(spread),
        middle_x=middle_x,
        middle_y=middle_y,
        u_middle_y=scale / math.sqrt(float(full.sum())),
        scale=scale * float(np.median(u)),
        weight=weight,
        residual=up - height - slope * across,
        off=off,
        u_off=u_off,
    )


def _trimmed_start(x: FloatArray, y: FloatArray, u: FloatArray) -> tuple[float, float]:
    """Height at x = 0 and slope of the best line through two points (least trimmed squares)."""
    first, second = np.array(list(itertools.combinations(range(x.size), 2))).T
    differ = x[first] != x[second]
    first, second = first[differ], second[differ]
    slopes = (y[second] - y[first]) / (x[second] - x[first])
    heights = y[first] - slopes * x[first]
    squares = np.sort(((y - heights[:, None] - slopes[:, None] * x) / u) ** 2, axis=1)
    best = int(np.argmin(squares[:, : (x.size + 3) // 2].sum(axis=1)))
    return float(heights[best]), float(slopes[best])


def _against_others(
    x: FloatArray, y: FloatArray, u: FloatArray, weight: FloatArray, scale: float
) -> tuple[FloatArray, FloatArray]:
    off, u_off = np.full(x.size, np.nan), np.full(x.size, np.nan)
    for i in range(x.size):
        full = weight / u**2
        full[i] = 0.0
        total = float(full.sum())
        if total <= 0:
            continue
        middle = float(full @ x) / total
        spread = float(full @ (x - middle) ** 2)
        # Others in one place make no line.
        if spread <= 1e-9 * total * float(np.ptp(x)) ** 2:
            continue
        height = float(full @ y) / total
        slope = float(full @ ((x - middle) * (y - height))) / spread
        step = float(x[i]) - middle
        off[i] = y[i] - height - slope * step
        u_off[i] = math.hypot(u[i], scale * math.sqrt(1 / total + step**2 / spread))
    return off, u_off
