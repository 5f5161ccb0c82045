"""Posterior of the sole's place along the strip, walked out node by node.

When the patch is narrow the strip says only that the ends of the sole lie beyond it: the posterior
of the centre is then the prior cut off softly on both sides, nothing like a normal curve. So the
centre is stepped outward from the mode; at each step the other parameters are fitted again and
integrated out as normal (Laplace's method within each node: Tierney and Kadane, J. Am. Stat. Assoc.
81, 1986, 82-86). Where both ends are beyond doubt (clearly printed, or clearly not) the nodes are
taken from the normal approximation, which is then the same thing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray
from analysis.footprint_fit import Mode, Problem, measure
from analysis.footprint_linear import Cholesky
from analysis.footprint_model import LOG_A, LOG_H, C, L, V
from analysis.footprint_types import BoolArray

# Steps on each side of the mode, and nodes spread over all the places the sole may have.
STEPS = 6
SPREAD = 10
NODES = 2 * STEPS + 1 + SPREAD
# First step, in standard deviations of the normal approximation.
_FIRST_STEP = 0.65
# The walk has reached the tail when the log density has fallen by this much (3.5 sd of a normal).
_TAIL = 6.0
# How many standard deviations an end must be from the border of the patch to be beyond doubt, and
# by how much the log density must fall when a printed end is moved out of the patch.
_BEYOND_DOUBT = 4.0
_CERTAIN_DROP = 9.0
# The spread nodes reach this many standard deviations of the prior.
_PRIOR_REACH = 3.3
# Columns of theta without the centre.
_OTHERS = [0, 1, 2, 4]


@dataclass(frozen=True)
class Nodes:
    """Posterior along the centre: n strikes, `NODES` nodes in rising order."""

    centre: FloatArray
    log_density: FloatArray
    """Log posterior density of the centre, 0 at the mode."""
    toe: FloatArray
    """Posterior mean of v - c given the centre."""
    toe_sd: FloatArray


def end_distance(mode: Mode) -> tuple[FloatArray, FloatArray]:
    """How many standard deviations heel and toe end are inside the parabola: (n,) each.

    Positive = that end prints.
    """
    theta, cov = mode.theta, mode.covariance
    h = np.exp(theta[:, LOG_H])
    out = []
    for sign in (-1.0, 1.0):
        # h - sign * (e - v), e = c + sign L/2.
        inside = h - sign * (theta[:, C] - theta[:, V]) - theta[:, L] / 2
        direction = np.zeros_like(theta)
        direction[:, LOG_H] = h
        direction[:, C] = -sign
        direction[:, V] = sign
        direction[:, L] = -0.5
        variance = np.einsum("ni,nij,nj->n", direction, cov, direction)
        out.append(inside / np.sqrt(np.maximum(variance, 1e-12)))
    return out[0], out[1]


def walk(problem: Problem, mode: Mode) -> Nodes:
    """Posterior of each strike along the centre."""
    nodes = _normal_nodes(mode)
    rows = np.nonzero(_doubtful(problem, mode))[0]
    if len(rows):
        part = problem.take(rows)
        near = _walk(part, mode, rows)
        wide = _spread(part, mode, rows)
        order = np.argsort(np.concatenate([near.centre, wide.centre], axis=1), axis=1)
        top = np.maximum(near.log_density.max(axis=1), wide.log_density.max(axis=1))
        for name in ("centre", "log_density", "toe", "toe_sd"):
            both = np.concatenate([getattr(near, name), getattr(wide, name)], axis=1)
            if name == "log_density":
                both -= top[:, None]
            getattr(nodes, name)[rows] = np.take_along_axis(both, order, axis=1)
    return nodes


def _doubtful(problem: Problem, mode: Mode) -> BoolArray:
    """Strikes for which the normal approximation may not do."""
    distance = end_distance(mode)
    doubt = np.minimum(np.abs(distance[0]), np.abs(distance[1])) < _BEYOND_DOUBT
    theta = mode.theta
    h = np.exp(theta[:, LOG_H])
    for sign, inside in zip((-1.0, 1.0), distance, strict=True):
        # A printed end: would the strip mind if it lay just beyond the patch?
        rows = np.nonzero(~doubt & (inside > 0))[0]
        if not len(rows):
            continue
        part, weights = problem.take(rows), mode.inverse_var[rows]
        _, top, _ = _conditional(part, theta[rows].copy(), weights)
        moved = theta[rows].copy()
        border = moved[:, V] + sign * (h[rows] + 0.5)
        moved[:, C] = border - sign * moved[:, L] / 2
        _, density, _ = _conditional(part, moved, weights)
        doubt[rows] = top - density < _CERTAIN_DROP
    return np.asarray(doubt)


def _spread(problem: Problem, mode: Mode, rows: NDArray[np.intp]) -> Nodes:
    """Nodes evenly over the centres at which neither end cuts deep into the patch.

    The walk from the mode can miss that plateau: a narrow mode with an end just inside the patch
    may stand beside it.
    """
    theta, n = mode.theta[rows], len(rows)
    h, half = np.exp(theta[:, LOG_H]), theta[:, L] / 2
    sd_c = 1 / np.sqrt(problem.prior_weight[:, C])
    mean_c = problem.prior_mean[:, C]
    # An end that cuts off a piece m mm long of the parabola takes about A m^2/h from one cell.
    quiet = np.sqrt(problem.offset_var.min(axis=1)) * mode.noise_factor[rows]
    width = problem.cells.width_mm
    margin = 2 * np.sqrt(4 * quiet / np.exp(theta[:, LOG_A]) * h * width)
    margin = np.clip(margin, 0.5 * width, 3 * width)
    one, two = theta[:, V] + h - half, theta[:, V] - h + half
    low = np.maximum(np.minimum(one, two) - margin, mean_c - _PRIOR_REACH * sd_c)
    high = np.minimum(np.maximum(one, two) + margin, mean_c + _PRIOR_REACH * sd_c)
    # Off the mark altogether: one place will do.
    high = np.maximum(high, low + 1e-3)
    share = (np.arange(SPREAD) + 0.5) / SPREAD
    centre = low[:, None] + (high - low)[:, None] * share
    many = np.repeat(np.arange(n), SPREAD)
    guess = theta[many]
    guess[:, C] = centre.ravel()
    found, density, sd = _conditional(problem.take(many), guess, mode.inverse_var[rows][many])
    shape = (n, SPREAD)
    toe = (found[:, V] - found[:, C]).reshape(shape)
    return Nodes(centre, density.reshape(shape), toe, sd.reshape(shape))


def _normal_nodes(mode: Mode) -> Nodes:
    """Nodes of the normal approximation."""
    cov = mode.covariance
    var_c = cov[:, C, C]
    z = np.linspace(-4.0, 4.0, NODES)
    centre = mode.theta[:, C, None] + np.sqrt(var_c)[:, None] * z
    lean = cov[:, V, C] / var_c
    toe = (mode.theta[:, V] - mode.theta[:, C])[:, None] + (lean - 1)[:, None] * (
        centre - mode.theta[:, C, None]
    )
    sd = np.sqrt(np.maximum(cov[:, V, V] - lean * cov[:, V, C], 1e-12))
    shape = centre.shape
    return Nodes(
        centre,
        np.broadcast_to(-0.5 * z * z, shape).copy(),
        toe,
        np.broadcast_to(sd[:, None], shape).copy(),
    )


def _conditional(
    problem: Problem, theta: FloatArray, inverse_var: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fit all but the centre: theta, log density (with the others integrated out), sd of v."""
    at = measure(problem, theta, inverse_var)
    for _ in range(2):
        factor = Cholesky(at.normal[:, _OTHERS][:, :, _OTHERS], 1e-3)
        step = np.zeros_like(theta)
        step[:, _OTHERS] = factor.solve(at.slope[:, _OTHERS])
        size = np.abs(step / np.array([0.7, 10.0, 0.5, 1.0, 3.0])).max(axis=1)
        step /= np.maximum(size, 1.0)[:, None]
        trial = measure(problem, at.theta + step, inverse_var)
        better = trial.cost < at.cost
        at.adopt(trial, np.arange(len(theta)), better)
    factor = Cholesky(at.normal[:, _OTHERS][:, :, _OTHERS])
    slope = at.slope[:, _OTHERS]
    # What one more step would still gain, as far as it can be trusted.
    gain = np.minimum((factor.solve(slope) * slope).sum(axis=1), 0.2)
    unit = np.zeros_like(slope)
    unit[:, 1] = 1.0
    sd = np.sqrt(np.maximum(factor.solve(unit)[:, 1], 1e-12))
    return at.theta, -0.5 * (at.cost - gain + factor.log_det), sd


def _walk(problem: Problem, mode: Mode, rows: NDArray[np.intp]) -> Nodes:
    n = len(rows)
    theta0, inverse_var = mode.theta[rows], mode.inverse_var[rows]
    start, top, sd0 = _conditional(problem, theta0.copy(), inverse_var)
    both = np.concatenate([np.arange(n), np.arange(n)])
    side = np.concatenate([np.full(n, -1.0), np.full(n, 1.0)])
    doubled, weights = problem.take(both), inverse_var[both]
    cov = mode.covariance[rows][both]
    sd_c = np.sqrt(np.minimum(cov[:, C, C], 1 / doubled.prior_weight[:, C]))
    # Where the others go when the centre moves (only a start for the fit at each node).
    lean = cov[:, :, C] / cov[:, C, C, None]
    near = start[both]
    near_x = np.zeros(2 * n)
    far_x = np.full(2 * n, np.inf)
    stride = _FIRST_STEP * sd_c
    x = stride.copy()
    shape = (2 * n, STEPS)
    places, density, toe, spread = (np.empty(shape) for _ in range(4))
    for k in range(STEPS):
        guess = near + lean * (side * (x - near_x))[:, None]
        guess[:, C] = theta0[both, C] + side * x
        found, log_density, sd = _conditional(doubled, guess, weights)
        places[:, k], density[:, k] = found[:, C], log_density
        toe[:, k], spread[:, k] = found[:, V] - found[:, C], sd
        drop = top[both] - log_density
        inside = drop < _TAIL
        # Aim at evenly spread standard deviations: the drop grows as the square of the distance.
        deviations = np.sqrt(2 * np.maximum(drop, 1e-3))
        aimed = x * (1 + _FIRST_STEP / np.maximum(deviations, 0.3))
        stride = np.clip(aimed - x, 0.5 * stride, 1.7 * stride)
        near = np.where(inside[:, None], found, near)
        near_x = np.where(inside, x, near_x)
        far_x = np.where(inside, far_x, np.minimum(far_x, x))
        x = np.where(np.isfinite(far_x), (near_x + np.minimum(far_x, 1e9)) / 2, near_x + stride)
    join = [
        np.concatenate([part[:n], first[:, None], part[n:]], axis=1)
        for part, first in (
            (places, start[:, C]),
            (density, top),
            (toe, start[:, V] - start[:, C]),
            (spread, sd0),
        )
    ]
    order = np.argsort(join[0], axis=1)
    return Nodes(*(np.take_along_axis(part, order, axis=1) for part in join))


def densify(nodes: FloatArray, factor: int) -> FloatArray:
    """Linear interpolation between neighbouring nodes, ``factor`` parts per interval."""
    n, count = nodes.shape
    t = np.arange(factor) / factor
    between = nodes[:, :-1, None] * (1 - t) + nodes[:, 1:, None] * t
    return np.concatenate([between.reshape(n, (count - 1) * factor), nodes[:, -1:]], axis=1)


def node_weights(centre: FloatArray, log_density: FloatArray) -> FloatArray:
    """Probability of each node by the trapezoid rule, rows sum to 1."""
    gap = np.diff(centre, axis=1)
    width = np.zeros_like(centre)
    width[:, :-1] += gap / 2
    width[:, 1:] += gap / 2
    weight = width * np.exp(log_density - log_density.max(axis=1, keepdims=True))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def mixture_quantiles(
    weight: FloatArray, mean: FloatArray, sd: FloatArray, probability: float
) -> FloatArray:
    """Quantile of normal mixtures: arrays (n, parts) -> (n,), by bisection to 1e-5 of the range."""
    from scipy.special import ndtr

    low = (mean - 6 * sd).min(axis=1)
    high = (mean + 6 * sd).max(axis=1)
    for _ in range(18):
        middle = (low + high) / 2
        below = (weight * ndtr((middle[:, None] - mean) / sd)).sum(axis=1) < probability
        low = np.where(below, middle, low)
        high = np.where(below, high, middle)
    return np.asarray((low + high) / 2)


def end_shares(mode: Mode, problem: Problem) -> tuple[FloatArray, FloatArray]:
    """Share of the information on each end of the sole that the strip gave itself, (n,) each.

    The strip's Fisher information on the end, amplitude, lowest point and half-width integrated
    out, the other end held, against that of the prior on this end. Nothing reaches an end through
    the sole's known length: an end that did not print has a share of 0.
    """
    turn = np.eye(5)
    # d/d heel = (d/dc)/2 - d/dL, d/d toe = (d/dc)/2 + d/dL.
    turn[C, C], turn[L, C], turn[C, L], turn[L, L] = 0.5, -1.0, 0.5, 1.0
    data = mode.normal.copy()
    for k in (C, L):
        data[:, k, k] -= problem.prior_weight[:, k]
    data = turn.T @ data @ turn
    inner = Cholesky(data[:, :3, :3])
    prior = 1 / problem.prior_weight[:, C] + 0.25 / problem.prior_weight[:, L]
    out = []
    for k in (3, 4):
        cross = data[:, k, :3]
        own = np.maximum(data[:, k, k] - (inner.solve(cross) * cross).sum(axis=1), 0.0)
        out.append(own * prior / (1 + own * prior))
    return out[0], out[1]
