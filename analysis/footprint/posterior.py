"""Posterior of the sole's place along the strip, on nodes.

When the patch is narrow the strip says only that the ends of the sole lie beyond it: the posterior
of the centre is then the prior cut off softly on both sides, nothing like a normal curve, or has
two modes ("that is the sole's end" and "that is where the patch ends"). So nodes are laid over the
centre; at each the other parameters are fitted again and integrated out as normal (Laplace's method
within each node: Tierney and Kadane, J. Am. Stat. Assoc. 81, 1986, 82-86). Where an end is in print
beyond doubt the nodes are taken from the normal approximation, which is then the same thing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray
from analysis.footprint.conditional import conditional, eliminate_others, log_density_of
from analysis.footprint.ends import ends_in_print
from analysis.footprint.linear import pick, single
from analysis.footprint.mixture import PARTS, densify, densify_smoothly, node_weights
from analysis.footprint.mode import Mode
from analysis.footprint.model import (
    HEEL,
    LOG_A,
    LOG_H,
    OUTWARD,
    SIZE,
    TOE,
    C,
    L,
    V,
    ground_off,
)
from analysis.footprint.problem import Problem, Slopes, paired
from analysis.footprint.types import BoolArray

# Nodes about a mode with an end in print, in standard deviations, and in all. With two less in all
# an interval's end may be a quarter of a standard deviation off; two more change nothing.
_NEAR = np.array([-2.6, -1.3, 0.0, 1.3, 2.6], np.float32)
NODES = 15
# The spread nodes reach this many standard deviations of the prior.
_PRIOR_REACH = 3.3
# An end this far from the patch leaves no trace, mm.
_CLEAR_MM = 0.3
# Steps of the fit at a centre: where both ends are moved clear of the patch and at spread nodes;
# and at nodes about the mode, where the normal approximation has led nearly there. With one less
# of either, intervals cover 1 to 3 % less.
_FAR_STEPS = 2
_NEAR_STEPS = 1
# A node whose log density is by this much below that of ends that leave no trace weighs nothing.
_NEGLIGIBLE = 12.0


@dataclass(frozen=True)
class Nodes:
    """Posterior along the centre: n strikes, `NODES` nodes in rising order."""

    centre: FloatArray
    log_density: FloatArray
    """Log posterior density of the centre, 0 at the mode."""
    toe: FloatArray
    """Posterior mean of v - c given the centre."""
    toe_sd: FloatArray
    normal: BoolArray
    """(n,): nodes of the normal approximation."""


def posterior_nodes(problem: Problem, mode: Mode, covariance: FloatArray) -> Nodes:
    """Posterior of each strike along the centre."""
    nodes = _normal_nodes(mode, covariance)
    with_c = single(covariance[:, C])
    printed, certain = ends_in_print(problem, mode)
    beside = paired(np.nonzero(printed & ~certain)[0])
    if len(beside):
        part = problem.take(beside)
        wide = _spread(part, mode, beside, NODES - len(_NEAR))
        _adopt(nodes, beside, [_near(part, mode, with_c, beside), wide])
    bare = paired(np.nonzero(~printed)[0])
    if len(bare):
        _adopt(nodes, bare, [_spread(problem.take(bare), mode, bare, NODES)])
    return nodes


def _adopt(nodes: Nodes, rows: NDArray[np.intp], parts: list[Nodes]) -> None:
    """File the nodes of some strikes, sorted along the centre."""
    nodes.normal[rows] = False
    order = np.argsort(np.concatenate([part.centre for part in parts], axis=1), axis=1)
    for name in ("centre", "log_density", "toe", "toe_sd"):
        joined = np.concatenate([getattr(part, name) for part in parts], axis=1)
        if name == "log_density":
            joined -= joined.max(axis=1, keepdims=True)
        getattr(nodes, name)[rows] = np.take_along_axis(joined, order, axis=1)


def _spread(problem: Problem, mode: Mode, rows: NDArray[np.intp], count: int) -> Nodes:
    """Nodes evenly over the centres at which neither end cuts deep into the patch.

    Most of these are a plateau where no end leaves a trace: there one fit does for all.
    """
    inverse_var = pick(mode.inverse_var, rows)
    free, density_free, sd_free = _free(problem, mode, rows, inverse_var)
    v, h, half = free[V], np.exp(free[LOG_H]), free[L] / 2
    weight_c, mean_c = problem.prior_weight[C], problem.prior_mean[C]
    # An end that cuts off a piece m mm long of the parabola takes about A m^2/h from one cell.
    quiet = np.sqrt(problem.offset_var.min(axis=0)) * mode.noise_factor[rows]
    width = problem.cells.width_mm
    margin = 2 * np.sqrt(4 * quiet / np.exp(free[LOG_A]) * h * width)
    reach = np.abs(half - h) + np.clip(margin, 0.5 * width, 3 * width)
    low = np.maximum(v - reach, mean_c - _PRIOR_REACH / np.sqrt(weight_c))
    high = np.minimum(v + reach, mean_c + _PRIOR_REACH / np.sqrt(weight_c))
    # Off the mark altogether: one place will do.
    high = np.maximum(high, low + 1e-3)
    share = ((np.arange(count) + 0.5) / count).astype(free.dtype)
    centre = low[:, None] + (high - low)[:, None] * share
    pull = (centre - mean_c[:, None]) ** 2 - (free[C] - mean_c)[:, None] ** 2
    density = density_free[:, None] - 0.5 * weight_c[:, None] * pull
    toe = v[:, None] - centre
    sd = np.repeat(sd_free[:, None], count, axis=1)
    traced = np.abs(toe) > (_whole_half(free) - h - _CLEAR_MM)[:, None]
    i, j = map(paired, np.nonzero(traced))
    if len(i):
        guess = pick(free, i)
        guess[C] = centre[i, j]
        found, density[i, j], sd[i, j] = conditional(
            problem, i, guess, inverse_var, _FAR_STEPS, density[i, j] - _NEGLIGIBLE
        )
        toe[i, j] = found[V] - found[C]
    return Nodes(centre, density, toe, sd, np.zeros(len(rows), dtype=np.bool_))


def _free(
    problem: Problem, mode: Mode, rows: NDArray[np.intp], inverse_var: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """`conditional` with the sole's middle under the lowest point.

    Where no end leaves a trace at the mode, it is what the mode itself says.
    """
    theta = pick(mode.theta, rows)
    off = theta[C] - problem.prior_mean[C]
    clear = _whole_half(theta) - np.exp(theta[LOG_H]) - np.abs(theta[V] - theta[C]) > _CLEAR_MM
    theta[C] = theta[V]
    cost = mode.cost[rows]
    cost += problem.prior_weight[C] * ((theta[C] - problem.prior_mean[C]) ** 2 - off**2)
    others = eliminate_others(Slopes(theta, cost, pick(mode.slope, rows), pick(mode.normal, rows)))
    density = log_density_of(cost, others)
    sd = np.sqrt(others.last_variance)
    near = paired(np.nonzero(~clear)[0])
    if len(near):
        theta[:, near], density[near], sd[near] = conditional(
            problem, near, pick(theta, near), inverse_var, _FAR_STEPS
        )
    return theta, density, sd


def _whole_half(theta: FloatArray) -> FloatArray:
    """Half of the sole, mm, without what is ground off: that leaves its trace already, (n,)."""
    return np.asarray(theta[L] / 2 - ground_off(theta[HEEL : TOE + 1])[0].max(axis=0))


def _near(problem: Problem, mode: Mode, with_c: FloatArray, rows: NDArray[np.intp]) -> Nodes:
    """Nodes about the mode, at steps of its own standard deviation.

    ``with_c``: covariance of theta with the centre, (10, n).
    """
    n, count = len(rows), len(_NEAR)
    theta, with_c = pick(mode.theta, rows), pick(with_c, rows)
    # Where the others go when the centre moves (only a start for the fit at each node).
    lean = with_c / np.sqrt(with_c[C])
    guess = (theta[:, :, None] + lean[:, :, None] * _NEAR).reshape(SIZE, n * count)
    many = np.repeat(np.arange(n), count)
    found, density, sd = conditional(
        problem, many, guess, pick(mode.inverse_var, rows), _NEAR_STEPS
    )
    shape = (n, count)
    return Nodes(
        found[C].reshape(shape),
        density.reshape(shape),
        (found[V] - found[C]).reshape(shape),
        sd.reshape(shape),
        np.zeros(n, dtype=np.bool_),
    )


def _normal_nodes(mode: Mode, covariance: FloatArray) -> Nodes:
    """Nodes of the normal approximation."""
    var_c = covariance[C, C]
    z = np.linspace(-4.0, 4.0, NODES)
    centre = mode.theta[C, :, None] + np.sqrt(var_c)[:, None] * z
    lean = covariance[V, C] / var_c
    toe = (mode.theta[V] - mode.theta[C])[:, None] + (lean - 1)[:, None] * (
        centre - mode.theta[C, :, None]
    )
    sd = np.sqrt(np.maximum(covariance[V, V] - lean * covariance[V, C], 1e-12))
    shape = centre.shape
    return Nodes(
        centre,
        np.broadcast_to(-0.5 * z * z, shape).copy(),
        toe,
        np.broadcast_to(sd[:, None], shape).copy(),
        np.ones(len(centre), dtype=np.bool_),
    )


@dataclass
class Moments:
    """Mean, variance and covariance of the centre and of v - c, (n,) each."""

    mean_c: FloatArray
    mean_toe: FloatArray
    var_c: FloatArray
    var_toe: FloatArray
    joint: FloatArray
    prints: FloatArray
    """(2, n): chance that heel and toe are inside the patch, where that is in doubt; else 1."""
    odd: NDArray[np.intp]
    """Strikes whose posterior is not normal; their dense nodes (n_odd, parts) follow."""
    share: FloatArray
    toe: FloatArray
    toe_sd: FloatArray


def moments(mode: Mode, covariance: FloatArray, nodes: Nodes) -> Moments:
    """Take moments from the normal approximation or, where there is none, from the nodes."""
    cov = covariance
    with_v = cov[V, C] - cov[C, C]
    odd = np.nonzero(~nodes.normal)[0]
    centre = densify(nodes.centre[odd], PARTS)
    log_density = densify_smoothly(nodes.centre[odd], nodes.log_density[odd], PARTS)
    share = node_weights(centre, log_density)
    toe, toe_sd = densify(nodes.toe[odd], PARTS), densify(nodes.toe_sd[odd], PARTS)
    got = Moments(
        mode.theta[C].copy(),
        mode.theta[V] - mode.theta[C],
        cov[C, C].copy(),
        cov[V, V] - cov[V, C] - with_v,
        with_v,
        np.ones((2, len(nodes.centre))),
        odd,
        share,
        toe,
        toe_sd,
    )
    if not len(odd):
        return got
    got.mean_c[odd] = (share * centre).sum(axis=1)
    got.mean_toe[odd] = (share * toe).sum(axis=1)
    off_c, off_toe = centre - got.mean_c[odd, None], toe - got.mean_toe[odd, None]
    got.var_c[odd] = (share * off_c**2).sum(axis=1)
    got.var_toe[odd] = (share * (off_toe**2 + toe_sd**2)).sum(axis=1)
    got.joint[odd] = (share * off_c * off_toe).sum(axis=1)
    inset = mode.theta[L, odd] / 2 - np.exp(mode.theta[LOG_H, odd])
    for k in (0, 1):
        got.prints[k, odd] = (share * (OUTWARD[k] * toe > inset[:, None])).sum(axis=1)
    return got
