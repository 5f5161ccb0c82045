"""Sum over scatters, own spreads, and which clubs stand off the line: the posterior of a set.

Given these, everything is linear and normal (Harville, J. Amer. Statist. Assoc. 72 (1977) 320-338;
with a flat prior on the line its evidence is the restricted likelihood). Which clubs stand off is a
spike and slab on their own part: none, each alone, and pairs and triples of the most suspect.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from analysis.conventions import FloatArray
from analysis.lie.design import Design
from analysis.lie.set_types import IntArray
from analysis.lie.sites import Sites, sums

# Pairs and triples are made of this many of the most suspect clubs.
_SUSPECTS = 5
# Parts of the mixture below this share of the largest are dropped: together 2 %, at most 4 %, over
# 60 sets of tests/benchmarks/set_model.py. Dropping a tenth of that moves no mean by more
# than 2 % and no interval's end by more than 5 % of its uncertainty, and takes a quarter longer.
DROP = 2e-3


@dataclass(frozen=True)
class Parts:
    """The posterior as a mixture; k parts, c clubs, p coefficients."""

    weight: FloatArray
    """(k,), sums to 1."""
    outlier: FloatArray
    """(k, c): 1 where the club stands off."""
    scatter_index: IntArray
    own_index: IntArray
    """(k,): places on the grids."""
    beta: FloatArray
    beta_cov: FloatArray
    lie: FloatArray
    lie_cov: FloatArray
    own: FloatArray
    own_cov: FloatArray
    shown: FloatArray
    shown_var: FloatArray
    """(k, c)."""
    lie_shown: FloatArray
    """(k, c, c): covariance of lie error and what a next strike shows."""
    log_evidence: float


def states(clubs: int, suspects: IntArray) -> FloatArray:
    """Which clubs stand off, (states, clubs): pairs and triples among the ``suspects``."""
    rows = [np.zeros(clubs)]
    for size in (2, 3):
        for chosen in itertools.combinations(suspects.astype(int).tolist(), size):
            row = np.zeros(clubs)
            row[list(chosen)] = 1
            rows.append(row)
    return np.array(rows[1:]).reshape(-1, clubs)


def posterior(
    model: Design,
    sites: Sites,
    own_sd: FloatArray,
    camber_var: FloatArray,
    log_prior: FloatArray,
    *,
    outlier_share: float,
    outlier_deg: float,
    drop: float = DROP,
    alone_only: bool = False,
) -> Parts:
    """Mixture over the whole grid.

    Parameters
    ----------
    model, sites : Design, Sites
        Of the set; ``sites`` for s scatters.
    own_sd : ndarray, (t,)
        Grid of the clubs' own standard deviation, degrees.
    camber_var : ndarray, (clubs,)
        Variance that each club's radius brings.
    log_prior : ndarray, (s, t)
        Log weight of each place on the grid.
    outlier_share, outlier_deg : float
        Of clubs that stand off, and how far.
    drop : float
        Parts below this share of the largest are left out.
    alone_only : bool
        Only none or one club standing off: a first look.
    """
    clubs = model.clubs
    hit = model.member.sum(axis=0) > 0
    alone = np.eye(clubs)[hit] if outlier_share > 0 and hit.sum() > 1 else np.zeros((0, clubs))
    core = _Core(model, sites, own_sd, camber_var, outlier_deg)
    first = np.concatenate((np.zeros((1, clubs)), alone))
    share = max(outlier_share, 1e-300)
    prior_off = np.log(share) - np.log1p(-share)

    def weigh(which: FloatArray) -> FloatArray:
        by_state = core.evidence(which) + prior_off * which.sum(axis=1)
        return np.asarray(by_state + log_prior[:, :, None])

    log_w = weigh(first)
    which = first
    if len(alone) > 3 and not alone_only:
        each = logsumexp(log_w[:, :, 1:], axis=(0, 1))
        order = np.argsort(each)[::-1][:_SUSPECTS]
        more = states(clubs, np.flatnonzero(hit)[order])
        # At least half of the clubs must make up the line that the others stand off from.
        more = more[more.sum(axis=1) <= len(alone) // 2]
        log_w = np.concatenate((log_w, weigh(more)), axis=2)
        which = np.concatenate((first, more))
    total = float(logsumexp(log_w))
    weight = np.exp(log_w - total)
    s, t, z = np.nonzero(weight > drop * weight.max())
    keep = weight[s, t, z]
    return core.parts(s, t, which[z], keep / keep.sum(), total)


class _Core:
    """Normal algebra for given scatter, own spread and state."""

    def __init__(
        self,
        model: Design,
        sites: Sites,
        own_sd: FloatArray,
        camber_var: FloatArray,
        outlier_deg: float,
    ) -> None:
        self.model, self.own_sd, self.camber_var = model, own_sd, camber_var
        self.outlier_var = outlier_deg**2
        self.W, self.r, self.q, A, self.h = sums(model, sites.w, sites.b)
        self.P = A + np.diag(model.precision)
        self.a = sites.a.sum(axis=1)

    def evidence(self, which: FloatArray) -> FloatArray:
        """Log evidence, (s, t, states)."""
        s, clubs, p = self.q.shape
        t = self.own_sd.size
        base = self.own_sd[:, None] ** 2 + self.camber_var
        D = np.stack((base, base + self.outlier_var))
        # (2, s, t, c): own part as line and as outlier.
        inside = 1 + D[:, None] * self.W[:, None, :]
        g = D[:, None] / inside
        qq = (self.q[:, :, :, None] * self.q[:, :, None, :]).reshape(s, clubs, p * p)
        rq = self.r[:, :, None] * self.q
        rr = self.r**2
        # Everything a club adds: p*p of the precision, p of the vector, 1 of the constant.
        stacked = np.concatenate((qq, rq), axis=2)
        base_add = (g[0][..., None] * stacked[:, None]).sum(axis=2)
        delta = (g[1] - g[0])[..., None] * stacked[:, None]
        all_add = base_add[:, :, None] + which @ delta
        P = self.P[:, None, None] - all_add[..., : p * p].reshape(s, t, len(which), p, p)
        h = self.h[:, None, None] - all_add[..., p * p :]
        scalar = 0.5 * (g * rr[:, None]) - 0.5 * np.log(inside)
        scalar_add = scalar[0].sum(axis=2)[:, :, None] + (scalar[1] - scalar[0]) @ which.T
        lower = np.linalg.cholesky(P)
        log_det = 2 * np.log(np.diagonal(lower, axis1=-2, axis2=-1)).sum(axis=-1)
        half = np.linalg.solve(lower, h[..., None])[..., 0]
        prior_det = float(np.log(self.model.precision).sum())
        return np.asarray(
            self.a[:, None, None]
            + scalar_add
            + 0.5 * (half**2).sum(axis=-1)
            + 0.5 * (prior_det - log_det)
        )

    def parts(
        self,
        s: IntArray,
        t: IntArray,
        which: FloatArray,
        weight: FloatArray,
        log_evidence: float,
    ) -> Parts:
        d = self.own_sd[t][:, None] ** 2 + which * self.outlier_var
        D = d + self.camber_var
        W, r, q = self.W[s], self.r[s], self.q[s]
        g = D / (1 + D * W)
        gq = g[:, :, None] * q
        cov = np.linalg.inv(self.P[s] - np.swapaxes(gq, 1, 2) @ q)
        beta = (cov @ (self.h[s] - (gq * r[:, :, None]).sum(axis=1))[:, :, None])[:, :, 0]
        # Of the whole own part, the club's share; the rest is its radius' error.
        rho = d / D
        offset = g * r
        own_row, lie_row = -rho[:, :, None] * gq, self.model.line - rho[:, :, None] * gq
        shown_row = self.model.shown - gq
        own_extra = rho**2 * g + rho * self.camber_var

        def at(rows: FloatArray, constant: FloatArray) -> FloatArray:
            return np.asarray((rows @ beta[:, :, None])[:, :, 0] + constant)

        def spread(rows: FloatArray, other: FloatArray, extra: FloatArray) -> FloatArray:
            out = rows @ cov @ np.swapaxes(other, 1, 2)
            index = np.arange(self.model.clubs)
            out[:, index, index] += extra
            return np.asarray(out)

        return Parts(
            weight=weight,
            outlier=which,
            scatter_index=s,
            own_index=t,
            beta=beta,
            beta_cov=np.asarray(cov, dtype=np.float64),
            lie=at(lie_row, rho * offset),
            lie_cov=spread(lie_row, lie_row, own_extra),
            own=at(own_row, rho * offset),
            own_cov=spread(own_row, own_row, own_extra),
            shown=at(shown_row, offset),
            shown_var=((shown_row @ cov) * shown_row).sum(axis=2) + g,
            lie_shown=spread(lie_row, shown_row, rho * g),
            log_evidence=log_evidence,
        )
