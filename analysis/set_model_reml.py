"""Variance components by restricted or full likelihood, for sessions within clubs and the like.

``y = X beta + sum_k Z_k u_k + e``: each factor's groups draw their coefficients from one normal
with a covariance of its own. Harville, J. Amer. Statist. Assoc. 72 (1977) 320-338; parametrised by
Cholesky factors relative to the residual and profiled over it as in Bates, Mächler, Bolker and
Walker, J. Stat. Softw. 67(1) (2015), section 3.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray

# Relative standard deviations below this are the boundary: no variance.
_NOTHING = 1e-4


@dataclass(frozen=True)
class Factor:
    """One random factor."""

    name: str
    groups: Sequence[Hashable]
    """(n,): group of each value."""
    columns: FloatArray | None = None
    """(n, k): what the groups' coefficients multiply; None = 1, a shift of the whole group."""


@dataclass(frozen=True)
class MixedFit:
    """A fitted mixed model."""

    beta: FloatArray
    """(p,)."""
    beta_cov: FloatArray
    """(p, p)."""
    residual_var: float
    covariance: dict[str, FloatArray]
    """(k, k) of each factor's coefficients; zero on the boundary."""
    effects: dict[str, dict[Hashable, FloatArray]]
    """Best linear unbiased predictions of each group's coefficients, (k,)."""
    deviance: float
    """-2 log (restricted) likelihood."""
    restricted: bool

    @property
    def residual_sd(self) -> float:
        """Square root of the residual variance."""
        return math.sqrt(self.residual_var)

    def sd(self, factor: str) -> float:
        """Return the standard deviation of a factor's first coefficient."""
        return math.sqrt(float(self.covariance[factor][0, 0]))


def fit_mixed(
    y: ArrayLike,
    X: ArrayLike,
    factors: Sequence[Factor],
    *,
    restricted: bool = True,
) -> MixedFit:
    """Fit a linear mixed model.

    Parameters
    ----------
    y : array_like, (n,)
        Values, finite.
    X : array_like, (n, p)
        Fixed part, of full rank.
    factors : sequence of Factor
        Random part, at least one.
    restricted : bool
        Restricted likelihood, or the full one.

    Returns
    -------
    MixedFit

    Raises
    ------
    NoAnswerError
        No more values than coefficients, or no scatter at all.
    ValueError
        Shapes do not fit, values not finite, or X not of full rank.
    """
    values, fixed = np.asarray(y, dtype=np.float64), np.asarray(X, dtype=np.float64)
    n = values.size
    if values.ndim != 1 or fixed.ndim != 2 or fixed.shape[0] != n or not factors:
        raise ValueError("needs y (n,), X (n, p) and at least one factor")
    if not (np.all(np.isfinite(values)) and np.all(np.isfinite(fixed))):
        raise ValueError("a value is not a number")
    if n <= fixed.shape[1] + 1:
        raise NoAnswerError("no more values than coefficients: measure more")
    if np.linalg.matrix_rank(fixed) < fixed.shape[1]:
        raise ValueError("the columns of X are not independent")
    # Digits: a large constant or scale must not eat them.
    scale = float(np.std(values))
    if scale == 0:
        raise NoAnswerError("all values are equal: there is no scatter to take apart")
    problem = _Problem(values / scale, fixed, [_expand(f, n) for f in factors], restricted)
    from scipy.optimize import minimize

    rough = minimize(
        lambda theta: problem.profile(theta).deviance,
        problem.start,
        method="L-BFGS-B",
        bounds=[(low if np.isfinite(low) else None, None) for low in problem.least],
    )
    # Differences of a numerical gradient leave the last digits open; this one takes none.
    found = minimize(
        lambda theta: problem.profile(np.maximum(theta, problem.least)).deviance,
        rough.x,
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-11, "maxiter": 4000},
    )
    theta = np.maximum(found.x, problem.least)
    fit = problem.profile(theta)
    covariance: dict[str, FloatArray] = {}
    effects: dict[str, dict[Hashable, FloatArray]] = {}
    at = 0
    for factor, part in zip(factors, problem.parts, strict=True):
        root = part.root(theta[at : at + part.size])
        at += part.size
        # A column of the root as small as this is the boundary within rounding.
        root[:, np.abs(root).max(axis=0) < _NOTHING] = 0.0
        relative = root @ root.T
        covariance[factor.name] = relative * fit.sigma2 * scale**2
        pulled = (part.z.T @ fit.weighted_rest).reshape(len(part.names), part.k) @ relative
        effects[factor.name] = {n: pulled[g] * scale for g, n in enumerate(part.names)}
    return MixedFit(
        beta=fit.beta * scale,
        beta_cov=fit.beta_cov * scale**2,
        residual_var=fit.sigma2 * scale**2,
        covariance=covariance,
        effects=effects,
        deviance=fit.deviance + 2 * problem.dof * math.log(scale),
        restricted=restricted,
    )


@dataclass(frozen=True)
class _Part:
    z: FloatArray
    """(n, groups * k), group by group."""
    names: list[Hashable]
    k: int

    @property
    def size(self) -> int:
        return self.k * (self.k + 1) // 2

    def root(self, theta: FloatArray) -> FloatArray:
        out = np.zeros((self.k, self.k))
        out[np.tril_indices(self.k)] = theta
        return out


def _expand(factor: Factor, n: int) -> _Part:
    names = list(dict.fromkeys(factor.groups))
    if len(factor.groups) != n:
        raise ValueError(f"factor {factor.name!r} needs a group for each of the {n} values")
    columns = np.ones((n, 1)) if factor.columns is None else np.asarray(factor.columns, float)
    if columns.shape[0] != n or columns.ndim != 2:
        raise ValueError(f"the columns of factor {factor.name!r} need one row per value")
    k = columns.shape[1]
    place = {name: g for g, name in enumerate(names)}
    z = np.zeros((n, len(names), k))
    z[np.arange(n), [place[g] for g in factor.groups]] = columns
    return _Part(z.reshape(n, -1), names, k)


@dataclass(frozen=True)
class _Profile:
    deviance: float
    beta: FloatArray
    beta_cov: FloatArray
    weighted_rest: FloatArray
    """(n,): V^-1 (y - X beta), V relative to the residual variance."""
    sigma2: float


class _Problem:
    def __init__(self, y: FloatArray, X: FloatArray, parts: list[_Part], restricted: bool) -> None:
        self.y, self.X, self.parts, self.restricted = y, X, parts, restricted
        self.dof = y.size - X.shape[1] if restricted else y.size
        # Diagonals of the roots are not negative, the rest is free.
        diagonal = [np.eye(part.k)[np.tril_indices(part.k)] > 0 for part in parts]
        self.least = np.where(np.concatenate(diagonal), 0.0, -np.inf)
        self.start = np.where(np.isfinite(self.least), 1.0, 0.0)

    def profile(self, theta: FloatArray) -> _Profile:
        V = np.eye(self.y.size)
        at = 0
        for part in self.parts:
            root = part.root(theta[at : at + part.size])
            at += part.size
            spread = (part.z.reshape(self.y.size, -1, part.k) @ root).reshape(self.y.size, -1)
            V += spread @ spread.T
        L = np.linalg.cholesky(V)
        Xl, yl = np.linalg.solve(L, self.X), np.linalg.solve(L, self.y)
        normal = Xl.T @ Xl
        beta = np.linalg.solve(normal, Xl.T @ yl)
        rest = yl - Xl @ beta
        sigma2 = float(rest @ rest) / self.dof
        log_det = 2 * float(np.log(np.diag(L)).sum())
        if self.restricted:
            log_det += float(np.linalg.slogdet(normal)[1])
        return _Profile(
            deviance=log_det + self.dof * (1 + math.log(2 * math.pi * sigma2)),
            beta=np.asarray(beta),
            beta_cov=np.asarray(np.linalg.inv(normal) * sigma2),
            weighted_rest=np.asarray(np.linalg.solve(L.T, rest)),
            sigma2=sigma2,
        )
