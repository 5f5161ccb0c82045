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
from analysis.conventions import lie_error_from_toe, stance_lie_error_deg

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


def lie_contributions(
    toe_mm: float,
    *,
    camber_mm: float,
    u_camber_mm: float,
    camber_dof: float = math.inf,
    u_scatter_mm: float,
    scatter_dof: float = math.inf,
    level_offset_mm: float = 0.0,
    u_level_mm: float,
    level_dof: float = math.inf,
    stance_mm: float = 0.0,
    u_stance_mm: float = 0.0,
    hands_mm: float,
    lie_deg: float,
    u_gain_mm: float = 0.0,
    u_fit_mm: float = 0.0,
) -> list[Contribution]:
    """Everything known that makes one club's lie error doubtful, in degrees.

    The reading they belong to is ``conventions.lie_error_from_toe(toe_mm, camber_mm)``; pass both
    to `combine`.

    Parameters
    ----------
    toe_mm : float
        Mean contact of the club, mm, positive toward the toe, not yet corrected.
    camber_mm, u_camber_mm, camber_dof : float
        Radius of the sole, its standard uncertainty and degrees of freedom.
    u_scatter_mm, scatter_dof : float
        Standard uncertainty of the mean contact from the scatter of the strikes.
    level_offset_mm, u_level_mm, level_dof : float
        Level of the session, board minus mark (`audit.level_from_marks`), mm. It is taken off.
    stance_mm, u_stance_mm : float
        How much lower the feet stand than the board, mm. Its effect is taken off.
    hands_mm, lie_deg : float
        Sole to hands along the club, mm, and the club's static lie, degrees.
    u_gain_mm : float
        From cells that are not calibrated exactly.
    u_fit_mm : float
        Common to all strikes of the club, from the footprint fit; not what averages out.

    Returns
    -------
    list of Contribution
        Result unit: degrees of lie error, positive = too upright.

    Raises
    ------
    ValueError
        `camber_mm` not positive.
    """
    if not camber_mm > 0:
        raise ValueError("camber must be a positive radius in mm")
    # At the corrected contact: a level that moves it also moves what the radius does to it.
    # e = atan(-toe/R): de/dtoe = -R/(R^2+toe^2), de/dR = toe/(R^2+toe^2).
    corrected_mm = toe_mm - level_offset_mm
    square = camber_mm**2 + corrected_mm**2
    per_toe = math.degrees(-camber_mm / square)
    per_camber = math.degrees(corrected_mm / square)
    level_deg = float(
        lie_error_from_toe(corrected_mm, camber_mm) - lie_error_from_toe(toe_mm, camber_mm)
    )
    per_stance = stance_lie_error_deg(1.0, hands_mm, lie_deg)
    return [
        Contribution("contact scatter", u_scatter_mm, "mm", per_toe, scatter_dof, 0.0, "scatter"),
        Contribution(
            "level",
            u_level_mm,
            "mm",
            -per_toe,
            level_dof,
            level_deg,
            "level",
        ),
        Contribution("camber", u_camber_mm, "mm", per_camber, camber_dof, 0.0, "camber"),
        Contribution(
            "stance height",
            u_stance_mm,
            "mm",
            -per_stance,
            math.inf,
            -per_stance * stance_mm,
            "stance",
        ),
        Contribution("cell gain", u_gain_mm, "mm", per_toe, math.inf, 0.0, "gain"),
        Contribution("footprint fit", u_fit_mm, "mm", per_toe, math.inf, 0.0, "fit"),
    ]
