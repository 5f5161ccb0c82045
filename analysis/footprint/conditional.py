"""Footprints with the centre held: all else fitted, and integrated out as normal.

Laplace's method within each centre: Tierney and Kadane, J. Am. Stat. Assoc. 81, 1986, 82-86.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray
from analysis.footprint.linear import Elimination, pick
from analysis.footprint.mode import STEP_LIMIT, Mode
from analysis.footprint.model import EDGE, HEEL, LOG_A, LOG_H, SHAPE, SHARE, TOE, L, V
from analysis.footprint.problem import Problem, Slopes, measure, paired

# Centres fitted at once.
_BLOCK = 1024
# Rows of theta without the centre, the lowest point last.
_OTHERS = [LOG_A, LOG_H, L, SHAPE, HEEL, TOE, SHARE, EDGE, V]
_AMONG = np.ix_(_OTHERS, _OTHERS)
# Gain in cost that a last step may promise and be believed: it is an end's kink that breaks such
# promises.
_TRUSTED_GAIN = 0.5
# A promise not worth a step.
_ARRIVED = 0.2


def conditional(
    problem: Problem,
    rows: NDArray[np.intp],
    theta: FloatArray,
    inverse_var: FloatArray,
    steps: int,
    floor: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fit all but the centre: theta, log density (with the others integrated out), sd of v.

    ``rows``: whose strike each theta is. ``floor``: log density below which it does not matter how
    far below.
    """
    n = len(rows)
    found, density, sd = np.empty_like(theta), np.empty_like(theta[0]), np.empty_like(theta[0])
    # Blocks that stay in the cache.
    for part in np.array_split(np.arange(n), -(-n // _BLOCK)):
        own, weights = problem.take(rows[part]), pick(inverse_var, rows[part])
        at = measure(own, pick(theta, part), weights)
        limit = None if floor is None else floor[part]
        found[:, part], density[part], sd[part] = settle(own, at, weights, steps, limit)
    return found, density, sd


def settle(
    problem: Problem,
    at: Slopes,
    inverse_var: FloatArray,
    steps: int,
    floor: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """`conditional` from where the cost is known; who has arrived, or is stuck, is left there."""
    theta, rows = at.theta.copy(), np.arange(len(at.cost))
    density, sd = np.empty_like(at.cost), np.empty_like(at.cost)
    limit = STEP_LIMIT[_OTHERS].astype(theta.dtype)
    for k in range(steps + 1):
        others = eliminate_others(at)
        theta[:, rows], density[rows] = at.theta, log_density_of(at.cost, others)
        sd[rows] = np.sqrt(others.last_variance)
        if k == steps:
            break
        worth = others.quadratic > _ARRIVED
        if floor is not None:
            worth &= log_density_of(at.cost, others, np.inf) > floor[rows]
        if not worth.any():
            break
        step = others.solve()
        start, cost = at.theta, at.cost
        if not worth.all():
            keep = paired(np.nonzero(worth)[0])
            rows, problem, inverse_var = rows[keep], problem.take(keep), pick(inverse_var, keep)
            step, start, cost = pick(step, keep), pick(start, keep), cost[keep]
        step /= np.maximum((np.abs(step) / limit).max(axis=0), 1.0)
        moved = start.copy()
        moved[_OTHERS] += step
        at = measure(problem, moved, inverse_var)
        better = paired(np.nonzero(at.cost < cost)[0])
        if not len(better):
            break
        if len(better) < len(rows):
            rows, at = rows[better], at.take(better)
            if k < steps - 1:
                problem, inverse_var = problem.take(better), pick(inverse_var, better)
    return theta, density, sd


def eliminate_others(at: Slopes | Mode) -> Elimination:
    """Eliminate all but the centre from the normal equations."""
    return Elimination(at.normal[_AMONG], at.slope[_OTHERS])


def log_density_of(
    cost: FloatArray, others: Elimination, trusted: float = _TRUSTED_GAIN
) -> FloatArray:
    """Log density from the cost, the others integrated out as normal."""
    # What one more step would still gain, as far as it can be trusted.
    gain = np.minimum(others.quadratic, trusted)
    return np.asarray(-0.5 * (cost - gain + others.log_det))
