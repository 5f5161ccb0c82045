"""From the player's known misses to a bias that could be asked for, with its reasons.

A proposal only: it names a wish for each long club, and nothing here applies it. Shares of left and
right misses are shrunk toward each other over the clubs (beta-binomial), and a bias is proposed
only where the evidence says that the misses have a side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import betainc, betaln

from analysis.conventions import FloatArray, lie_word

# Grid of the prior's mean and strength, as Gelman, Carlin, Stern and Rubin take it.
_MEANS = 80
_STRENGTHS = 60
_STRENGTH_RANGE = (0.5, 400.0)


@dataclass(frozen=True, slots=True)
class ClubMisses:
    """Shots of one club that missed to a side, as the player counted them."""

    label: str
    left: int
    right: int
    length_mm: float | None = None
    metres_per_deg: float | None = None
    """Signed, positive = right of the target for each degree too upright."""
    miss_m: float = 12.0
    """How far such a miss lies off, typically. Common practice, no source."""

    def __post_init__(self) -> None:
        if self.left < 0 or self.right < 0:
            raise ValueError(f"{self.label}: a number of misses cannot be negative")
        if not self.miss_m > 0:
            raise ValueError(f"{self.label}: miss_m must be positive")


@dataclass(frozen=True, slots=True)
class MissRules:
    """When a bias is proposed, and how much. Common practice, no source."""

    p_needed: float = 0.95
    """Least probability that most misses of the whole set go to one side."""
    share: float = 0.5
    """Part of the mean miss that the bias takes up: the swing changes, the bent club does not."""
    most_deg: float = 1.0
    """No proposal goes beyond this lie error."""
    least_m: float = 1.0
    """A smaller bias is not worth a bend."""
    fewest: int = 20
    """Misses counted in all, below which nothing is proposed."""

    def __post_init__(self) -> None:
        if not (0.5 <= self.p_needed < 1 and 0 < self.share <= 1 and self.most_deg > 0):
            raise ValueError("p_needed lies in 0.5 .. 1, share in 0 .. 1, most_deg is positive")


@dataclass(frozen=True, slots=True)
class ClubBias:
    """What could be asked for with one club."""

    label: str
    right_share: float
    """Share of misses to the right, shrunk toward the set's."""
    u_right_share: float
    taper: float
    """Part of the bias that this club takes: 0 at the pivot and shorter, 1 at the longest."""
    bias_m: float
    """Proposed bias at the landing place, positive = right of the target; 0 = none."""
    bias_deg: float | None
    """The same as a wanted lie error; None without metres per degree."""
    why: str


@dataclass(frozen=True, slots=True)
class BiasProposal:
    """A proposal for the set; empty of biases if the evidence says nothing."""

    clubs: tuple[ClubBias, ...]
    p_right: float
    """Probability that the player's misses go right more often than left."""
    why: str

    @property
    def is_proposed(self) -> bool:
        """Whether any club has a bias."""
        return any(club.bias_m != 0 for club in self.clubs)


@dataclass(frozen=True)
class Shrunk:
    """Shares of several groups, shrunk toward each other."""

    mean: FloatArray
    sd: FloatArray
    """(n,): posterior of each group's share."""
    common_mean: float
    """Posterior mean of the population's mean share."""
    p_above_half: float
    """Probability that the population's mean share exceeds 1/2."""
    alpha: float
    beta: float
    """Posterior means of the beta distribution's parameters."""


def shrink_shares(hits: Sequence[int], trials: Sequence[int]) -> Shrunk:
    """Beta-binomial shares of several groups.

    Parameters
    ----------
    hits, trials : sequence of int, (n,)
        ``0 <= hits <= trials``; groups of no trials get the population's share.

    Returns
    -------
    Shrunk

    Raises
    ------
    ValueError
        No group, or impossible counts.

    Notes
    -----
    Gelman, Carlin, Stern, Dunson, Vehtari and Rubin, Bayesian Data Analysis, 3rd ed. (2013), 5.3:
    shares are Beta(alpha, beta), prior (alpha + beta)^(-5/2), summed on a grid of mean and
    strength.
    """
    y, n = np.asarray(hits, dtype=np.float64), np.asarray(trials, dtype=np.float64)
    if y.size == 0 or y.shape != n.shape or np.any(y < 0) or np.any(y > n):
        raise ValueError("needs hits between 0 and the trials of each group")
    mean = (np.arange(_MEANS) + 0.5) / _MEANS
    strength = np.geomspace(*_STRENGTH_RANGE, _STRENGTHS)
    a = mean[:, None] * strength
    b = (1 - mean)[:, None] * strength
    log = (betaln(a[..., None] + y, b[..., None] + n - y) - betaln(a, b)[..., None]).sum(axis=-1)
    # (alpha, beta) -> (mean, log strength): the area is strength^2.
    log = log - 2.5 * np.log(strength) + 2 * np.log(strength)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    each = (a[..., None] + y) / (strength[:, None] + n)
    var = each * (1 - each) / (strength[:, None] + n + 1)
    share = np.tensordot(weight, each, 2)
    spread = np.tensordot(weight, var + (each - share) ** 2, 2)
    by_mean = weight.sum(axis=1)
    return Shrunk(
        mean=np.asarray(share),
        sd=np.sqrt(spread),
        common_mean=float(by_mean @ mean),
        p_above_half=float(by_mean[mean > 0.5].sum()),
        alpha=float((weight * a).sum()),
        beta=float((weight * b).sum()),
    )


def p_share_above_half(hits: int, trials: int) -> float:
    """Probability that a share exceeds 1/2, one group, flat prior: a beta's upper tail."""
    if not 0 <= hits <= trials:
        raise ValueError("needs hits between 0 and the trials")
    return 1 - float(betainc(hits + 1, trials - hits + 1, 0.5))


def propose_bias(
    clubs: Sequence[ClubMisses],
    *,
    pivot: str | None = None,
    rules: MissRules | None = None,
) -> BiasProposal:
    """Propose a bias against the player's usual miss.

    Parameters
    ----------
    clubs : sequence of ClubMisses
        In any order, labels all different.
    pivot : str, optional
        Label of the club from which the bias grows toward the longest; left out: the middle one
        along the set.
    rules : MissRules, optional
        Evidence and size.

    Returns
    -------
    BiasProposal
        The bias goes against the miss: a player who misses left gets one to the right.

    Raises
    ------
    ValueError
        No club, labels repeat, an unknown pivot, or impossible counts.
    """
    rules = rules or MissRules()
    labels = [club.label for club in clubs]
    if not labels or len(set(labels)) != len(labels):
        raise ValueError("a miss pattern needs at least one club, and each label once")
    if pivot is not None and pivot not in labels:
        raise ValueError(f"the pivot {pivot!r} is not among the clubs")
    right = [club.right for club in clubs]
    total = [club.left + club.right for club in clubs]
    shares = shrink_shares(right, total)
    p_right = shares.p_above_half
    if len(clubs) == 1:
        p_right = p_share_above_half(right[0], total[0])
    sure = max(p_right, 1 - p_right)
    side = "right" if p_right >= 0.5 else "left"
    count = sum(total)
    taper = _taper(clubs, pivot)
    stop = ""
    if count < rules.fewest:
        stop = f"{count} misses counted, {rules.fewest} are the least: no bias proposed"
    elif sure < rules.p_needed:
        stop = (
            f"misses go {side} with only {100 * sure:.0f} %, {100 * rules.p_needed:.0f} % are "
            "needed: no bias proposed"
        )
    rows = tuple(
        _club(club, float(shares.mean[i]), float(shares.sd[i]), float(taper[i]), stop, rules)
        for i, club in enumerate(clubs)
    )
    if stop:
        return BiasProposal(rows, p_right, stop)
    if not any(row.bias_m for row in rows):
        why = f"misses go {side}, but no club would gain {rules.least_m:g} m: no bias proposed"
        return BiasProposal(rows, p_right, why)
    against = "left" if side == "right" else "right"
    why = (
        f"{100 * sure:.0f} % sure that misses go {side} ({sum(right)} right and "
        f"{count - sum(right)} left in all): a bias to the {against} would take up "
        f"{100 * rules.share:.0f} % of the mean miss, growing from the pivot to the longest club. "
        "Nothing is changed unless you ask for it"
    )
    return BiasProposal(rows, p_right, why)


def _taper(clubs: Sequence[ClubMisses], pivot: str | None) -> FloatArray:
    """0 at the pivot and shorter, 1 at the longest; by length, or by order while one is missing."""
    lengths = [club.length_mm for club in clubs]
    known = np.array([math.nan if x is None else x for x in lengths])
    place = known if np.all(np.isfinite(known)) else -np.arange(len(clubs), dtype=np.float64)
    order = np.argsort(-place, kind="stable")
    middle = order[len(clubs) // 2]
    if pivot is not None:
        middle = [club.label for club in clubs].index(pivot)
    span = float(place.max() - place[middle])
    if span <= 0:
        # The pivot is the longest, or all are of one length: there is nothing to grow along.
        return np.where(place >= place[middle], 1.0, 0.0)
    return np.asarray(np.clip((place - place[middle]) / span, 0.0, 1.0))


def _club(
    club: ClubMisses, share: float, u: float, taper: float, stop: str, rules: MissRules
) -> ClubBias:
    def row(bias_m: float, bias_deg: float | None, why: str) -> ClubBias:
        return ClubBias(club.label, share, u, taper, bias_m, bias_deg, why)

    if stop:
        return row(0.0, None, stop)
    if taper == 0:
        return row(0.0, None, "at the pivot or shorter: left as it is")
    mean_miss = (2 * share - 1) * club.miss_m
    bias = -mean_miss * rules.share * taper
    found = f"{100 * share:.0f} % ± {164.5 * u:.0f} % of its misses go right"
    degrees = None
    capped = ""
    if club.metres_per_deg:
        degrees = bias / club.metres_per_deg
        if abs(degrees) > rules.most_deg:
            degrees = math.copysign(rules.most_deg, degrees)
            bias = degrees * club.metres_per_deg
            capped = f", held at {rules.most_deg:g}°"
    if abs(bias) < rules.least_m:
        return row(0.0, None, f"{found}: less than {rules.least_m:g} m to gain")
    way = "right" if bias > 0 else "left"
    if degrees is None:
        tail = "; without its loft this cannot be turned into degrees"
    else:
        tail = f", that is {abs(degrees):.2f}° too {lie_word(degrees)}{capped}"
    return row(bias, degrees, f"{found}: favour {abs(bias):.1f} m {way}{tail}")
