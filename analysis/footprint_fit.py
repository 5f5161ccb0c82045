"""Most probable footprint of many strikes at once: damped Gauss-Newton on all of theta."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.conventions import FloatArray
from analysis.footprint_linear import FEW, Cholesky, solve_damped
from analysis.footprint_model import (
    EDGE,
    HEEL,
    HEEL_COLUMNS,
    LOG_A,
    LOG_H,
    SHAPE,
    SHARE,
    SIZE,
    TOE,
    TOE_COLUMNS,
    TURN,
    C,
    Cells,
    L,
    Prediction,
    V,
    predict,
)
from analysis.footprint_start import choose_ends
from analysis.footprint_types import BoolArray

# Largest step in one go, by column of theta: the model's kinks make longer ones useless.
STEP_LIMIT = np.array([0.7, 12.0, 0.5, 12.0, 4.0, 0.5, 4.0, 4.0, 0.2, 0.7])
# Student's t of the first phase: few degrees of freedom, so that one dead cell cannot bend the
# parabola before it is known to be dead.
_T_DOF = 4.0
# In the last phase a cell is good with this chance, else its noise is this many times as great.
_BAD_CHANCE = 0.02
_BAD_FACTOR = 20.0
# Prior weight, in cells, of the belief that the stated noise is right.
_NOISE_BELIEF = 12.0
# A second guess is tried when it looked at most this much dearer than the first.
_RIVAL_COST = 20.0
# Standard deviation of what is said to be certain: no data moves it.
_HELD = 1e-4
# Ends found anew are tried when they moved by more than this part of the pitch.
_RETRY_PITCHES = 0.3


@dataclass(frozen=True)
class Problem:
    """Profiles of n strikes with their priors; what has cells has them first."""

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
    """(n, 10)."""
    prior_weight: FloatArray
    """(n, 10): one over variance."""

    def take(self, rows: NDArray[Any]) -> Problem:
        """Pick some of the strikes (also repeatedly)."""
        return Problem(
            self.cells,
            self.y[:, rows],
            None if self.sag is None else self.sag[:, rows],
            self.offset_var[:, rows],
            self.gain_var,
            self.use[:, rows],
            None if self.saturated is None else self.saturated[:, rows],
            self.prior_mean[rows],
            self.prior_weight[rows],
        )

    def inverse_variance(self, counts: FloatArray) -> FloatArray:
        """One over the variance of each cell when it truly has ``counts``; 0 = unused."""
        level = np.maximum(counts, 0.0)
        variance = self.offset_var + self.gain_var * level * level
        return np.asarray(self.use / variance)


@dataclass
class Measured:
    """Cost, gradient and Gauss-Newton Hessian at theta, n strikes."""

    theta: FloatArray
    cost: FloatArray
    """Minus twice the log posterior, up to a constant."""
    slope: FloatArray
    """(n, 10): downhill direction, half the negative gradient of cost."""
    normal: FloatArray
    """(n, 10, 10)."""

    def adopt(self, other: Measured, rows: NDArray[np.intp], better: BoolArray) -> None:
        """Take over the strikes of ``other`` (which are ``rows`` here) that got better."""
        into = rows[better]
        self.theta[into] = other.theta[better]
        self.cost[into] = other.cost[better]
        self.slope[into] = other.slope[better]
        self.normal[into] = other.normal[better]


def residuals(
    problem: Problem, theta: FloatArray, blur_mm: float = 0.0
) -> tuple[Prediction, FloatArray, FloatArray | None]:
    """Evaluate model and residuals.

    Returns the prediction, residuals (cells, n), and 0 for cells that do not count because they
    are saturated and the model exceeds them (None if there are none).
    """
    found = predict(theta, problem.cells, problem.sag, blur_mm)
    rest = problem.y - found.counts
    if problem.saturated is None:
        return found, rest, None
    counting = 1.0 - (problem.saturated & (rest < 0))
    return found, np.asarray(rest * counting), np.asarray(counting)


def measure(
    problem: Problem,
    theta: FloatArray,
    inverse_var: FloatArray,
    noise: str = "plain",
    blur_mm: float = 0.0,
) -> Measured:
    """Evaluate the posterior; ``noise`` is ``plain``, ``student`` or ``mixture``."""
    found, rest, counting = residuals(problem, theta, blur_mm)
    square = rest * rest
    square *= inverse_var
    if noise == "plain":
        misfit = square.sum(axis=0)
        weight = inverse_var
    elif noise == "student":
        misfit = (_T_DOF + 1) * np.log1p(square / _T_DOF).sum(axis=0)
        weight = inverse_var * ((_T_DOF + 1) / (_T_DOF + square))
    else:
        minus_twice_log, good = _mixture(square)
        misfit = minus_twice_log.sum(axis=0)
        weight = inverse_var * (good * (1 - _BAD_FACTOR**-2) + _BAD_FACTOR**-2)
    if counting is not None:
        weight = weight * counting
    slope, normal = _normal_equations(found, rest, weight)
    off = theta - problem.prior_mean
    pull = problem.prior_weight * off
    normal[:, range(SIZE), range(SIZE)] += problem.prior_weight
    slope -= pull
    return Measured(theta, misfit + (pull * off).sum(axis=1), slope, normal)


def _normal_equations(
    found: Prediction, rest: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Downhill direction (n, 10) and Hessian (n, 10, 10) of half the weighted sum of squares.

    Sums over cells by the places of the ends, then turned to centre and length. A few strikes are
    done by whole matrices instead: fewer calls.
    """
    n = rest.shape[1]
    if n < FEW:
        by_strike = found.columns.transpose(2, 0, 1)
        dense = TURN @ (by_strike * weight.T[:, None, :])
        full = dense @ by_strike.transpose(0, 2, 1) @ TURN.T
        return (dense @ rest.T[:, :, None])[:, :, 0], full
    columns = found.columns
    raw = np.zeros((SIZE, SIZE, n))
    slope = np.zeros((SIZE, n))
    for i, column in enumerate(columns):
        one = weight * column
        slope[i] = np.einsum("cn,cn->n", one, rest)
        for j in range(i + 1):
            if i not in TOE_COLUMNS or j not in HEEL_COLUMNS:
                raw[i, j] = raw[j, i] = np.einsum("cn,cn->n", one, columns[j])
    half = np.tensordot(TURN, raw, 1)
    return (TURN @ slope).T, np.einsum("ikn,jk->nij", half, TURN)


def _mixture(square: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Minus twice the log density of a good-or-bad cell, and the chance that it is good."""
    # One exponential: the ratio of the two densities.
    ratio = np.exp(np.minimum((0.5 - 0.5 / _BAD_FACTOR**2) * square, 600.0))
    ratio *= _BAD_CHANCE / (_BAD_FACTOR * (1 - _BAD_CHANCE))
    ratio += 1.0
    return square - 2 * np.log(ratio), 1 / ratio


def good_chance(square: FloatArray) -> FloatArray:
    """Chance that a cell with this squared standardised residual is a good one."""
    return _mixture(square)[1]


def descend(
    problem: Problem,
    theta: FloatArray,
    inverse_var: FloatArray,
    noise: str,
    steps: int,
    tolerance: float = 1e-3,
    blur_mm: float = 0.0,
) -> tuple[Measured, BoolArray]:
    """Levenberg-Marquardt from ``theta``; strikes leave the batch when they have settled.

    Returns
    -------
    Measured
        At the best point found.
    settled : (n,) bool
        The last accepted or foreseen gain in cost was below ``tolerance`` (a shift of a few
        hundredths of a standard deviation).
    """
    best = measure(problem, theta, inverse_var, noise, blur_mm)
    n = len(theta)
    settled = np.zeros(n, dtype=np.bool_)
    rows = np.arange(n)
    damping = np.full(n, 1e-3)
    part, part_var = problem, inverse_var
    for _ in range(steps):
        now = damping[rows]
        step = solve_damped(best.normal[rows], now, best.slope[rows])
        excess = (np.abs(step) / STEP_LIMIT).max(axis=1)
        step /= np.maximum(excess, 1.0)[:, None]
        foreseen = (step * best.slope[rows]).sum(axis=1)
        trial = measure(part, best.theta[rows] + step, part_var, noise, blur_mm)
        gain = best.cost[rows] - trial.cost
        # One that has settled waits for the batch to shrink: it must end as it would alone.
        better = (gain > 0) & ~settled[rows]
        damping[rows] = np.where(better, now * 0.2, np.maximum(now, 1e-2) * 8.0)
        best.adopt(trial, rows, better)
        done = (better & (gain < tolerance) & (excess <= 1)) | (foreseen < 0.2 * tolerance)
        # A kink (an end at the border of the patch) can stop every step: good enough there.
        done |= now > 1e4
        settled[rows[done]] = True
        if done.sum() > 0.15 * len(rows):
            keep = ~done
            rows = rows[keep]
            if not len(rows):
                break
            part, part_var = problem.take(rows), inverse_var[:, rows]
    return best, settled


@dataclass
class Mode:
    """The most probable footprint of n strikes and what surrounds it."""

    theta: FloatArray
    """(n, 10)."""
    normal: FloatArray
    """(n, 10, 10): Hessian of half the cost, noise factor applied to the data's part."""
    covariance: FloatArray
    """(n, 10, 10): Laplace approximation, inverse of ``normal``."""
    inverse_var: FloatArray
    """(cells, n): final weights, bad cells and noise factor included."""
    good: FloatArray
    """(cells, n): chance that the cell is good."""
    standardised: FloatArray
    """(cells, n): residuals over their stated standard deviation."""
    counts: FloatArray
    """(cells, n): of the model."""
    chi2: FloatArray
    dof: FloatArray
    noise_factor: FloatArray
    settled: BoolArray


def find_mode(problem: Problem, theta: FloatArray, price: FloatArray, smooth: FloatArray) -> Mode:
    """Fit in two phases: heavy-tailed noise first, then good-or-bad cells.

    Parameters
    ----------
    problem : Problem
        Profiles and priors.
    theta, price : (n, choices, 10), (n, choices)
        First guesses and their costs from `footprint_start.start`.
    smooth : (cells, n)
        Values that stand in for the model's in the noise of the first phase.
    """
    inverse_var = problem.inverse_variance(smooth)
    pitch = problem.cells.pitch_mm
    first, _ = descend(problem, theta[:, 0].copy(), inverse_var, "student", 4, 0.05, pitch)
    for k in range(1, theta.shape[1]):
        rows = np.nonzero(price[:, k] - price[:, 0] < _RIVAL_COST)[0]
        if len(rows):
            rival = problem.take(rows)
            other, _ = descend(
                rival, theta[rows, k].copy(), inverse_var[:, rows], "student", 4, 0.05, pitch
            )
            first.adopt(other, rows, other.cost < first.cost[rows])
    _retry_ends(problem, first, inverse_var)
    counted = (problem.use > 0).sum(axis=0) - 4.0
    found, rest, counting = residuals(problem, first.theta)
    stated = problem.inverse_variance(found.counts)
    square = rest * rest * stated
    heavy = (_T_DOF + 1) / (_T_DOF + square)
    factor2 = _factor(np.sum(heavy * square, axis=0), counted)
    best, settled = first.theta, np.zeros(len(theta), dtype=np.bool_)
    for steps, tolerance in ((8, 0.02), (6, 0.005)):
        done, settled = descend(problem, best, stated / factor2, "mixture", steps, tolerance)
        best = done.theta
        found, rest, counting = residuals(problem, best)
        stated = problem.inverse_variance(found.counts)
        square = rest * rest * stated
        good = good_chance(square / factor2)
        sure = good > 0.5
        chi2 = np.sum(square * sure, axis=0)
        used = np.sum(sure & (problem.use > 0), axis=0)
        factor2 = _factor(chi2, used - 4.0)
    final = stated * (good + (1 - good) / _BAD_FACTOR**2) / factor2
    if counting is not None:
        final = final * counting
    _, normal = _normal_equations(found, rest, final)
    normal[:, range(SIZE), range(SIZE)] += problem.prior_weight
    covariance = Cholesky(normal).inverse()
    # Parameters that the strip, not the prior, determines.
    spent = SIZE - (covariance[:, range(SIZE), range(SIZE)] * problem.prior_weight).sum(axis=1)
    return Mode(
        best,
        normal,
        covariance,
        final,
        good,
        rest * np.sqrt(stated),
        found.counts,
        chi2,
        np.maximum(used - spent, 1.0),
        np.sqrt(factor2),
        settled,
    )


def _retry_ends(problem: Problem, found: Measured, inverse_var: FloatArray) -> None:
    """Look for the ends again with the rest now known; improve ``found`` in place."""
    theta = found.theta
    again, _ = choose_ends(
        problem.y.T,
        problem.cells,
        inverse_var.T,
        problem.prior_mean,
        problem.prior_weight,
        theta,
        1,
    )
    moved = np.abs(again[:, 0, C] - theta[:, C]) + np.abs(again[:, 0, L] - theta[:, L]) / 2
    rows = np.nonzero(moved > _RETRY_PITCHES * problem.cells.pitch_mm)[0]
    if len(rows):
        pitch = problem.cells.pitch_mm
        other, _ = descend(
            problem.take(rows), again[rows, 0], inverse_var[:, rows], "student", 4, 0.05, pitch
        )
        found.adopt(other, rows, other.cost < found.cost[rows])


def _factor(chi2: FloatArray, dof: FloatArray) -> FloatArray:
    """Square of the noise factor: mean of a scaled inverse chi-square belief, never below 1."""
    dof = np.maximum(dof, 0.0)
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
    """Prior mean and weight of theta, (n, 10) each, from means and standard deviations.

    Amplitude and lowest point have none: their columns are filled in from the first guess with a
    weight so small that it only keeps the normal equations regular.
    """
    mean = np.zeros((strikes, SIZE))
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
        mean[:, column] = value
        # Told that it is certain: held so tight that no data moves it.
        weight[:, column] = np.maximum(sd, _HELD) ** -2.0
    weight[:, LOG_A], weight[:, V] = 1e-4, 1e-6
    return mean, weight
