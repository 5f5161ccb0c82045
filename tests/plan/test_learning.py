"""What a bend teaches: against conjugate normal updating, and when it surprises."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.lie.club import SoleArc
from analysis.plan.learning import Bent, learn_from_bends

RADIAN = math.radians(1)


def test_a_measured_bend_updates_the_radius_as_a_normal_prior_and_a_normal_reading_do():
    # Small angles, doubt that does not depend on R: move = -R b, conjugate update in closed form
    # (Gelman et al., Bayesian Data Analysis, 2.5).
    prior = SoleArc(280.0, 40.0)
    bent = Bent(0.0, 0.4, -5.5, 0.3, 1.0, u_bend_deg=0.0)
    found = learn_from_bends([bent], prior, u_day_deg=0.0)
    u = math.hypot(0.4, 0.3) / math.tan(RADIAN)
    weight = (1 / 40**2, 1 / u**2)
    expected = (280 * weight[0] + 5.5 / math.tan(RADIAN) * weight[1]) / sum(weight)
    assert found.sole.camber_mm == pytest.approx(expected, abs=0.1)
    assert found.sole.u_camber_mm == pytest.approx(1 / math.sqrt(sum(weight)), rel=0.01)
    assert found.mm_per_deg == pytest.approx(expected * RADIAN, abs=0.002)
    assert found.sole.measured


def test_more_bends_teach_more_and_find_the_true_radius():
    rng = np.random.default_rng(2)
    bends = []
    for _ in range(12):
        b, e = rng.choice([-1.5, 1.5]), math.radians(rng.normal(0, 1))
        done = math.radians(b + rng.normal(0, 0.2))
        before, after = -330 * math.tan(e), -330 * math.tan(e + done)
        bends.append(
            Bent(before + rng.normal(0, 0.5), 0.5, after + rng.normal(0, 0.5), 0.5, b, 0.2)
        )
    one = learn_from_bends(bends[:1], SoleArc(), u_day_deg=0.05)
    all_ = learn_from_bends(bends, SoleArc(), u_day_deg=0.05)
    assert all_.sole.u_camber_mm < 0.6 * one.sole.u_camber_mm
    assert abs(all_.sole.camber_mm - 330) < 3 * all_.sole.u_camber_mm
    assert len(all_.predicted_mm) == 12


def test_upright_moves_the_contact_toward_the_heel():
    found = learn_from_bends([Bent(3.0, 0.5, -2.0, 0.5, 1.0)], SoleArc(300.0, 10.0, measured=True))
    assert found.predicted_mm[0] == pytest.approx(-300 * math.tan(RADIAN), rel=0.01)
    assert found.found_mm[0] == -5.0
    assert found.p_surprise[0] > 0.5


def test_a_bend_that_went_the_wrong_way_is_said():
    found = learn_from_bends([Bent(3.0, 0.5, 9.0, 0.5, 1.0)], SoleArc(300.0, 10.0, measured=True))
    assert found.p_surprise[0] < 0.001
    assert "measure lie and loft again" in found.words


def test_what_cannot_be_learned_from_is_refused():
    with pytest.raises(NoAnswerError, match="must have been one"):
        learn_from_bends([], SoleArc())
    with pytest.raises(NoAnswerError, match="must have been one"):
        learn_from_bends([Bent(0.0, 1.0, 0.0, 1.0, 0.0)], SoleArc())
    with pytest.raises(ValueError, match="negative"):
        Bent(0.0, -1.0, 0.0, 1.0, 1.0)
    with pytest.raises(ValueError, match="numbers"):
        Bent(math.nan, 1.0, 0.0, 1.0, 1.0)
