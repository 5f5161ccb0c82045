"""Whether an end of the sole is in print, and whether beyond doubt."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray
from analysis.footprint.conditional import eliminate_others, log_density_of, settle
from analysis.footprint.linear import pick, single
from analysis.footprint.mode import Mode
from analysis.footprint.model import LOG_A, LOG_H, OUTWARD, SHAPE, C, L, V
from analysis.footprint.problem import Problem, Slopes, measure, paired
from analysis.footprint.types import BoolArray

# An end prints beyond doubt when moving it out of the patch makes the log density fall by this.
_CERTAIN_DROP = 9.0
# It does, without a closer look, where squares of what is missing beyond it add up to this: of
# 5,000 such strikes of all kinds none fell by less than 14 even after a step of the fit.
_OBVIOUS = 400.0
# By this much without looking further: one promise of a step in fifty is broken by as much.
_SAFE_DROP = 30.0
# Steps of the fit with an end moved just out of the patch.
_OUT_STEPS = 1


def ends_in_print(problem: Problem, mode: Mode) -> tuple[BoolArray, BoolArray]:
    """Strikes with an end inside the patch at the mode, and those where it is so beyond doubt."""
    theta = mode.theta
    v, h, half = theta[V], np.exp(theta[LOG_H]), theta[L] / 2
    # How far the heel and the toe are inside, mm.
    depth = h - half + (theta[V] - theta[C]) * OUTWARD
    printed = (depth > 0).any(axis=0)
    # The deeper one first: it is most likely to settle the matter.
    deeper = np.argmax(depth, axis=0)
    certain = printed & (_missed_beyond(problem, mode, deeper) > _OBVIOUS)
    if certain.all():
        return printed, certain
    every = np.arange(len(deeper))
    top = log_density_of(mode.cost, eliminate_others(mode))
    for side in (deeper, 1 - deeper):
        rows = paired(np.nonzero((depth[side, every] > 0) & ~certain)[0])
        if len(rows):
            sign = OUTWARD[side[rows], 0]
            moved = pick(theta, rows)
            moved[C] = v[rows] + sign * (h[rows] + 0.5 - half[rows])
            part, weights = problem.take(rows), pick(mode.inverse_var, rows)
            at: Slopes = measure(part, moved, weights)
            # Even if a step gained all that it promises.
            drop = top[rows] - log_density_of(at.cost, eliminate_others(at), np.inf)
            again = paired(np.nonzero(drop < _SAFE_DROP)[0])
            if len(again):
                part, at = part.take(again), at.take(again)
                _, density, _ = settle(part, at, pick(weights, again), _OUT_STEPS)
                drop[again] = top[rows[again]] - density
            certain[rows] = drop > _CERTAIN_DROP
    return printed, certain


def _missed_beyond(problem: Problem, mode: Mode, side: NDArray[np.intp]) -> FloatArray:
    """Squares, in standard deviations, of the pressure missing beyond an end (0 heel, 1 toe): (n,).

    What the cells would have shown had the sole gone on there.
    """
    theta, sign = mode.theta, OUTWARD[side, 0]
    z = single(problem.cells.middle)[:, None] - theta[V]
    beyond = z > (theta[C] - theta[V]) + sign * theta[L] / 2
    beyond ^= sign < 0
    z *= np.exp(-theta[LOG_H])
    z *= z
    g = np.maximum(1 - z, 0, out=z)
    missing = np.sqrt(g) - g
    missing *= theta[SHAPE]
    missing += g
    missing *= np.exp(theta[LOG_A])
    missing -= mode.counts
    missing *= missing
    missing *= beyond
    missing *= mode.inverse_var
    return np.asarray(missing.sum(axis=0))
