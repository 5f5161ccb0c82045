"""Straight lines through points: errors in y only, or errors in both axes.

Sources: ordinary least squares as in JCGM 100:2008, H.3; errors in both axes by York, Evensen,
Lopez Martinez and De Basabe Delgado, Am. J. Phys. 72 (2004) 367-375, equations 13, which solve the
problem of York, Can. J. Phys. 44 (1966) 1079.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray

# York's iteration gains about two digits per round on real data; 500 rounds are never reached
# unless the points have no direction at all.
_MAX_ROUNDS = 500
_SETTLED = 1e-14


@dataclass(frozen=True, slots=True)
class Line:
    """A fitted line ``y = intercept + slope * (x - origin)``.

    Attributes
    ----------
    intercept, slope : float
        In the unit of y, and y per x.
    u_intercept, u_slope : float
        Standard uncertainties.
    covariance : float
        Covariance of intercept and slope.
    origin : float
        Where on x the intercept is taken.
    residual_sd : float
        Root of the residual sum of squares over `dof`, in the unit of y (vertical residuals).
    chi2 : float
        Weighted sum of squared residuals; NaN when no uncertainty of the points was given.
    dof : int
        Degrees of freedom, n - 2.
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    origin: float
    residual_sd: float
    chi2: float
    dof: int

    @property
    def correlation(self) -> float:
        """Correlation of intercept and slope; 0 if either is exact."""
        product = self.u_intercept * self.u_slope
        return self.covariance / product if product > 0 else 0.0

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line at ``x`` with its standard uncertainty (JCGM 100:2008, H.15)."""
        step = x - self.origin
        variance = self.u_intercept**2 + (step * self.u_slope) ** 2 + 2.0 * step * self.covariance
        return self.intercept + self.slope * step, math.sqrt(max(variance, 0.0))

    def widened(self, factor: float) -> Line:
        """Return the same line with every standard uncertainty multiplied by ``factor``."""
        return replace(
            self,
            u_intercept=self.u_intercept * factor,
            u_slope=self.u_slope * factor,
            covariance=self.covariance * factor**2,
        )


def _points(x: ArrayLike, y: ArrayLike, fewest: int) -> tuple[FloatArray, FloatArray]:
    across = np.asarray(x, dtype=np.float64)
    up = np.asarray(y, dtype=np.float64)
    if across.ndim != 1 or across.shape != up.shape:
        raise ValueError("a line needs two lists of the same length")
    if not (np.all(np.isfinite(across)) and np.all(np.isfinite(up))):
        raise ValueError("a line needs finite numbers only")
    if across.size < fewest:
        raise NoAnswerError(
            f"a line with its uncertainty needs {fewest} points, there are {across.size}"
        )
    if np.ptp(across) == 0:
        raise NoAnswerError("all points have the same x: spread them out")
    return across, up


def ordinary_line(
    x: ArrayLike, y: ArrayLike, *, u_y: ArrayLike | None = None, origin: float = 0.0
) -> Line:
    """Least-squares line with errors in y only.

    Parameters
    ----------
    x, y : array_like
        Shape (n,), n >= 3.
    u_y : array_like, optional
        Standard uncertainty of each y (scalar or shape (n,)), taken as known. Left out, all points
        weigh the same and the uncertainties come from the residuals.
    origin : float
        Where on x the intercept is taken.

    Returns
    -------
    Line
        Its uncertainties are not widened when ``chi2`` exceeds ``dof``; see `Line.widened`.

    Raises
    ------
    NoAnswerError
        Fewer than 3 points, or no spread in x.
    ValueError
        Lengths differ, numbers not finite, an uncertainty not positive.

    Notes
    -----
    Worked about the weighted mean of x, so that a large common offset costs no digits.
    """
    across, up = _points(x, y, 3)
    if u_y is None:
        weights = np.ones_like(across)
    else:
        u = np.broadcast_to(np.asarray(u_y, dtype=np.float64), across.shape)
        if not np.all(u > 0):
            raise ValueError("u_y must be positive")
        weights = 1.0 / u**2
    total = float(np.sum(weights))
    middle_x = float(np.sum(weights * across)) / total
    middle_y = float(np.sum(weights * up)) / total
    dx, dy = across - middle_x, up - middle_y
    sxx = float(np.sum(weights * dx * dx))
    slope = float(np.sum(weights * dx * dy)) / sxx
    residuals = dy - slope * dx
    dof = across.size - 2
    chi2 = float(np.sum(weights * residuals**2))
    variance = chi2 / dof if u_y is None else 1.0
    step = origin - middle_x
    return Line(
        intercept=middle_y + slope * step,
        slope=slope,
        u_intercept=math.sqrt(variance * (1.0 / total + step**2 / sxx)),
        u_slope=math.sqrt(variance / sxx),
        covariance=variance * step / sxx,
        origin=origin,
        residual_sd=math.sqrt(float(np.sum(residuals**2)) / dof),
        chi2=math.nan if u_y is None else chi2,
        dof=dof,
    )


def _start_slope(dx: FloatArray, dy: FloatArray, ratio: float) -> float:
    """Deming's closed form, ratio = variance of y errors over variance of x errors."""
    sxx, syy, sxy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    if sxy == 0.0 or not math.isfinite(ratio):
        return sxy / sxx
    lean = syy - ratio * sxx
    root = math.hypot(lean, 2.0 * math.sqrt(ratio) * sxy)
    # Of the two equal forms, the one that does not subtract nearly equal numbers.
    if lean >= 0:
        return (lean + root) / (2.0 * sxy)
    return 2.0 * ratio * sxy / (root - lean)


def york_line(
    x: ArrayLike,
    y: ArrayLike,
    u_x: ArrayLike,
    u_y: ArrayLike,
    *,
    correlation: ArrayLike = 0.0,
    origin: float = 0.0,
) -> Line:
    """Line of greatest likelihood with known normal errors in both axes.

    Parameters
    ----------
    x, y : array_like
        Shape (n,), n >= 3.
    u_x, u_y : array_like
        Standard uncertainties, scalar or shape (n,), >= 0. Where one is 0 the other must not be.
    correlation : array_like
        Correlation of a point's x error with its y error, scalar or shape (n,), within -1 .. 1.
    origin : float
        Where on x the intercept is taken.

    Returns
    -------
    Line
        Uncertainties from the points' own, at the adjusted points (York et al. 2004, eqs. 13d-e),
        not widened by ``chi2``.

    Raises
    ------
    NoAnswerError
        Fewer than 3 points, no spread in x, or no direction that the iteration settles on.
    ValueError
        Lengths differ, numbers not finite, uncertainties negative or both 0.
    """
    across, up = _points(x, y, 3)
    ux = np.broadcast_to(np.asarray(u_x, dtype=np.float64), across.shape)
    uy = np.broadcast_to(np.asarray(u_y, dtype=np.float64), across.shape)
    r = np.broadcast_to(np.asarray(correlation, dtype=np.float64), across.shape)
    if not (np.all(ux >= 0) and np.all(uy >= 0) and np.all(ux + uy > 0)):
        raise ValueError("u_x and u_y must not be negative, nor both zero")
    if not np.all(np.abs(r) < 1):
        raise ValueError("correlation must lie within -1 and 1")
    var_x, var_y, cov = ux**2, uy**2, r * ux * uy
    mean_var_x = float(np.mean(var_x))
    ratio = float(np.mean(var_y)) / mean_var_x if mean_var_x > 0 else math.inf
    slope = _start_slope(across - across.mean(), up - up.mean(), ratio)

    for _ in range(_MAX_ROUNDS):
        weights = 1.0 / (var_y + slope**2 * var_x - 2.0 * slope * cov)
        total = float(np.sum(weights))
        middle_x = float(np.sum(weights * across)) / total
        middle_y = float(np.sum(weights * up)) / total
        dx, dy = across - middle_x, up - middle_y
        beta = weights * (dx * var_y + slope * dy * var_x - (slope * dx + dy) * cov)
        bottom = float(np.sum(weights * beta * dx))
        if bottom == 0.0:
            raise NoAnswerError("the points have no direction that a line could follow")
        step, slope = slope, float(np.sum(weights * beta * dy)) / bottom
        if abs(slope - step) <= _SETTLED * max(abs(slope), 1e-300):
            break
    else:
        if abs(slope - step) > 1e-9 * abs(slope):
            raise NoAnswerError("the points have no direction that a line could follow")

    # The adjusted points, relative to the weighted mean.
    middle_beta = float(np.sum(weights * beta)) / total
    sxx = float(np.sum(weights * (beta - middle_beta) ** 2))
    residuals = dy - slope * dx
    back = origin - middle_x
    # Variances are those at the mean of the adjusted points (eqs. 13d-e).
    lever = back - middle_beta
    dof = across.size - 2
    return Line(
        intercept=middle_y + slope * back,
        slope=slope,
        u_intercept=math.sqrt(1.0 / total + lever**2 / sxx),
        u_slope=math.sqrt(1.0 / sxx),
        covariance=lever / sxx,
        origin=origin,
        residual_sd=math.sqrt(float(np.sum(residuals**2)) / dof),
        chi2=float(np.sum(weights * residuals**2)),
        dof=dof,
    )


def deming_line(
    x: ArrayLike, y: ArrayLike, *, variance_ratio: float = 1.0, origin: float = 0.0
) -> Line:
    """Line with errors in both axes of unknown size but known ratio (Deming).

    Parameters
    ----------
    x, y : array_like
        Shape (n,), n >= 3.
    variance_ratio : float
        Variance of the errors in y over that of the errors in x, > 0. 1 = orthogonal distances.
    origin : float
        Where on x the intercept is taken.

    Returns
    -------
    Line
        Uncertainties scaled by the scatter that was found, with n - 2 degrees of freedom.

    Raises
    ------
    NoAnswerError, ValueError
        As `york_line`.
    """
    if not (variance_ratio > 0 and math.isfinite(variance_ratio)):
        raise ValueError("variance_ratio must be a positive number")
    line = york_line(x, y, 1.0, math.sqrt(variance_ratio), origin=origin)
    return replace(line.widened(math.sqrt(line.chi2 / line.dof)), chi2=math.nan)
