"""Covariance of a footprint about its mode, and what of it the strip itself said."""

from __future__ import annotations

import numpy as np

from analysis.conventions import FloatArray
from analysis.footprint.linear import pick, sweep
from analysis.footprint.mode import Mode
from analysis.footprint.model import OUTWARD, SIZE, C, L
from analysis.footprint.problem import Problem, measure, paired

# An end this near to the border of a cell may as well be beyond it.
_AT_BORDER_MM = 0.3


def covariance_and_shares(
    problem: Problem, mode: Mode
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Laplace's covariance of theta, (10, 10, n), and what the strip says of heel and toe, (n,).

    Between them the inverse of the mode's own Hessian: what a cell does to theta goes with the
    derivatives there, and with no other matrix.

    The latter is the share of the information on each end of the sole that the strip gave itself:
    its Fisher information on the end, all but c and L integrated out and the other end held,
    against that of the prior on this end, both at the mode. Nothing reaches an end through the
    sole's known length: an end that did not print has a share of 0.

    Where an end lies at the border of a cell the curvature jumps, and the mode likes to be there:
    the posterior is then half of one normal and half of another, and its covariance their mean.
    """
    own, *shares = _inverse_and_shares(problem, mode.normal)
    covariance = own
    theta, away = _across(problem, mode.theta)
    rows = paired(np.nonzero(away < _AT_BORDER_MM)[0])
    if len(rows):
        part = problem.take(rows)
        covariance = own.copy()
        there = measure(part, pick(theta, rows), pick(mode.inverse_var, rows))
        beyond = _inverse_and_shares(part, there.normal)[0]
        covariance[:, :, rows] = 0.5 * (own[:, :, rows] + beyond)
    return covariance, own, shares[0], shares[1]


def _across(problem: Problem, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Theta with the end that is nearest to a border just across it, and how near it is, mm."""
    cells = problem.cells
    half = theta[L] / 2
    ends = theta[C] + OUTWARD * half
    place = (ends - cells.left[0]) / cells.pitch_mm
    off = (np.round(place) - place) * cells.pitch_mm
    which = np.argmin(np.abs(off), axis=0)
    rows = np.arange(theta.shape[1])
    nearest = off[which, rows]
    move = nearest + np.copysign(_AT_BORDER_MM / 10, nearest)
    moved = theta.copy()
    moved[C] += move / 2
    moved[L] += move * OUTWARD[which, 0]
    return moved, np.abs(nearest)


def _inverse_and_shares(
    problem: Problem, normal: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """`covariance_and_shares` on one side of all borders."""
    order = [*(k for k in range(SIZE) if k not in (C, L)), C, L]
    back = np.argsort(order)
    # In double precision: what cover, heel and toe do to the cells is nearly the same.
    matrix = normal[order][:, order].astype(np.float64)
    last = range(SIZE - 2, SIZE)
    sweep(matrix, range(SIZE - 2))
    weight_c, weight_l = problem.prior_weight[C], problem.prior_weight[L]
    (in_c, mixed), (_, in_l) = matrix[SIZE - 2 :, SIZE - 2 :].copy()
    sweep(matrix, last)
    prior = 1 / weight_c + 0.25 / weight_l
    shares = []
    # d/d heel = (d/dc)/2 - d/dL, d/d toe = (d/dc)/2 + d/dL.
    for sign in (-1, 1):
        own = np.maximum((in_c - weight_c) / 4 + sign * mixed + in_l - weight_l, 0.0) * prior
        shares.append(own / (1 + own))
    return -matrix[back][:, back], shares[0], shares[1]
