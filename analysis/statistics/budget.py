"""Uncertainty budget: what a figure's doubt is made of, and what to improve first.

Source: JCGM 100:2008 (GUM), 5.1.2 and 5.2.2 for the combination, G.4 for the effective degrees of
freedom and the coverage factor.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from analysis.answers import NoAnswerError

WHAT_TO_IMPROVE: Mapping[str, str] = {
    "stance": "Bring the stance mat level with the board and measure the height difference again.",
    "camber": "Rock this head on the board at more and wider angles to know its radius better.",
    "level": "Audit more swings with marks on the sole: they settle the level of all clubs.",
    "scatter": "Hit this club more often: the swings themselves scatter.",
    "gain": "Draw the bar across the strip a few more times and calibrate the cells again.",
    "fit": "Use a softer cover, so that both ends of the sole print.",
    "other": "Measure this contribution better.",
}


@dataclass(frozen=True, slots=True)
class Contribution:
    """One thing that makes a result doubtful.

    Attributes
    ----------
    name : str
        Short name for the table.
    u : float
        Standard uncertainty in its own unit, >= 0.
    unit : str
        Its own unit.
    sensitivity : float
        Change of the result per unit of this.
    dof : float
        Degrees of freedom of `u`; infinite when it is taken as known.
    correction : float
        What it adds to the reading, in the result's unit.
    improve_key : str
        Key into `WHAT_TO_IMPROVE`.
    """

    name: str
    u: float
    unit: str
    sensitivity: float = 1.0
    dof: float = math.inf
    correction: float = 0.0
    improve_key: str = "other"


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One row of the table, in the result's unit.

    Attributes
    ----------
    contribution : Contribution
        As it was given.
    u_result : float
        ``|sensitivity| * u``.
    share : float
        Part of the combined variance, summing to 1. With correlations a share may be negative: that
        contribution then takes doubt away.
    """

    contribution: Contribution
    u_result: float
    share: float


@dataclass(frozen=True, slots=True)
class Budget:
    """A result with its combined and expanded uncertainty.

    Attributes
    ----------
    value : float
        The reading plus all corrections.
    u : float
        Combined standard uncertainty.
    dof : float
        Effective degrees of freedom (Welch and Satterthwaite).
    factor : float
        Coverage factor at `level`, for `dof` cut down to a whole number.
    expanded : float
        ``factor * u``.
    level : float
        Coverage probability, e.g. 0.90.
    lines : tuple of BudgetLine
        Largest share first.
    """

    value: float
    u: float
    dof: float
    factor: float
    expanded: float
    level: float
    lines: tuple[BudgetLine, ...]


def coverage_factor(dof: float, level: float = 0.90) -> float:
    """Half-width of a two-sided interval in standard uncertainties (Student's t).

    Parameters
    ----------
    dof : float
        Degrees of freedom, > 0; infinite gives the normal quantile.
    level : float
        Coverage probability, within 0 and 1.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        `dof` not positive or `level` outside 0 .. 1.
    """
    if not dof > 0:
        raise ValueError("degrees of freedom must be positive")
    if not 0 < level < 1:
        raise ValueError("a coverage probability lies within 0 and 1")
    upper = (1.0 + level) / 2.0
    return float(ndtri(upper) if math.isinf(dof) else stdtrit(dof, upper))


def _correlation_matrix(
    names: Sequence[str], correlations: Mapping[tuple[str, str], float]
) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    matrix = np.eye(len(names))
    place = {name: index for index, name in enumerate(names)}
    for (first, second), r in correlations.items():
        if first not in place or second not in place or first == second:
            raise ValueError(f"no such pair in the budget: {first!r} and {second!r}")
        if not abs(r) <= 1:
            raise ValueError(f"the correlation of {first!r} and {second!r} is not within -1 and 1")
        matrix[place[first], place[second]] = matrix[place[second], place[first]] = r
    if float(np.linalg.eigvalsh(matrix)[0]) < -1e-9:
        raise ValueError("these correlations cannot all be true together")
    return matrix


def combine(
    contributions: Sequence[Contribution],
    *,
    reading: float = 0.0,
    correlations: Mapping[tuple[str, str], float] | None = None,
    level: float = 0.90,
) -> Budget:
    """Combine contributions into a result with its uncertainty (GUM 5.1.2, 5.2.2, G.4).

    Parameters
    ----------
    contributions : sequence of Contribution
        At least one, names all different.
    reading : float
        The uncorrected result, in the result's unit.
    correlations : mapping of (name, name) to float, optional
        Correlation coefficients of pairs that are not independent.
    level : float
        Coverage probability of the expanded uncertainty.

    Returns
    -------
    Budget

    Raises
    ------
    NoAnswerError
        No contribution was given.
    ValueError
        A negative or non-finite uncertainty, equal names, impossible correlations.

    Notes
    -----
    The effective degrees of freedom are ``1 / sum(share^2 / dof)``, which is Welch-Satterthwaite
    for independent contributions. GUM gives no rule for correlated ones; there the same form is
    used with the covariance shares (our choice). It is cut down to a whole number for the factor
    (G.4.2, note 1).
    """
    if not contributions:
        raise NoAnswerError("a budget needs at least one contribution")
    names = [item.name for item in contributions]
    if len(set(names)) != len(names):
        raise ValueError("two contributions have the same name")
    for item in contributions:
        if not (item.u >= 0 and math.isfinite(item.u) and math.isfinite(item.sensitivity)):
            raise ValueError(f"the uncertainty of {item.name!r} is not a number >= 0")
        if not item.dof > 0:
            raise ValueError(f"the degrees of freedom of {item.name!r} are not positive")
    signed = np.array([item.sensitivity * item.u for item in contributions])
    matrix = _correlation_matrix(names, correlations or {})
    pulls = signed * (matrix @ signed)
    variance = max(float(np.sum(pulls)), 0.0)
    shares = pulls / variance if variance > 0 else np.zeros_like(pulls)
    rate = sum(
        float(share) ** 2 / item.dof for share, item in zip(shares, contributions, strict=True)
    )
    dof = 1.0 / rate if rate > 0 else math.inf
    whole = dof if math.isinf(dof) else max(1.0, math.floor(dof + 1e-9))
    factor = coverage_factor(whole, level)
    u = math.sqrt(variance)
    lines = [
        BudgetLine(item, abs(float(own)), float(share))
        for item, own, share in zip(contributions, signed, shares, strict=True)
    ]
    lines.sort(key=lambda line: -line.share)
    return Budget(
        value=reading + sum(item.correction for item in contributions),
        u=u,
        dof=dof,
        factor=factor,
        expanded=factor * u,
        level=level,
        lines=tuple(lines),
    )
