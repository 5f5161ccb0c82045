"""Most probable footprint of many strikes at once: damped Gauss-Newton on all of theta."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray
from analysis.footprint_linear import solve_damped
from analysis.footprint_model import C, L
from analysis.footprint_problem import (
    Measured,
    Problem,
    believed,
    good_chance,
    good_factor2,
    heavy_factor2,
    measure,
    weigh,
)
from analysis.footprint_start import choose_ends
from analysis.footprint_types import BoolArray

# Largest step in one go, by row of theta: the model's kinks make longer ones useless.
STEP_LIMIT = np.array([0.7, 12.0, 0.5, 12.0, 4.0, 0.5, 4.0, 4.0, 0.2, 0.7])[:, None]
# Steps of either phase, and what they may still gain when they stop.
_FIRST_STEPS, _FIRST_TOLERANCE = 3, 0.05
_LAST_STEPS, _LAST_TOLERANCE = 10, 0.005
# A second guess is tried when it looked at most this much dearer than the first.
_RIVAL_COST = 8.0
# Ends found anew are tried when they moved by more than this part of the pitch.
_RETRY_PITCHES = 0.3
# Strikes that have settled are left out once they are this part.
_WORTH_LEAVING = 0.4


@dataclass
class Noise:
    """Weights under which cost is measured, n strikes."""

    kind: str
    inverse_var: FloatArray
    """(cells, n)."""
    factor2: FloatArray | None = None
    """(n,): square of the noise factor; given, both follow the model from step to step."""

    def take(self, rows: NDArray[Any]) -> Noise:
        """Pick some of the strikes."""
        factor2 = None if self.factor2 is None else self.factor2[rows]
        return Noise(self.kind, self.inverse_var[:, rows], factor2)

    def put(self, other: Noise, rows: NDArray[np.intp]) -> None:
        """File ``other`` as the strikes ``rows``."""
        if self.factor2 is not None and other.factor2 is not None:
            self.inverse_var[:, rows] = other.inverse_var
            self.factor2[rows] = other.factor2


def descend(
    problem: Problem,
    best: Measured,
    noise: Noise,
    steps: int,
    tolerance: float,
    blur_mm: float = 0.0,
    damping: FloatArray | None = None,
) -> BoolArray:
    """Levenberg-Marquardt from ``best``, which is improved in place as ``noise`` is.

    Returns
    -------
    settled : (n,) bool
        The last accepted or foreseen gain in cost was below ``tolerance`` (a shift of a few
        hundredths of a standard deviation).
    """
    n = len(best.cost)
    settled = np.zeros(n, dtype=np.bool_)
    damping = np.full(n, 1e-3) if damping is None else damping
    for done_steps in range(steps):
        step = solve_damped(best.normal, damping, best.slope)
        excess = (np.abs(step) / STEP_LIMIT).max(axis=0)
        step /= np.maximum(excess, 1.0)
        foreseen = (step * best.slope).sum(axis=0)
        trial = measure(problem, best.theta + step, noise.inverse_var, noise.kind, blur_mm)
        gain = best.cost - trial.cost
        # One that has settled waits for the batch to shrink: it must end as it would alone.
        better = (gain > 0) & ~settled
        settled |= (better & (gain < tolerance) & (excess <= 1)) | (foreseen < 0.2 * tolerance)
        # A kink (an end at the border of a cell) can stop every step: good enough there.
        settled |= damping > 1e4
        damping = np.where(better, damping * 0.2, np.maximum(damping, 1e-2) * 8.0)
        best.adopt(trial, better)
        if settled.all():
            break
        if noise.factor2 is not None:
            _follow(problem, best, noise, better)
        open_rows = np.nonzero(~settled)[0]
        if len(open_rows) < (1 - _WORTH_LEAVING) * n:
            part, part_noise = best.take(open_rows), noise.take(open_rows)
            settled[open_rows] = descend(
                problem.take(open_rows),
                part,
                part_noise,
                steps - done_steps - 1,
                tolerance,
                blur_mm,
                damping[open_rows],
            )
            best.put(part, open_rows)
            noise.put(part_noise, open_rows)
            break
    return settled


def _follow(problem: Problem, best: Measured, noise: Noise, moved: BoolArray) -> None:
    """Let noise follow the model's counts where these have ``moved``."""
    assert noise.factor2 is not None
    stated = problem.inverse_variance(best.found.counts)
    square = best.rest * best.rest
    square *= stated
    factor2 = good_factor2(problem, square, noise.factor2)[2]
    stated /= factor2
    noise.factor2 = np.where(moved, factor2, noise.factor2)
    noise.inverse_var = np.where(moved, stated, noise.inverse_var)
    again = weigh(problem, best.theta, best.found, best.rest, noise.inverse_var, noise.kind)
    best.adopt(again, moved)


@dataclass
class Mode:
    """The most probable footprint of n strikes and what surrounds it; strikes last."""

    theta: FloatArray
    """(10, n)."""
    columns: FloatArray
    """(10, cells, n): derivatives of the counts."""
    normal: FloatArray
    """(10, 10, n): Hessian of half the cost, noise factor applied to the data's part."""
    slope: FloatArray
    """(10, n): half the negative gradient of the cost that remains."""
    cost: FloatArray
    """(n,): under the final weights."""
    inverse_var: FloatArray
    """(cells, n): final weights, bad cells and noise factor included."""
    good: FloatArray
    """(cells, n): chance that the cell is good."""
    standardised: FloatArray
    """(cells, n): residuals over their stated standard deviation."""
    counts: FloatArray
    """(cells, n): of the model."""
    chi2: FloatArray
    used: FloatArray
    """(n,): good cells."""
    noise_factor: FloatArray
    settled: BoolArray


def find_mode(problem: Problem, theta: FloatArray, price: FloatArray, smooth: FloatArray) -> Mode:
    """Fit in two phases: heavy-tailed noise first, then good-or-bad cells.

    Parameters
    ----------
    problem : Problem
        Profiles and priors.
    theta, price : (choices, 10, n), (choices, n)
        First guesses and their costs from `footprint_start.start`.
    smooth : (cells, n)
        Values that stand in for the model's in the noise of the first phase.
    """
    n = price.shape[1]
    pitch = problem.cells.pitch_mm
    inverse_var = problem.inverse_variance(smooth)
    # All guesses worth a try are fitted together.
    tried = [np.nonzero(price[k] - price[0] < _RIVAL_COST)[0] for k in range(len(price))]
    rows = np.concatenate(tried)
    guesses = np.concatenate([theta[k][:, part] for k, part in enumerate(tried)], axis=1)
    many = problem if len(rows) == n else problem.take(rows)
    noise = Noise("student", inverse_var if len(rows) == n else inverse_var[:, rows])
    first = measure(many, guesses, noise.inverse_var, noise.kind, pitch)
    descend(many, first, noise, _FIRST_STEPS, _FIRST_TOLERANCE, pitch)
    if len(rows) > n:
        first = _cheapest(first, rows, n)
    _retry_ends(problem, first, inverse_var)
    stated = problem.inverse_variance(first.found.counts)
    factor2 = heavy_factor2(problem, first.rest * first.rest * stated)
    noise = Noise("mixture", stated / factor2, factor2)
    best = weigh(problem, first.theta, first.found, first.rest, noise.inverse_var, noise.kind)
    settled = descend(problem, best, noise, _LAST_STEPS, _LAST_TOLERANCE)
    # Whoever never moved still has derivatives by blurred ends.
    still = np.nonzero((best.theta == first.theta).all(axis=0))[0]
    if len(still):
        part = noise.take(still)
        exact = measure(problem.take(still), first.theta[:, still], part.inverse_var, part.kind)
        best.put(exact, still)
    return _at_mode(problem, best, noise, settled)


def _at_mode(problem: Problem, best: Measured, noise: Noise, settled: BoolArray) -> Mode:
    """Take stock at the end of the search."""
    assert noise.factor2 is not None
    stated = problem.inverse_variance(best.found.counts)
    square = best.rest * best.rest * stated
    good = good_chance(square / noise.factor2)
    chi2, used, factor2 = good_factor2(problem, square, noise.factor2)
    final = believed(stated / factor2, good)
    at = weigh(problem, best.theta, best.found, best.rest, final, "plain")
    return Mode(
        best.theta,
        best.found.columns,
        at.normal,
        at.slope,
        at.cost,
        at.weight if problem.saturated is None else final * (best.rest != 0),
        good,
        best.rest * np.sqrt(stated),
        best.found.counts,
        chi2,
        used,
        np.sqrt(factor2),
        settled,
    )


def _cheapest(found: Measured, rows: NDArray[np.intp], n: int) -> Measured:
    """Of several fits per strike (``rows`` says whose) the cheapest, (n,)."""
    order = np.lexsort((found.cost, rows))
    pick = order[np.searchsorted(rows[order], np.arange(n))]
    return found.take(pick)


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
    moved = np.abs(again[0, C] - theta[C]) + np.abs(again[0, L] - theta[L]) / 2
    rows = np.nonzero(moved > _RETRY_PITCHES * problem.cells.pitch_mm)[0]
    if len(rows):
        pitch = problem.cells.pitch_mm
        part, noise = problem.take(rows), Noise("student", inverse_var[:, rows])
        other = measure(part, again[0][:, rows], noise.inverse_var, noise.kind, pitch)
        descend(part, other, noise, _FIRST_STEPS, _FIRST_TOLERANCE, pitch)
        better = other.cost < found.cost[rows]
        found.put(other.take(better), rows[better])
