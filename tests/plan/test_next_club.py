"""What a swing is worth: against the unit normal loss integral, and what is advised."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.stats import norm

from analysis.lie.model import Places, Priors
from analysis.lie.session import HeadFacts, SetUp, session_lies
from analysis.lie.set_line import Camber
from analysis.plan.decision import Outlook, swing_news
from analysis.plan.heads import Head
from analysis.plan.next_club import _LookAhead, next_club
from analysis.plan.optimum import plan_set
from analysis.plan.types import Choice, Decision, PlanClub, PlanRules, Settles

CAMBER = Camber(300.0, 0.1)


def session(lies, per, *, scatter=0.6, u_level=0.0, seed=0):
    """Posterior and plan's clubs of invented marks about the given lie errors.

    ``u_level`` in mm is what all marks may be off together.
    """
    rng = np.random.default_rng(seed)
    n = len(lies)
    per = np.broadcast_to(per, n)
    heads = [HeadFacts(f"{i + 3}i", CAMBER, length_mm=980 - 12.7 * i) for i in range(n)]
    club = np.repeat(np.arange(n), per)
    y = np.asarray(lies)[club] + rng.normal(0, scatter, club.size)
    marks = Places(
        -300 * np.tan(np.radians(y)),
        np.full(club.size, 0.1),
        club,
        np.ones(club.size, bool),
        np.full(club.size, -1),
    )
    told = SetUp(stance_u_mm=0.0, stance_told=True)
    priors = Priors(marks_u_mm=max(u_level, 1e-3))
    fit = session_lies([], marks, heads, told, priors=priors).together
    return fit, [PlanClub(c.label, Head.SOFT_FORGED, c.length_mm) for c in heads]


@pytest.mark.parametrize("off", [-0.6, 0.0, 0.4, 1.1])
def test_one_bend_without_evidence_rules_is_the_unit_normal_loss_integral(off):
    # Raiffa and Schlaifer (1961), 5.4: value = slope s G(|u|), G(u) = phi(u) - u (1 - Phi(u)),
    # G(0) = .3989, G(1) = .08332 in their table. With bends of -2, 0, 2 only one of them ever pays
    # here, and the drop -2 b d - b^2 - charges is linear in d.
    assert norm.pdf(1) - norm.sf(1) == pytest.approx(0.08332, abs=5e-6)
    fit, clubs = session([0.0], 6)
    mean = np.array([-1.0 - off])
    lie = dataclasses.replace(fit.lie, mean=mean, covariance=np.array([[0.3]]))
    fit = dataclasses.replace(
        fit,
        lie=lie,
        shown_cov=np.array([[0.3]]),
        shown_var=np.array([0.3]),
        new_u_deg=np.array([0.7]),
    )
    rules = PlanRules(
        increment_deg=2.0,
        range_deg=2.0,
        charge_deg=0.0,
        u_machine_deg=0.0,
        p_needed=0.5,
        p_worse=1.0,
    )
    run = 4
    s = 0.3 / math.sqrt(0.3 + 0.7**2 / run)
    # Break-even at d = -1: drop 4 (-1 - d); mean excess is 4 off.
    u = abs(off) / s
    expected = 4 * s * (norm.pdf(u) - u * norm.sf(u))
    # Bends are carried only if they help with 50 %: never in the way of a drop above 0.
    got = _LookAhead(fit, clubs, rules)._value(0, run)
    assert got == pytest.approx(expected, rel=0.08, abs=0.01)


def advised(fit, clubs, **wishes):
    """Advice by the plan's own decisions."""
    clubs = [
        dataclasses.replace(club, strikes=int(n))
        for club, n in zip(clubs, fit.strikes, strict=True)
    ]
    outlooks = [Outlook(swing_news(fit, j)) for j in range(len(clubs))]
    rows = plan_set(clubs, fit.lie, outlooks=outlooks).rows
    decisions = [row.decision for row in rows]
    return next_club(fit, clubs, decisions, **wishes), decisions


def test_a_club_without_its_first_look_comes_first_and_decided_ones_never():
    fit, clubs = session([0.0] * 6, [3, 3, 3, 0, 3, 1])
    advice, _ = advised(fit, clubs)
    assert advice.label in ("6i", "8i")
    fit, clubs = session([0.0] * 6, [12] * 5 + [1], scatter=0.4)
    advice, decisions = advised(fit, clubs)
    assert (advice.label, advice.swings) == ("8i", decisions[5].more_swings)
    assert decisions[5].choice is Choice.HIT
    assert advice.why == f"8i: hit {advice.swings} more"
    fit, clubs = session([0.0] * 6, 10, scatter=0.4)
    stop, decisions = advised(fit, clubs)
    assert (stop.label, stop.swings) == (None, 0)
    assert stop.why == "stop: every club is decided"
    assert all(one.is_settled for one in decisions)


def test_a_stop_says_what_would_settle_the_rest():
    fit, clubs = session([0.0] * 3, 5)
    cannot = Decision(Choice.CANNOT_TELL, settles=(Settles.MARKS,))
    stop = next_club(fit, clubs, [Decision(Choice.LEAVE), cannot, cannot])
    assert stop.label is None
    assert stop.why == ("stop: more swings settle nothing. 4i, 5i: read three marks")


def test_clubs_that_cannot_be_bent_are_not_worth_a_swing():
    fit, clubs = session([1.0] * 4, 3, scatter=0.9)
    hard = [dataclasses.replace(c, head=Head.HARD_OR_UNKNOWN) for c in clubs]
    assert max(advised(fit, hard)[0].value.values()) == 0.0
    locked = [dataclasses.replace(c, locked=True) for c in clubs]
    assert advised(fit, locked)[0].label is None


def test_a_tired_player_stops():
    fit, clubs = session([1.0] * 4, 3, scatter=2.0)
    advice, _ = advised(fit, clubs, most_in_all=12)
    assert advice.label is None
    assert "12 swings" in advice.why


def test_other_clubs_than_the_posteriors_are_refused():
    fit, clubs = session([0.0] * 3, 3)
    leave = [Decision(Choice.LEAVE)] * 3
    with pytest.raises(ValueError, match="not the same"):
        next_club(fit, clubs[::-1], leave)
    with pytest.raises(ValueError, match="not the same"):
        next_club(fit, clubs, leave[:2])
