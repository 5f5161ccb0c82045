"""One decision for each club: bend it, leave it, hit it more, or say that nothing here can tell.

It follows from the plan's own belief and rules: bends as the sheet has them, and for what is still
open the chance that more swings, or another minute's work, would decide it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from analysis.conventions import NORMAL_90, FloatArray
from analysis.lie.belief import Belief
from analysis.lie.set_types import SetPosterior
from analysis.plan.chances import Chances, bends, head_allows
from analysis.plan.types import (
    DECIDED,
    MOST_MORE_SWINGS,
    Choice,
    Decision,
    PlanClub,
    PlanRules,
    Reason,
    Settles,
)

# Equally likely slices of what the next swings may show.
_SLICES = 41
_Z = ndtri((np.arange(_SLICES) + 0.5) / _SLICES)
# Midpoints fall short of the variance of 1; what swings show must not.
_Z = np.asarray(_Z / math.sqrt(float(np.mean(_Z**2))))


@dataclass(frozen=True, slots=True)
class Outlook:
    """What more of it would tell of one club."""

    news_deg: FloatArray
    """(`MOST_MORE_SWINGS`,): standard deviation of what 1, 2, ... more swings of it move its lie
    error by."""
    settles: tuple[tuple[Settles, float], ...] = ()
    """What else would help, and the variance of its lie error that this takes away, deg^2."""
    claimed: bool = True
    """False: where all clubs lie together is not known well enough to bend by it; ``settles``
    then holds what is needed for that, all of it."""
    judge: str = "this board"


def swing_news(posterior: SetPosterior, place: int, *, gaps: bool = False) -> FloatArray:
    """`Outlook.news_deg` of one club.

    Parameters
    ----------
    posterior : SetPosterior
        Of all strikes so far.
    place : int
        Of the club.
    gaps : bool
        Of how far it stands off the set's line, in place of its lie error.
    """
    more = np.arange(1, MOST_MORE_SWINGS + 1)
    new_var = float(posterior.new_u_deg[place]) ** 2 / more
    if gaps:
        # What all clubs share drops out of a gap, so a swing shows it as it is.
        var = float(posterior.own.covariance[place, place])
        return np.asarray(var / np.sqrt(var + new_var))
    cov = float(posterior.shown_cov[place, place])
    return np.asarray(abs(cov) / np.sqrt(float(posterior.shown_var[place]) + new_var))


def worth_deg(rules: PlanRules) -> float:
    """How far off a club must be for the best bend to pay, degrees.

    The least d at which ``(d - b)^2 + u^2 + charge^2 < d^2`` for some bend b.
    """
    size = bends(rules)
    size = size[size > 0]
    price = rules.u_machine_deg**2 + rules.charge_deg**2
    return float(np.min(size / 2 + price / (2 * size)))


def decide(
    table: Chances,
    club: PlanClub,
    place: int,
    belief: Belief,
    rules: PlanRules,
    bend_deg: float,
    reason: Reason,
    outlook: Outlook | None,
) -> Decision:
    """Decide one club.

    Parameters
    ----------
    table, club, place, belief, rules
        Of the plan; ``place`` is the club's.
    bend_deg, reason
        What the sheet does with it, and what kept it from being otherwise.
    outlook : Outlook, optional
        None: what more swings tell is not known, so what the evidence does not carry is left.
    """
    if club.must_bend or club.must_bend_deg is not None:
        return Decision(Choice.BEND, bend_deg)
    if club.strikes == 0:
        return Decision(Choice.NOT_HIT)
    if bend_deg:
        return Decision(Choice.BEND, bend_deg)
    if club.locked or reason is Reason.STEPS:
        return Decision(Choice.LEAVE)
    reach, first = _reach(table, club, rules), rules.fewest_strikes - club.strikes
    if outlook is None or reach.size == 0:
        # However far it is off, it stays as it is; a first look shows how far that is.
        hit = Decision(Choice.HIT, more_swings=first)
        return hit if first > 0 else Decision(Choice.LEAVE)
    wanted, worth = float(table.wanted[place]), worth_deg(rules)
    if not outlook.claimed:
        if first > 0:
            return Decision(Choice.HIT, more_swings=first)
        settles = tuple(one for one, _ in outlook.settles)
        return Decision(Choice.CANNOT_TELL, settles=settles, judge=outlook.judge)
    low, high = belief.below(place, np.array([wanted - worth, wanted + worth]))
    off, var = float(table.off[place]), float(belief.covariance[place, place])
    if first <= 0 and (high - low >= rules.p_leave or _is_at_edge(var, rules)):
        return Decision(Choice.LEAVE)
    for k, news in enumerate(outlook.news_deg):
        if k + 1 >= first and _decided(off, var, float(news), reach, rules) >= DECIDED:
            return Decision(Choice.HIT, more_swings=k + 1)
    return _not_by_swings(off, var, reach, rules, outlook, first)


def _not_by_swings(
    off: float,
    var: float,
    reach: FloatArray,
    rules: PlanRules,
    outlook: Outlook,
    first: int,
) -> Decision:
    """Decide a club that as many swings as anybody hits leave open."""
    # Whoever settles it some other way hits it once more, too.
    by_swings = float(outlook.news_deg[min(4, MOST_MORE_SWINGS - 1)]) ** 2
    so_far, used = 0.0, []
    before = _decided(off, var, math.sqrt(by_swings), reach, rules)
    for what, less in sorted(outlook.settles, key=lambda one: -one[1]):
        so_far += less
        used.append(what)
        news = math.sqrt(min(by_swings + so_far, 0.999 * var))
        chance = _decided(off, var, news, reach, rules)
        if chance >= DECIDED:
            return Decision(Choice.CANNOT_TELL, settles=tuple(used), judge=outlook.judge)
    if used and chance > before + 0.1:
        return Decision(Choice.CANNOT_TELL, settles=tuple(used[:1]), judge=outlook.judge)
    if first > 0:
        return Decision(Choice.HIT, more_swings=first)
    # Nothing tells: a club that was left can still be bent.
    return Decision(Choice.LEAVE)


def _reach(table: Chances, club: PlanClub, rules: PlanRules) -> FloatArray:
    """Bends other than 0 that head and fitter allow."""
    allowed = head_allows(table, club, rules)
    if club.most_bend_deg is not None:
        allowed = allowed & (np.abs(table.bends) <= club.most_bend_deg + 1e-9)
    return np.asarray(table.bends[allowed & (table.bends != 0)])


def _is_at_edge(var: float, rules: PlanRules) -> bool:
    """Whether a club that is still open is at the edge of what a bend is worth.

    It is known as well as a bend has to be worth, with 90 %: either way it hardly matters.
    """
    return NORMAL_90 * math.sqrt(var) <= rules.charge_deg


def _decided(off: float, var: float, news: float, reach: FloatArray, rules: PlanRules) -> float:
    """Chance that the club is bent or left for good, once news of this size has come.

    Normal, as `analysis.plan.next_club` looks ahead.
    """
    mean = off + news * _Z
    sd = math.sqrt(max(var - news**2, 1e-9))
    if _is_at_edge(sd**2, rules):
        return 1.0
    worth, u = worth_deg(rules), rules.u_machine_deg
    left = ndtr((worth - mean) / sd) - ndtr((-worth - mean) / sd) >= rules.p_leave
    size = np.abs(reach)
    toward = -np.sign(reach) * mean[:, None]
    spread = math.hypot(sd, u / 2)
    carried = ndtr((toward - size / 2) / spread) >= rules.p_needed
    over = ndtr((size - rules.worse_deg) / max(u, 1e-9))
    edge = (np.maximum(size, rules.worse_deg + 0.4 * u) - rules.worse_deg) / 2
    carried &= over * ndtr((edge - toward) / spread) <= rules.p_worse
    pays = 2 * size * toward - size**2 > u**2 + rules.charge_deg**2
    return float(np.mean(left | (carried & pays).any(axis=1)))
