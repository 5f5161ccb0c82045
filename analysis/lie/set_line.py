"""From contacts on soles to lie errors of a set: cambers, stance, and the line that clubs share.

Club i has ``level + slope z_i + own_i``; most clubs stand near the line, a few off it for a reason
of their own (a mixture: one narrow normal would shrink true outliers, one wide one spoils gaps).
Everything is a mixture of normals, exactly: over the mean delivery's nodes, over how closely clubs
follow the line, and over which clubs stand off it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray

# Usual camber where none was measured: all of 200 to 365 mm evenly likely (common practice for
# the range; JCGM 100:2008, 4.3.7 for its standard uncertainty), most of it the design's.
USUAL_CAMBER_MM = 282.5
USUAL_CAMBER_LOG_U = (365 - 200) / math.sqrt(12) / USUAL_CAMBER_MM
CAMBER_ALIKE = 0.8
FAMILY_ALIKE = 0.4

# Common practice, no source: players' sets are off by a degree or two as a whole.
LEVEL_DEG = 2.5
SLOPE_DEG = 0.6
FAMILY_DEG = 1.0
OWN_DEG = np.array([0.08, 0.16, 0.3, 0.5, 0.8])
# Half-normal (Gelman, Bayesian Analysis 1 (2006) 515-534), in steps of log: light in its tail,
# since what stands far off is an outlier's part.
_OWN_WEIGHT = OWN_DEG * np.exp(-0.5 * (OWN_DEG / 0.3) ** 2)
OUTLIER_SHARE = 0.06
OUTLIER_DEG = 2.0


@dataclass(frozen=True)
class Camber:
    """Radius of a head's sole as measured; None = not measured."""

    mm: float | None = None
    u_mm: float = 0.0
    family: int = 0


def camber_belief(heads: Sequence[Camber]) -> tuple[FloatArray, FloatArray]:
    """Mean of each head's log camber and their covariance, measured ones told to the others."""
    family = np.array([h.family for h in heads])
    alike = np.where(family[:, None] == family, CAMBER_ALIKE, FAMILY_ALIKE)
    np.fill_diagonal(alike, 1.0)
    cov = USUAL_CAMBER_LOG_U**2 * alike
    mean = np.full(len(heads), math.log(USUAL_CAMBER_MM))
    known = [i for i, h in enumerate(heads) if h.mm is not None]
    if known:
        value = np.array([math.log(heads[i].mm or 1.0) for i in known])
        noise = np.diag([(heads[i].u_mm / (heads[i].mm or 1.0)) ** 2 for i in known])
        gain = cov[:, known] @ np.linalg.inv(cov[np.ix_(known, known)] + noise)
        mean = mean + gain @ (value - mean[known])
        cov = cov - gain @ cov[known]
    return mean, (cov + cov.T) / 2


@dataclass(frozen=True)
class LinePlace:
    """Where a club stands along the set."""

    z: float
    """Length above the pivot's, in half inches."""
    family: int


@dataclass(frozen=True)
class LieBelief:
    """Mixture of normals over the clubs' lie errors."""

    weights: FloatArray
    means: FloatArray
    """(parts, n), degrees, + upright."""
    covs: FloatArray
    """(parts, n, n)."""
    own_means: FloatArray
    own_covs: FloatArray
    p_outlier: FloatArray
    level_mean: FloatArray
    level_sd: FloatArray
    slope: float
    """Per half inch."""
    slope_sd: float
    own_sd: float
    """Standard deviation of the clubs about the line, outliers left out."""

    @property
    def mean(self) -> FloatArray:
        """(n,): lie errors."""
        return np.asarray(self.weights @ self.means)

    @property
    def covariance(self) -> FloatArray:
        """(n, n), everything doubtful included."""
        off = self.means - self.mean
        inside = np.einsum("k,kij->ij", self.weights, self.covs)
        return np.asarray(inside + np.einsum("k,ki,kj->ij", self.weights, off, off))


def line_prior(z: FloatArray, family: Sequence[int]) -> FloatArray:
    """Covariance of clubs on a line, (n, n), deg^2: level, slope, and a step between families."""
    design = np.stack([np.ones(len(z)), z, (np.asarray(family) > 0).astype(float)], axis=1)
    return np.asarray(
        design @ np.diag(np.array([LEVEL_DEG, SLOPE_DEG, FAMILY_DEG]) ** 2) @ design.T
    )


def line_belief(
    log_weight: FloatArray,
    tangent_mm: FloatArray,
    covariance: FloatArray,
    cambers: tuple[FloatArray, FloatArray],
    places: Sequence[LinePlace],
    stance_deg: FloatArray,
    stance_u_deg: FloatArray,
    hit: NDArray[np.bool_],
) -> LieBelief:
    """Work out what is believed of the clubs' lie errors.

    Parameters
    ----------
    log_weight : (k,)
        Of the nodes of the mean delivery.
    tangent_mm : (k, n)
        Slopes of the soles where they touched, times their cambers.
    covariance : (k, n, n)
        Of these.
    cambers
        Mean and covariance of log camber, from `camber_belief`.
    places
        Of the clubs on the line.
    stance_deg, stance_u_deg : (n,)
        Effect of the stance's height, taken off, and its uncertainty, the same height for all.
    hit : (n,)
        Clubs with strikes; the others get what the line says.
    """
    n = tangent_mm.shape[1]
    log_r, cov_r = cambers
    radius = np.exp(log_r)
    tilt = tangent_mm / radius
    x = -np.degrees(np.arctan(tilt))
    scale = np.degrees(1) / (1 + tilt**2) / radius
    d = np.arange(n)
    sigma = scale[:, :, None] * covariance * scale[:, None, :]
    x = x - stance_deg
    precision = np.linalg.inv(sigma)
    precision[:, ~hit, :] = 0.0
    precision[:, :, ~hit] = 0.0
    eta = (precision @ x[..., None])[..., 0]
    base = -0.5 * np.einsum("ki,ki->k", x * hit, eta)

    z = np.array([p.z for p in places])
    line = line_prior(z, [p.family for p in places])

    # One of two or three clubs may be odd too, even if nobody can tell which.
    states: list[tuple[int, ...]] = [(), *((i,) for i in range(n) if hit[i])]
    if hit.sum() >= 4:
        states += list(itertools.combinations(map(int, np.flatnonzero(hit)), 2))
    parts = []
    for s, sd in enumerate(OWN_DEG):
        for state in states:
            own = np.full(n, sd**2)
            own[list(state)] = sd**2 + OUTLIER_DEG**2
            m = len(state)
            prior = math.log(_OWN_WEIGHT[s]) + m * math.log(OUTLIER_SHARE / (1 - OUTLIER_SHARE))
            parts.append((prior, own, state))
    own_var = np.array([p[1] for p in parts])
    log_prior = np.array([p[0] for p in parts])
    prior_cov = line + own_var[:, :, None] * np.eye(n)
    inverse = np.linalg.inv(prior_cov)
    _, prior_det = np.linalg.slogdet(prior_cov)
    total = inverse[None] + precision[:, None]
    post_cov = np.linalg.inv(total)
    _, det = np.linalg.slogdet(total)
    mean = np.einsum("kpij,kj->kpi", post_cov, eta)
    log_w = (
        log_weight[:, None]
        + base[:, None]
        + 0.5 * np.einsum("kpi,ki->kp", mean, eta)
        - 0.5 * det
        - 0.5 * prior_det
        + log_prior
    )
    # Every node's own normal was counted in with the determinant of its Laplace form.
    _, like_det = np.linalg.slogdet(
        np.where(np.isfinite(sigma), sigma, 0.0)[:, np.ix_(hit, hit)[0], np.ix_(hit, hit)[1]]
    )
    log_w = log_w - 0.5 * like_det[:, None]
    w = np.exp(log_w - log_w.max())
    w /= w.sum()
    keep = w > 1e-5 * w.max()
    where = np.argwhere(keep)
    kk, pp = where[:, 0], where[:, 1]
    weights = w[keep] / w[keep].sum()
    means, covs = mean[kk, pp], post_cov[kk, pp]
    # own = O P^-1 x.
    to_own = own_var[pp][:, :, None] * inverse[pp]
    own_means = np.einsum("kij,kj->ki", to_own, means)
    given = np.zeros_like(covs)
    given[:, d, d] = own_var[pp]
    given -= to_own @ (own_var[pp][:, None, :] * np.eye(n))
    own_covs = given + to_own @ covs @ np.swapaxes(to_own, 1, 2)
    line_means = means - own_means
    p_outlier = np.zeros(n)
    for weight, p in zip(weights, pp, strict=True):
        for i in parts[p][2]:
            p_outlier[i] += weight
    # Camber: e = -atan(x/R) scales with 1/R; stance: the same height for all.
    grow = means + stance_deg
    covs = covs + grow[:, :, None] * cov_r * grow[:, None, :]
    covs = covs + np.outer(stance_u_deg, stance_u_deg)
    own_grow = own_means[:, :, None] * cov_r * own_means[:, None, :]
    own_r = np.einsum("ki,ij,kj->kij", grow, cov_r - cov_r.mean(), grow)
    own_covs = own_covs + own_grow + np.maximum(own_r, 0) * np.eye(n)
    pivot = int(np.argmin(np.abs(z)))
    # Slope: of the line through the clubs, by what each part says of them.
    spread = z - z.mean()
    if float(spread @ spread) > 0:
        by = spread / float(spread @ spread)
        slopes = line_means @ by
        slope = float(weights @ slopes)
        inside = np.einsum("i,kij,j->k", by, np.maximum(covs - own_covs, 0.0), by)
        slope_sd = float(np.sqrt(weights @ (np.maximum(inside, 0.0) + (slopes - slope) ** 2)))
    else:
        slope, slope_sd = 0.0, SLOPE_DEG
    own_sd = float(weights @ OWN_DEG[pp // len(states)])
    return LieBelief(
        weights,
        means,
        covs,
        own_means,
        own_covs,
        p_outlier,
        line_means[:, pivot],
        np.sqrt(covs[:, pivot, pivot]),
        slope,
        slope_sd,
        own_sd,
    )
