"""Cost of a footprint: misfit of the cells under one of three kinds of noise, and priors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.conventions import FloatArray
from analysis.footprint.linear import diagonal, pick, single
from analysis.footprint.model import (
    EDGE,
    HEEL,
    LOG_A,
    LOG_H,
    SHAPE,
    SHARE,
    SIZE,
    TOE,
    C,
    Cells,
    L,
    Prediction,
    V,
    predict,
)
from analysis.footprint.types import BoolArray

# Student's t of the first phase: few degrees of freedom, so that one dead cell cannot bend the
# parabola before it is known to be dead.
_T_DOF = 4.0
# In the last phase a cell is good with this chance, else its noise is this many times as great.
_BAD_CHANCE = 0.02
_BAD_FACTOR = 20.0
_BAD_WEIGHT = _BAD_FACTOR**-2
_ODDS = _BAD_CHANCE / (_BAD_FACTOR * (1 - _BAD_CHANCE))
# Squared standardised residual at which a cell is as likely good as bad.
_EVEN = float(-2 * np.log(_ODDS) / (1 - _BAD_WEIGHT))
# Prior weight, in cells, of the belief that the stated noise is right.
_NOISE_BELIEF = 12.0
# Cells that amplitude, lowest point, half-width and one end use up.
_SPENT = 4.0
# Standard deviation of what is said to be certain: no data moves it.
_HELD = 1e-4


def paired(rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Row numbers, a lone one twice.

    Sums down the cells of one strike alone are taken in another order than those of many. So that a
    strike gives the same number, to the last digit, whatever goes with it, none is ever alone.
    """
    return rows if len(rows) != 1 else np.repeat(rows, 2)


@dataclass(frozen=True)
class Problem:
    """Profiles of n strikes with their priors; strikes come last everywhere."""

    cells: Cells
    y: FloatArray
    """(cells, n)."""
    sag: FloatArray | None
    """(cells, n)."""
    offset_var: FloatArray
    """(cells, n)."""
    gain_var: float
    use: FloatArray
    """(cells, n): 0 = missing or dead."""
    saturated: BoolArray | None
    """(cells, n): value is a lower limit; None if no cell is."""
    prior_mean: FloatArray
    """(10, n)."""
    prior_weight: FloatArray
    """(10, n): one over variance."""

    def take(self, rows: NDArray[Any]) -> Problem:
        """Pick some of the strikes (also repeatedly)."""
        return Problem(
            self.cells,
            pick(self.y, rows),
            None if self.sag is None else pick(self.sag, rows),
            pick(self.offset_var, rows),
            self.gain_var,
            pick(self.use, rows),
            None if self.saturated is None else self.saturated.take(rows, axis=-1),
            pick(self.prior_mean, rows),
            pick(self.prior_weight, rows),
        )

    def single(self) -> Problem:
        """Return the same in single precision."""
        return Problem(
            self.cells,
            single(self.y),
            None if self.sag is None else single(self.sag),
            single(self.offset_var),
            self.gain_var,
            single(self.use),
            self.saturated,
            single(self.prior_mean),
            single(self.prior_weight),
        )

    def residuals(self, counts: FloatArray) -> FloatArray:
        """Return what the model leaves; 0 where the cell is saturated and the model exceeds it."""
        rest = self.y - counts
        if self.saturated is not None:
            rest[self.saturated & (rest < 0)] = 0.0
        return rest

    def inverse_variance(self, counts: FloatArray) -> FloatArray:
        """One over the variance of each cell when it truly has ``counts``; 0 = unused."""
        variance = np.maximum(counts, 0.0)
        variance *= variance
        variance *= self.gain_var
        variance += self.offset_var
        return np.asarray(np.divide(self.use, variance, out=variance))


@dataclass
class Slopes:
    """Cost, gradient and Gauss-Newton Hessian at theta, n strikes: what a step needs."""

    theta: FloatArray
    """(10, n)."""
    cost: FloatArray
    """(n,): minus twice the log posterior, up to a constant."""
    slope: FloatArray
    """(10, n): downhill direction, half the negative gradient of cost."""
    normal: FloatArray
    """(10, 10, n)."""

    def take(self, rows: NDArray[np.intp]) -> Slopes:
        """Pick some of the strikes."""
        return Slopes(
            *(pick(array, rows) for array in (self.theta, self.cost, self.slope, self.normal))
        )


@dataclass
class Measured(Slopes):
    """The same with the model it comes from."""

    found: Prediction
    rest: FloatArray
    """(cells, n): see `Problem.residuals`."""
    weight: FloatArray
    """(cells, n): of each cell in the normal equations."""


def measure(
    problem: Problem,
    theta: FloatArray,
    inverse_var: FloatArray,
    noise: str = "plain",
    blur_mm: float = 0.0,
) -> Measured:
    """Evaluate the posterior; ``noise`` is ``plain``, ``student`` or ``mixture``."""
    found = predict(theta, problem.cells, problem.sag, blur_mm)
    return weigh(problem, theta, found, problem.residuals(found.counts), inverse_var, noise)


def weigh(
    problem: Problem,
    theta: FloatArray,
    found: Prediction,
    rest: FloatArray,
    inverse_var: FloatArray,
    noise: str,
) -> Measured:
    """`measure` when the model's counts and the residuals are known already."""
    misfit, weight = _misfit(rest, inverse_var, noise)
    if problem.saturated is not None:
        weight = weight * ~(problem.saturated & (rest == 0))
    slope, normal = _normal_equations(found, rest, weight)
    off = theta - problem.prior_mean
    pull = problem.prior_weight * off
    diagonal(normal)[:] += problem.prior_weight
    slope -= pull
    pull *= off
    return Measured(theta, misfit + pull.sum(axis=0), slope, normal, found, rest, weight)


def cost_of(
    problem: Problem, theta: FloatArray, rest: FloatArray, inverse_var: FloatArray, noise: str
) -> FloatArray:
    """Cost alone, (n,)."""
    off = theta - problem.prior_mean
    off *= off
    off *= problem.prior_weight
    return np.asarray(_misfit(rest, inverse_var, noise)[0] + off.sum(axis=0))


def _misfit(rest: FloatArray, inverse_var: FloatArray, noise: str) -> tuple[FloatArray, FloatArray]:
    """Minus twice the log likelihood (n,), and weights of the cells in the normal equations."""
    square = rest * rest
    square *= inverse_var
    if noise == "plain":
        return square.sum(axis=0), inverse_var
    if noise == "student":
        square *= 1 / _T_DOF
        square += 1.0
        misfit = (_T_DOF + 1) * _log(square).sum(axis=0)
        return misfit, np.divide(inverse_var * (1 + 1 / _T_DOF), square, out=square)
    misfit, good = _mixture(square)
    return misfit, believed(inverse_var, good)


def _normal_equations(
    found: Prediction, rest: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Downhill direction (10, n) and Hessian (10, 10, n) of half the weighted sum of squares."""
    columns = found.columns
    n = rest.shape[1]
    one = np.multiply(weight, rest)
    slope = np.einsum("cn,jcn->jn", one, columns)
    normal = np.empty((SIZE, SIZE, n), columns.dtype)
    for i in range(SIZE):
        np.multiply(weight, columns[i], out=one)
        np.einsum("cn,jcn->jn", one, columns[: i + 1], out=normal[i, : i + 1])
        normal[:i, i] = normal[i, :i]
    return slope, normal


def _log(value: FloatArray) -> FloatArray:
    """Natural logarithm to 1e-7, which in single precision takes a fifth of the time."""
    return np.log(value.astype(np.float32))


def _mixture(square: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Minus twice the log density (n,) of good-or-bad cells, and the chance that each is good.

    To 1e-6: in single precision exponentials take a fifth of the time.
    """
    # One exponential: the ratio of the two densities. Beyond the limit, which keeps it finite, the
    # cost of a bad cell is that of its own wide noise.
    half = (0.5 - 0.5 * _BAD_WEIGHT) * square.astype(np.float32)
    np.minimum(half, 80.0, out=half)
    ratio = np.exp(half)
    ratio *= _ODDS
    ratio += 1.0
    half -= np.log(ratio)
    cost = _BAD_WEIGHT * square.sum(axis=0) + 2 * half.sum(axis=0)
    return cost, 1 / ratio.astype(square.dtype)


def good_chance(square: FloatArray) -> FloatArray:
    """Chance that a cell with this squared standardised residual is a good one."""
    return _mixture(square)[1]


def believed(inverse_var: FloatArray, good: FloatArray) -> FloatArray:
    """Weights of cells that are good with some chance."""
    return np.asarray(inverse_var * (good * (1 - _BAD_WEIGHT) + _BAD_WEIGHT))


def heavy_factor2(problem: Problem, square: FloatArray) -> FloatArray:
    """Square of the noise factor from standardised residuals squared, outliers held down."""
    heavy = (_T_DOF + 1) / (_T_DOF + square)
    counted = (problem.use > 0).sum(axis=0) - _SPENT
    return _factor2((heavy * square).sum(axis=0), counted)


def good_factor2(
    problem: Problem, square: FloatArray, factor2: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Misfit and number of the cells that are good under ``factor2``; the factor that follows."""
    sure = square < _EVEN * factor2
    chi2 = (square * sure).sum(axis=0)
    used = (sure & (problem.use > 0)).sum(axis=0)
    return chi2, used, _factor2(chi2, used - _SPENT)


def _factor2(chi2: FloatArray, dof: FloatArray) -> FloatArray:
    """Square of the noise factor: mean of a scaled inverse chi-square belief, never below 1."""
    dof = np.maximum(dof, 0).astype(chi2.dtype)
    return np.asarray(np.maximum((_NOISE_BELIEF + chi2) / (_NOISE_BELIEF + dof), 1.0))


def priors(
    strikes: int,
    centre: tuple[FloatArray, float],
    length: tuple[FloatArray, FloatArray],
    log_half: tuple[FloatArray, float],
    shape: tuple[float, float],
    ground: tuple[float, float],
    share: tuple[float, float],
    log_edge: tuple[FloatArray, float],
) -> tuple[FloatArray, FloatArray]:
    """Prior mean and weight of theta, (10, n) each, from means and standard deviations.

    Amplitude and lowest point have none: their rows are filled in from the first guess with a
    weight so small that it only keeps the normal equations regular.
    """
    mean = np.zeros((SIZE, strikes))
    weight = np.empty_like(mean)
    given: dict[int, tuple[ArrayLike, ArrayLike]] = {
        C: centre,
        L: length,
        LOG_H: log_half,
        SHAPE: shape,
        SHARE: share,
        EDGE: log_edge,
    }
    given |= {HEEL: ground, TOE: ground}
    for column, (value, sd) in given.items():
        mean[column] = value
        # Told that it is certain: held so tight that no data moves it.
        weight[column] = np.maximum(sd, _HELD) ** -2.0
    weight[LOG_A], weight[V] = 1e-4, 1e-6
    return mean, weight
