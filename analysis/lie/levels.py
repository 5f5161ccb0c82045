"""Strikes -> clubs: delivered lie error of each club of a session, and what its level rests on.

Each strike's sole passed at ``c = delivery offset + scatter`` from the address mark and touched at
``toe = club's own mean + scatter``. The delivery offset belongs to the player and is common to all
clubs, so with a narrow patch gaps between clubs stay good while the level does not; the level comes
from sole ends in print or from marks read off the sole, and it is said which.

The offset and both scatters are integrated over on a grid; given these, each strike's toe is taken
as normal with the moments of its own posterior, which makes the club means normal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.conventions import FloatArray
from analysis.footprint.mixture import mixture_quantiles
from analysis.footprint.types import BoolArray, FootprintFits
from analysis.lie.given import StrikeNodes, given_offset, strike_nodes, with_marks

# Grid of the delivery offset, and how often it is narrowed to where the posterior is.
_OFFSETS = 61
_ZOOMS = 3
# Delivery scatter: the stated one times these, log-normal prior with this factor as one sd.
_SCATTER_STEPS = np.exp(np.linspace(-1.1, 1.1, 7))
_SCATTER_LOG_SD = 0.4
# Scatter of the contact on the sole, mm: half-Cauchy prior with this scale (our choice: a degree at
# a camber of 290 mm; the scale is wide).
_TOE_SCATTER_MM = np.geomspace(0.3, 14.0, 10)
_TOE_SCATTER_SCALE_MM = 5.0
# A level is claimed when this share of what is known of the delivery offset is not the address
# mark's (its standard deviation is less than half of the prior's), and an end printed in this part
# of the strikes.
_CLAIM_SHARE = 0.8
_PRINTED_PART = 0.25
# Precisions (1e-9 to 11 per mm^2) of so many strikes have a product that a float holds.
_LOG_ROWS = 16


@dataclass(frozen=True)
class SessionLevels:
    """Clubs of one session, arrays over clubs in rising order of club number.

    Attributes
    ----------
    club : (n_clubs,) int
        Club numbers as given.
    strikes : (n_clubs,) int
        Strikes with a number.
    toe_mm, toe_sd_mm : (n_clubs,)
        Mean contact on the sole.
    lie_error_deg, lie_sd_deg, lie_low_deg, lie_high_deg : (n_clubs,)
        Mean delivered lie error, standard deviation, central 90 % interval; camber included.
        Where ``level_by`` is ``address only`` these rest on the address mark: use gaps.
    gap_deg, gap_sd_deg : (n_clubs, n_clubs)
        Lie error of the row's club less that of the column's.
    toe_scatter_mm, delivery_scatter_mm : float
        Posterior means of the strike-to-strike standard deviations.
    offset_mm, offset_sd_mm, offset_low_mm, offset_high_mm : float
        The player's mean delivery off the address mark, positive toward the toe's side of the
        board (player frame: the sole passes this far beyond the mark on the side its toe is).
    level_by : str
        ``both sole ends``, ``heel end``, ``toe end``, ``marks`` or ``address only``. Ends count
        only where they printed: that they did not is in the numbers too, but rests on the
        shape of the sole out there.
    level_share : float
        Share of the information on the level that did not come from the address mark.
    """

    club: NDArray[np.int64]
    strikes: NDArray[np.int64]
    toe_mm: FloatArray
    toe_sd_mm: FloatArray
    lie_error_deg: FloatArray
    lie_sd_deg: FloatArray
    lie_low_deg: FloatArray
    lie_high_deg: FloatArray
    gap_deg: FloatArray
    gap_sd_deg: FloatArray
    toe_scatter_mm: float
    delivery_scatter_mm: float
    offset_mm: float
    offset_sd_mm: float
    offset_low_mm: float
    offset_high_mm: float
    level_by: str
    level_share: float

    @property
    def level_claimed(self) -> bool:
        """Whether the level of all clubs rests on more than the address mark."""
        return self.level_by != "address only"


# By delivery scatter: what `given_offset` says of the strikes.
_Given: TypeAlias = dict[float, tuple[FloatArray, FloatArray, FloatArray]]


@dataclass(frozen=True)
class _Grid:
    """Posterior on the grid of scatters (s) and offset (d)."""

    offset: FloatArray
    weight: FloatArray
    """(s, d), sums to 1."""
    mean: FloatArray
    """(s, d, clubs): of each club's toe."""
    variance: FloatArray
    delivery_scatter: FloatArray
    """(s,)."""
    toe_scatter: FloatArray
    """(s,)."""

    @property
    def offset_moments(self) -> tuple[float, float]:
        """Mean and variance of the delivery offset."""
        share = self.weight.sum(axis=0)
        mean = float(share @ self.offset)
        return mean, float(share @ (self.offset - mean) ** 2)


def session_levels(
    fits: FootprintFits,
    club: ArrayLike,
    *,
    marks_toe_mm: ArrayLike | None = None,
    marks_u_mm: ArrayLike = 2.0,
) -> SessionLevels:
    """Put the strikes of one session together.

    Parameters
    ----------
    fits : FootprintFits
        One player, one address mark. Strikes without a number are left out.
    club : array_like of int, (n,)
        Which club each strike was hit with.
    marks_toe_mm : array_like, (n,)
        Marks read off the sole after the same swings, NaN where none was read.
    marks_u_mm : array_like
        Standard uncertainty of a mark, mm: one number or n.

    Returns
    -------
    SessionLevels
        Only clubs with at least one strike that has a number.

    Raises
    ------
    ValueError
        If lengths differ or no strike has a number.
    """
    number = np.asarray(club, dtype=np.int64)
    if number.shape != (len(fits),):
        raise ValueError(f"club needs one number per strike: {len(fits)}, not {number.shape}")
    good = fits.ok
    if not good.any():
        raise ValueError("no strike has a number: nothing to put together")
    names, index = np.unique(number[good], return_inverse=True)
    bare = strike_nodes(fits, good, index, len(names))
    strikes, marked = bare, False
    if marks_toe_mm is not None:
        mark = np.broadcast_to(np.asarray(marks_toe_mm, dtype=np.float64), (len(fits),))[good]
        mark_u = np.broadcast_to(np.asarray(marks_u_mm, dtype=np.float64), (len(fits),))[good]
        marked = bool(np.isfinite(mark).any())
        strikes = with_marks(bare, mark, mark_u)
    grid = _posterior(strikes, fits)
    prior_var = max(fits.aim.offset_u_mm, 1e-3) ** 2
    level_by, share = _level_by(fits, good, bare, grid, prior_var, marked)
    return _summary(fits, good, names, index, grid, level_by, share)


def combine_club(
    fits: FootprintFits,
    *,
    marks_toe_mm: ArrayLike | None = None,
    marks_u_mm: ArrayLike = 2.0,
) -> SessionLevels:
    """`session_levels` for strikes that were all hit with one club."""
    one = np.zeros(len(fits), dtype=np.int64)
    return session_levels(fits, one, marks_toe_mm=marks_toe_mm, marks_u_mm=marks_u_mm)


def _posterior(strikes: StrikeNodes, fits: FootprintFits) -> _Grid:
    """Narrow the grid of offsets to where the posterior is, then evaluate all of it."""
    spread = max(fits.aim.offset_u_mm, 1e-3)
    low, high = -4.0 * spread, 4.0 * spread
    given: _Given = {}
    grid = _evaluate(strikes, np.linspace(low, high, _OFFSETS), fits, given, coarse=True)
    for _ in range(_ZOOMS):
        share = grid.weight.sum(axis=0)
        likely = np.nonzero(share > 1e-5 * share.max())[0]
        step = grid.offset[1] - grid.offset[0]
        low, high = grid.offset[likely[0]] - step, grid.offset[likely[-1]] + step
        if high - low > 0.7 * (grid.offset[-1] - grid.offset[0]):
            break
        given = {}
        grid = _evaluate(strikes, np.linspace(low, high, _OFFSETS), fits, given, coarse=True)
    return _evaluate(strikes, grid.offset, fits, given, coarse=False)


def _evaluate(
    strikes: StrikeNodes, offset: FloatArray, fits: FootprintFits, given: _Given, *, coarse: bool
) -> _Grid:
    """Posterior at each scatter and offset, club means integrated out.

    ``given`` holds what the strikes say at scatters that were asked for before at these offsets.
    """
    steps = _SCATTER_STEPS[1::2] if coarse else _SCATTER_STEPS
    toe_steps = _TOE_SCATTER_MM[::3] if coarse else _TOE_SCATTER_MM
    logs, means, variances, deliveries, toes = [], [], [], [], []
    of_club = (np.arange(strikes.clubs)[:, None] == strikes.club).astype(np.float64)
    prior_offset = -0.5 * (offset / max(fits.aim.offset_u_mm, 1e-3)) ** 2
    for step in steps:
        scatter = fits.aim.scatter_mm * step
        if scatter not in given:
            given[scatter] = given_offset(strikes, offset, scatter)
        log_evidence, toe, toe_var = given[scatter]
        log_strikes = log_evidence.sum(axis=0) - len(strikes.centre) * np.log(scatter)
        prior_scatter = -0.5 * (np.log(step) / _SCATTER_LOG_SD) ** 2
        for toe_scatter in toe_steps:
            precision = 1 / (toe_var + toe_scatter**2)
            weighted = precision * toe
            total = of_club @ precision
            mean = (of_club @ weighted) / total
            # Squares about the clubs' means.
            rest = np.einsum("nd,nd->d", weighted, toe) - (total * mean**2).sum(axis=0)
            log_club = 0.5 * (_log_product(precision) - rest - _log_product(total))
            # Even steps in log: density times the scatter itself.
            prior_toe = np.log(toe_scatter / (1 + (toe_scatter / _TOE_SCATTER_SCALE_MM) ** 2))
            logs.append(log_strikes + log_club + prior_offset + prior_scatter + prior_toe)
            means.append(mean.T)
            variances.append(1 / total.T)
            deliveries.append(scatter)
            toes.append(toe_scatter)
    log = np.array(logs)
    weight = np.exp(log - log.max())
    return _Grid(
        offset,
        weight / weight.sum(),
        np.array(means),
        np.array(variances),
        np.array(deliveries),
        np.array(toes),
    )


def _log_product(values: FloatArray) -> FloatArray:
    """Sum of logarithms down the first axis; logarithms of short products, as they take longest."""
    starts = np.arange(0, len(values), _LOG_ROWS)
    return np.asarray(np.log(np.multiply.reduceat(values, starts, axis=0)).sum(axis=0))


def _level_by(
    fits: FootprintFits,
    good: BoolArray,
    bare: StrikeNodes,
    grid: _Grid,
    prior_var: float,
    marked: bool,
) -> tuple[str, float]:
    """Say which gave most of the information on the delivery offset, and the share of it."""
    variance = grid.offset_moments[1]
    share = float(np.clip(1 - variance / prior_var, 0.0, 1.0))
    if share < _CLAIM_SHARE:
        return "address only", share
    if marked:
        strip_only = _posterior(bare, fits).offset_moments[1]
        from_strip = 1 / strip_only - 1 / prior_var
        if 1 / variance - 1 / prior_var > 2 * max(from_strip, 0.0):
            return "marks", share
    heel, toe = fits.heel_share[good] > 0.5, fits.toe_share[good] > 0.5
    if (heel | toe).mean() < _PRINTED_PART:
        return "address only", share
    few = _PRINTED_PART / 2
    if heel.mean() > few and toe.mean() > few:
        return "both sole ends", share
    return ("heel end" if heel.mean() > toe.mean() else "toe end"), share


def _summary(
    fits: FootprintFits,
    good: BoolArray,
    names: NDArray[np.int64],
    index: NDArray[np.intp],
    grid: _Grid,
    level_by: str,
    share: float,
) -> SessionLevels:
    clubs = len(names)
    flat = grid.weight.ravel()
    keep = flat > 1e-7
    weight = flat[keep] / flat[keep].sum()
    mean = grid.mean.reshape(-1, clubs)[keep]
    variance = grid.variance.reshape(-1, clubs)[keep]
    toe = weight @ mean
    # Errors that all strikes of a club, or of the session, have in common.
    count = np.bincount(index, minlength=clubs)
    member = (index[:, None] == np.arange(clubs)) / count
    by_gain = member.T @ fits.gain_influence_mm[good][:, 1] * fits.gain_shared_u
    # The board's own: gains and cover.
    by_board = np.concatenate([by_gain, member.T @ fits.cover_influence_mm[good][:, 1]], axis=1)
    by_head = member.T @ fits.head_influence_mm[good][:, 1]
    by_middle = member.T @ fits.middle_influence[good] * fits.middle_u_mm
    own_head = (by_head**2).sum(axis=1) + by_middle**2
    shared = (by_board**2).sum(axis=1) + own_head
    radius = member.T @ fits.camber_mm[good]
    relative = (member.T @ fits.camber_u_mm[good]) / radius
    off = mean - toe
    toe_var = weight @ (variance + off**2) + shared
    slope = -mean / radius
    slope_sd = np.sqrt((variance + shared) / radius**2 + (slope * relative) ** 2)
    low, high = (
        np.degrees(
            np.arctan(mixture_quantiles(np.tile(weight, (clubs, 1)), slope.T, slope_sd.T, q))
        )
        for q in (0.05, 0.95)
    )
    lie_slope = -toe / radius
    per_slope = np.degrees(1 / (1 + lie_slope**2))
    slope_var = toe_var / radius**2 + (lie_slope * relative) ** 2
    lie = np.degrees(np.arctan(lie_slope))
    # Of a gap: offset and what the board does to all cancel between the clubs, the rest adds up.
    per_mm = per_slope / radius
    centred, within = off * per_mm, (weight @ variance + own_head) * per_mm**2
    common = (centred * weight[:, None]).T @ centred + (by_board * per_mm[:, None]) @ (
        by_board * per_mm[:, None]
    ).T
    own = np.diag(common)
    gap_var = own[:, None] + own - 2 * common + within[:, None] + within
    camber = (lie * relative) ** 2
    gap_var = gap_var + camber[:, None] + camber
    np.fill_diagonal(gap_var, 0.0)
    offset, offset_var = grid.offset_moments
    running = np.cumsum(grid.weight.sum(axis=0))
    by_scatter = grid.weight.sum(axis=1)
    return SessionLevels(
        club=names,
        strikes=count.astype(np.int64),
        toe_mm=toe,
        toe_sd_mm=np.sqrt(toe_var),
        lie_error_deg=lie,
        lie_sd_deg=per_slope * np.sqrt(slope_var),
        lie_low_deg=low,
        lie_high_deg=high,
        gap_deg=lie[:, None] - lie,
        gap_sd_deg=np.sqrt(np.maximum(gap_var, 0.0)),
        toe_scatter_mm=float(by_scatter @ grid.toe_scatter),
        delivery_scatter_mm=float(by_scatter @ grid.delivery_scatter),
        offset_mm=offset,
        offset_sd_mm=float(np.sqrt(offset_var)),
        offset_low_mm=float(np.interp(0.05, running, grid.offset)),
        offset_high_mm=float(np.interp(0.95, running, grid.offset)),
        level_by=level_by,
        level_share=share,
    )
