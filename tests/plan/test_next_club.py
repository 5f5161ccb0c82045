"""What a swing is worth: against the unit normal loss integral, and what is advised."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from analysis.lie.set_model import fit_set
from scipy.stats import norm

from analysis.lie.club import Level, SoleArc, Stance
from analysis.lie.set_types import SetClub, SetStrikes
from analysis.plan.heads import Head
from analysis.plan.next_club import SwingRules, _LookAhead, next_club
from analysis.plan.types import PlanClub, PlanRules

SOLE = SoleArc(300.0, 0.0, measured=True)


def session(lies, per, *, scatter=0.6, u_level=0.0, seed=0):
    """Posterior and plan's clubs of invented strikes about the given lie errors."""
    rng = np.random.default_rng(seed)
    n = len(lies)
    per = np.broadcast_to(per, n)
    clubs = [SetClub(f"{i + 3}i", 980 - 12.7 * i, sole=SOLE) for i in range(n)]
    club = np.repeat(np.arange(n), per)
    y = np.asarray(lies)[club] + rng.normal(0, scatter, club.size)
    strikes = SetStrikes.of(club, -300 * np.tan(np.radians(y)), u_mm=0.0)
    fit = fit_set(clubs, strikes, level=Level(0.0, u_level), stance=Stance(0.0, 0.0))
    return fit, [PlanClub(c.label, Head.SOFT_FORGED, c.length_mm) for c in clubs]


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
    got = _LookAhead(fit, clubs, rules)._value(0, run, marked=False)
    assert got == pytest.approx(expected, rel=0.08, abs=0.01)


def test_first_look_then_the_doubtful_club_then_stop():
    fit, clubs = session([0.0] * 6, [2, 2, 2, 0, 2, 1])
    advice = next_club(fit, clubs)
    assert (advice.label, advice.swings) == ("6i", 2)
    assert "first look" in advice.why
    fit, clubs = session([0.1] * 5 + [1.1], [8] * 5 + [3], scatter=0.9, seed=2)
    advice = next_club(fit, clubs)
    assert advice.label == "8i"
    assert advice.swings >= 2
    assert advice.value["8i"] == max(advice.value.values())
    fit, clubs = session([0.0] * 6, 10, scatter=0.4)
    stop = next_club(fit, clubs)
    assert (stop.label, stop.swings) == (None, 0)
    assert "stop" in stop.why


def test_where_the_level_is_in_doubt_marks_are_asked_for_instead():
    fit, clubs = session([1.0] * 6, 12, scatter=0.5, u_level=6.0)
    advice = next_club(fit, clubs)
    assert advice.label is None
    assert "marks" in advice.why
    assert advice.marks_value > 2 * max(advice.value.values())


def test_clubs_that_cannot_be_bent_are_not_worth_a_swing():
    fit, clubs = session([1.0] * 4, 2, scatter=0.9)
    hard = [dataclasses.replace(c, head=Head.HARD_OR_UNKNOWN) for c in clubs]
    assert max(next_club(fit, hard).value.values()) == 0.0
    locked = [dataclasses.replace(c, locked=True) for c in clubs]
    assert next_club(fit, locked).label is None
    assert next_club(fit, clubs).label is not None


def test_a_tired_player_stops():
    fit, clubs = session([1.0] * 4, 3, scatter=2.0)
    advice = next_club(fit, clubs, swing=SwingRules(most_in_all=12))
    assert advice.label is None
    assert "12 swings" in advice.why


def test_other_clubs_than_the_posteriors_are_refused():
    fit, clubs = session([0.0] * 3, 3)
    with pytest.raises(ValueError, match="not the same"):
        next_club(fit, clubs[::-1])
