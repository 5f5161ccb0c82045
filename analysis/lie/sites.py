"""Every strike's heavy-tailed likelihood as the normal one that stands for it among all others.

Expectation propagation: Minka, Expectation propagation for approximate Bayesian inference,
Uncertainty in Artificial Intelligence 17 (2001) 362-369; his clutter problem is this one. Each
strike is either sound or a stray from Student's t that is several times as wide, the model of
`analysis.statistics.estimation`; the t is written as a mixture of normals over its variance, which
makes all moments closed forms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.conventions import FloatArray
from analysis.lie.design import Design

# Nodes of the mixture that stands for the stray's t, and sweeps of the propagation. Six nodes hold
# its density to 3 % out to 10 widths, 50 spreads, farther than any strip reaches; after 6 sweeps
# the means move by less than 0.01 of their own uncertainty (tests/lie/test_sites.py).
_NODES = 6
_LOG_HALF_CHI2 = (-4.4, 1.6)
# Degrees of freedom of the stray's t, as in `analysis.statistics.estimation`.
STRAY_DOF = 3.0
SWEEPS = 6
_DAMPING = 0.8
# Least precision of a site, as a share of that of a site at the strike with the same mean. Against
# exact integration 0.1 to 0.3 do alike; without it one site in a thousand ran off at small
# scatters, with 0.6 the doubt comes out a tenth too small.
_LEAST_SITE = 0.2


@dataclass(frozen=True)
class Sites:
    """``exp(a - w f^2 / 2 + b f)`` for each strike, one row per scatter of the grid."""

    w: FloatArray
    """(s, n)."""
    b: FloatArray
    """(s, n)."""
    a: FloatArray
    """(s, n)."""
    p_stray: FloatArray
    """(s, n): chance to be a stray."""


def stray_variances(width: float) -> tuple[FloatArray, FloatArray]:
    """Shares and variances (in squared spreads) of the normals that make up the stray's t.

    ``t = N(0, width^2 nu / chi2_nu)``; even nodes in the logarithm of chi2 / 2, which is a gamma.
    """
    x = np.exp(np.linspace(*_LOG_HALF_CHI2, _NODES))
    share = x ** (STRAY_DOF / 2) * np.exp(-x)
    return share / share.sum(), width**2 * STRAY_DOF / (2 * x)


def fit_sites(
    model: Design,
    scatter: FloatArray,
    own_var: FloatArray,
    *,
    stray_share: float,
    stray_width: float,
    start: Sites | None = None,
    sweeps: int = SWEEPS,
) -> Sites:
    """Sites of all strikes for each scatter of a grid.

    Parameters
    ----------
    model : Design
        Of the set.
    scatter : ndarray, (s,)
        Standard deviation of sound strikes, degrees.
    own_var : ndarray, (s, clubs)
        Variance of each club about the line, camber's error included.
    stray_share, stray_width : float
        Of the strays.
    start : Sites, optional
        To go on from.
    sweeps : int
        Passes over all strikes at once.
    """
    sound = scatter[:, None] ** 2 + model.u**2
    if stray_share == 0:
        w = 1 / sound
        a = -0.5 * (np.log(2 * math.pi * sound) + w * model.y**2)
        return Sites(w, w * model.y, a, np.zeros_like(w))
    share, variance = stray_variances(stray_width)
    parts = np.concatenate(([1 - stray_share], stray_share * share))
    wide = variance[:, None, None] * scatter[:, None] ** 2 + model.u**2
    V = np.concatenate((sound[None], wide))
    log_parts = np.log(parts)[:, None, None]
    if start is None:
        w, b = _start(model, scatter, sound)
    else:
        w, b = start.w, start.b
    for turn in range(sweeps + 1):
        mean, var = marginals(model, w, b, own_var)
        free = np.maximum(1 / var - w, 1e-6)
        m, v = (mean / var - b) / free, 1 / free
        total = v + V
        away = model.y - m
        log_z = log_parts - 0.5 * (np.log(2 * math.pi * total) + away**2 / total)
        top = log_z.max(axis=0)
        z = np.exp(log_z - top)
        norm = z.sum(axis=0)
        resp = z / norm
        gain = v / total
        each = gain * away
        pull = (resp * gain).sum(axis=0)
        shift = pull * away
        tilted = (resp * (v * V / total + each**2)).sum(axis=0) - shift**2
        if turn == sweeps:
            break
        # A site at the strike itself that gives the tilted mean; the tilted variance asks for less
        # precision, and may ask for a negative one, on which the sweeps would run away.
        centred = free * pull / (1 - pull)
        new_w = np.clip(1 / tilted - free, _LEAST_SITE * centred, centred)
        # The tilted mean is kept whatever the precision.
        new_b = (m + shift) * (free + new_w) - m * free
        w = w + _DAMPING * (new_w - w)
        b = b + _DAMPING * (new_b - b)
    log_evidence = top + np.log(norm)
    inside = free + w
    a = log_evidence + 0.5 * np.log(inside / free)
    a -= 0.5 * ((m * free + b) ** 2 / inside - m * m * free)
    return Sites(w, b, a, 1 - resp[0])


def sums(model: Design, w: FloatArray, b: FloatArray) -> tuple[FloatArray, ...]:
    """Per club and in all: W (s, c), r (s, c), q (s, c, p), A (s, p, p), h (s, p)."""
    W = w @ model.member
    r = b @ model.member
    q = (model.member.T[None] * w[:, None, :]) @ model.X
    A = (model.X.T[None] * w[:, None, :]) @ model.X
    return W, r, q, A, b @ model.X


def marginals(
    model: Design, w: FloatArray, b: FloatArray, own_var: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and variance (s, n) of what each strike should show, all sites in."""
    W, r, q, A, h = sums(model, w, b)
    g = own_var / (1 + own_var * W)
    gq = g[:, :, None] * q
    P = A + np.diag(model.precision) - np.swapaxes(gq, 1, 2) @ q
    cov = np.linalg.inv(P)
    beta = (cov @ (h - (gq * r[:, :, None]).sum(axis=1))[:, :, None])[:, :, 0]
    F = model.X - gq[:, model.club]
    mean = (F @ beta[:, :, None])[:, :, 0] + (g * r)[:, model.club]
    # Marginal of the own part given beta: D / (1 + D W) = g.
    var = ((F @ cov) * F).sum(axis=2) + g[:, model.club]
    return mean, np.maximum(var, 1e-12)


def _start(model: Design, scatter: FloatArray, sound: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weights by how far a strike lies from its club's median."""
    z = np.abs(model.y - model.middle[model.club]) / scatter[:, None]
    w = np.minimum(1.0, (2.5 / np.maximum(z, 1e-9)) ** 2) / sound
    return w, w * model.y
