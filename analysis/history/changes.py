"""Where a series of sessions changed its level, and how probable that is.

Exact Bayesian change points: Fearnhead, Statistics and Computing 16 (2006) 203-213, sections 2 and
3, with a Gaussian mean in each stretch and known uncertainties, which may differ by session.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.conventions import FloatArray

# Before anything is seen: levels within some degrees of none. Common practice, no source.
LEVEL_SD_DEG = 3.0


@dataclass(frozen=True, slots=True)
class Series:
    """Values of some sessions in order.

    Attributes
    ----------
    values, u : ndarray, shape (n,)
        With standard uncertainties, > 0.
    p_change : ndarray, shape (n - 1,)
        Prior probability of a change between each session and the next, within 0 and 1.
    """

    values: FloatArray
    u: FloatArray
    p_change: FloatArray

    def __post_init__(self) -> None:
        n = self.values.size
        if n == 0 or self.u.shape != (n,) or self.p_change.shape != (n - 1,):
            raise ValueError("a series needs values, as many uncertainties, and a prior between")
        if not (np.all(self.u > 0) and np.all(np.isfinite(self.values))):
            raise ValueError("values must be numbers and uncertainties positive")
        if not np.all((self.p_change > 0) & (self.p_change < 1)):
            raise ValueError("a prior probability of change lies within 0 and 1")


@dataclass(frozen=True, slots=True)
class ChangePosterior:
    """What is known of the changes of one series.

    Attributes
    ----------
    probability : ndarray, shape (n - 1,)
        That the level changed between each session and the next.
    size, u_size : ndarray, shape (n - 1,)
        Of the change there, later minus earlier, given that there was one.
    level, u_level : ndarray, shape (n,)
        Of the series in each session, over all ways the changes may lie.
    """

    probability: FloatArray
    size: FloatArray
    u_size: FloatArray
    level: FloatArray
    u_level: FloatArray


def change_points(
    series: Sequence[Series],
    *,
    wobble_scale: float,
    level_sd: float = LEVEL_SD_DEG,
    grid: int = 12,
) -> tuple[tuple[ChangePosterior, ...], float]:
    """Change points of some series that share how much a level wobbles from session to session.

    Parameters
    ----------
    series : sequence of Series
        At least one.
    wobble_scale : float
        Scale of the half-normal prior of the wobble: what one and the same club differs from
        session to session beyond its stated uncertainty; unit of the values.
    level_sd : float
        Standard deviation of the levels before anything is seen, about 0.
    grid : int
        Values of the wobble that are averaged over.

    Returns
    -------
    posteriors : tuple of ChangePosterior
        One for each series.
    wobble : float
        Posterior mean.

    Raises
    ------
    ValueError
        No series, or a scale that is not positive.
    """
    if not series or not (wobble_scale > 0 and level_sd > 0 and grid >= 1):
        raise ValueError("change points need a series and positive scales")
    # Midpoints of equal parts of the prior's probability: each counts the same beforehand.
    parts = (np.arange(grid) + 0.5) / grid
    wobbles = wobble_scale * math.sqrt(2) * np.array([_erfinv(p) for p in parts])
    found = [[_posterior(one, float(wobble), level_sd) for one in series] for wobble in wobbles]
    evidence = np.array([sum(log for _, log in row) for row in found])
    weight = np.exp(evidence - _log_sum(evidence))
    posteriors = tuple(_mix([row[i][0] for row in found], weight) for i in range(len(series)))
    return posteriors, float(weight @ wobbles)


def _posterior(series: Series, wobble: float, level_sd: float) -> tuple[ChangePosterior, float]:
    n = series.values.size
    seg, mean, var = _stretches(series.values, series.u, wobble, level_sd)
    change, stay = np.log(series.p_change), np.log1p(-series.p_change)
    stays = np.concatenate([[0.0], np.cumsum(stay)])
    # link[s, t]: log probability of sessions s .. t-1 and of no change among them.
    link = seg.copy()
    link[:n, 1:] += stays[None, :] - stays[:, None]
    begins = np.concatenate([[0.0], change, [0.0]])
    ahead, behind = np.full(n + 1, -np.inf), np.full(n + 1, -np.inf)
    ahead[0] = behind[n] = 0.0
    for t in range(1, n + 1):
        ahead[t] = _log_sum(ahead[:t] + link[:t, t]) + begins[t]
    for s in range(n - 1, -1, -1):
        behind[s] = _log_sum(link[s, s + 1 :] + begins[s + 1 :] + behind[s + 1 :])
    total = float(ahead[n])
    # Probability of each stretch, shape (n + 1, n + 1).
    stretch = np.exp(ahead[:, None] + link + (begins + behind)[None, :] - total)
    probability = np.exp(ahead[1:n] + behind[1:n] - total)
    level, square = np.zeros(n), np.zeros(n)
    size, u_size = np.zeros(n - 1), np.zeros(n - 1)
    for t in range(n):
        p, m, v = (part[: t + 1, t + 1 :] for part in (stretch, mean, var))
        level[t] = np.sum(p * m)
        square[t] = np.sum(p * (v + m**2))
    for b in range(1, n):
        before = _mixture(stretch[:b, b], mean[:b, b], var[:b, b])
        after = _mixture(stretch[b, b + 1 :], mean[b, b + 1 :], var[b, b + 1 :])
        size[b - 1] = after[0] - before[0]
        u_size[b - 1] = math.sqrt(before[1] + after[1])
    u_level = np.sqrt(np.maximum(square - level**2, 0.0))
    return ChangePosterior(probability, size, u_size, level, u_level), total


def _stretches(
    values: FloatArray, u: FloatArray, wobble: float, level_sd: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log density of each stretch s .. t-1 with its level integrated out; the level's moments."""
    n = values.size
    seg = np.full((n + 1, n + 1), -np.inf)
    mean, var = np.zeros((n + 1, n + 1)), np.zeros((n + 1, n + 1))
    v = u**2 + wobble**2
    w = 1.0 / v
    for s in range(n):
        sw, swy = np.cumsum(w[s:]), np.cumsum((w * values)[s:])
        rest = np.cumsum((np.log(2 * np.pi * v) + w * values**2)[s:])
        posterior = sw + level_sd**-2.0
        seg[s, s + 1 :] = -0.5 * (rest - swy**2 / posterior + np.log1p(level_sd**2 * sw))
        mean[s, s + 1 :] = swy / posterior
        var[s, s + 1 :] = 1.0 / posterior
    return seg, mean, var


def _mixture(p: FloatArray, mean: FloatArray, var: FloatArray) -> tuple[float, float]:
    total = float(p.sum())
    share = p / total if total > 0 else np.full(p.size, 1 / p.size)
    middle = float(share @ mean)
    return middle, float(share @ (var + (mean - middle) ** 2))


def _mix(parts: Sequence[ChangePosterior], weight: FloatArray) -> ChangePosterior:
    probability = np.tensordot(weight, np.array([part.probability for part in parts]), 1)
    # A size counts where a change is probable.
    by_change = weight[:, None] * np.array([part.probability for part in parts])
    by_change = by_change / np.maximum(by_change.sum(axis=0), 1e-300)
    size, u_size = _spread([p.size for p in parts], [p.u_size for p in parts], by_change)
    even = np.repeat(weight[:, None], parts[0].level.size, axis=1)
    level, u_level = _spread([p.level for p in parts], [p.u_level for p in parts], even)
    return ChangePosterior(probability, size, u_size, level, u_level)


def _spread(
    means: Sequence[ArrayLike], us: Sequence[ArrayLike], share: FloatArray
) -> tuple[FloatArray, FloatArray]:
    each, u = np.array(means), np.array(us)
    middle = (share * each).sum(axis=0)
    return middle, np.sqrt((share * (u**2 + (each - middle) ** 2)).sum(axis=0))


def _erfinv(p: float) -> float:
    from scipy.special import erfinv

    return float(erfinv(p))


def _log_sum(logs: FloatArray) -> float:
    """Log of a sum; scipy's own costs thirty times as much for a handful of values."""
    top = float(logs.max())
    return top + math.log(float(np.exp(logs - top).sum())) if math.isfinite(top) else top
