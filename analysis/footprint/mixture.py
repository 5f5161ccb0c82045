"""Between the nodes of posteriors, and quantiles of what they are mixtures of."""

from __future__ import annotations

import numpy as np

from analysis.conventions import FloatArray
from analysis.footprint.linear import single

# Parts per interval between nodes when moments and quantiles are taken.
PARTS = 4
# Of the search for quantiles: most rounds (a bracket of 9 sd, halved by each, is then down to the
# tolerance), and how near it comes, in standard deviations of the mixture.
_ROUNDS, _NEAR_ENOUGH = 13, 0.001


def densify(nodes: FloatArray, factor: int) -> FloatArray:
    """Linear interpolation between neighbouring nodes, ``factor`` parts per interval."""
    n, count = nodes.shape
    t = np.arange(factor) / factor
    between = nodes[:, :-1, None] * (1 - t) + nodes[:, 1:, None] * t
    return np.concatenate([between.reshape(n, (count - 1) * factor), nodes[:, -1:]], axis=1)


def densify_smoothly(x: FloatArray, y: FloatArray, factor: int) -> FloatArray:
    """Cubic between nodes that overshoots nowhere, at the places of ``densify(x, factor)``.

    Slopes: harmonic means of the chords' (Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5, 1984,
    300-304; end slopes are those of the outer chords).
    """
    if not len(x):
        return densify(y, factor)
    gap = np.maximum(np.diff(x, axis=1), 1e-9)
    chord = np.diff(y, axis=1) / gap
    left, right = chord[:, :-1], chord[:, 1:]
    near, far = gap[:, 1:] + 2 * gap[:, :-1], 2 * gap[:, 1:] + gap[:, :-1]
    product = left * right
    same = product > 0
    slope = np.zeros_like(y)
    slope[:, 0], slope[:, -1] = chord[:, 0], chord[:, -1]
    total = far * right + near * left
    np.divide((near + far) * product, total, out=slope[:, 1:-1], where=same)
    n, count = y.shape
    t = np.arange(factor) / factor
    rise, bow = t * t * (3 - 2 * t), t * (1 - t)
    at = (chord * gap)[:, :, None] * rise
    at += (slope[:, :-1] * gap)[:, :, None] * (bow * (1 - t))
    at -= (slope[:, 1:] * gap)[:, :, None] * (bow * t)
    at += y[:, :-1, None]
    return np.concatenate([at.reshape(n, (count - 1) * factor), y[:, -1:]], axis=1)


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
    """Quantile of normal mixtures: (n, parts) -> (n,), to 0.002 of their sd.

    Newton's method within a bracket, which is halved where a step would leave it, as a mixture may
    have gaps. The normal distribution function is taken as
    ``1 / (1 + exp(-1.5976 x - 0.07056 x^3))``, right to 1.4e-4 (E. Page, Appl. Stat. 26, 1977,
    75-76; from memory).
    """
    from scipy.special import ndtri

    middle = (weight * mean).sum(axis=1)
    off = mean - middle[:, None]
    total = np.sqrt((weight * (sd * sd + off * off)).sum(axis=1))
    # In units of the mixture's standard deviation.
    share, per = single(weight), single(total[:, None] / sd)
    off = single(off / total[:, None]) * per
    at = single(np.full(len(middle), ndtri(probability)))
    found = at.copy()
    # Cantelli's inequality: a 5 % quantile is within 4.4 standard deviations of the mean.
    low, high = np.full_like(at, -4.5), np.full_like(at, 4.5)
    rows = np.arange(len(middle))
    for _ in range(_ROUNDS):
        excess, density = _excess(share, off, per, at, probability)
        low, high = np.where(excess < 0, at, low), np.where(excess < 0, high, at)
        step = at - excess / np.maximum(density, 1e-6)
        inside = (step >= low) & (step <= high)
        step = np.where(inside, step, (low + high) / 2)
        found[rows] = step
        going = np.nonzero(~inside | (np.abs(step - at) > _NEAR_ENOUGH))[0]
        if not len(going):
            break
        rows, at, low, high = rows[going], step[going], low[going], high[going]
        share, off, per = share[going], off[going], per[going]
    return np.asarray(middle + total * found)


def _excess(
    share: FloatArray, off: FloatArray, per: FloatArray, at: FloatArray, probability: float
) -> tuple[FloatArray, FloatArray]:
    """By how much the distribution function of mixtures exceeds that at ``at``; its density."""
    x = at[:, None] * per
    x -= off
    square = x * x
    x *= 1.5976 + 0.07056 * square
    # Beyond that there is nothing, and exp would overflow.
    np.minimum(np.negative(x, out=x), 40.0, out=x)
    below = np.exp(x, out=x)
    below += 1.0
    np.divide(1.0, below, out=below)
    excess = np.einsum("np,np->n", share, below) - probability
    # Density: below (1 - below) d/dx of the exponent.
    below -= below * below
    square *= 3 * 0.07056
    square += 1.5976
    square *= per
    below *= square
    return excess, np.einsum("np,np->n", share, below)
