"""Chances of a bend against exact quadrants of a normal pair and against drawing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from analysis.lie.belief import Belief
from analysis.plan.chances import bends, chances, sheet_better
from analysis.plan.heads import Head
from analysis.plan.types import PlanClub, PlanRules


def club(**changes):
    return PlanClub("7i", Head.SOFT_FORGED, 940.0, **{"strikes": 9, **changes})


def quadrant(mean, cov, low_signs):
    """P(sign * x < 0 for both)."""
    flip = np.array(low_signs)
    return multivariate_normal(-0.0 + flip * mean, cov * np.outer(flip, flip)).cdf([0.0, 0.0])


@pytest.mark.parametrize("off", [0.0, 0.6, -1.7])
@pytest.mark.parametrize("sd", [0.15, 0.5, 1.4])
def test_both_chances_are_quadrants_of_the_bend_and_the_lie(off, sd):
    rules = PlanRules(increment_deg=0.25, range_deg=2.0)
    table = chances([club(wanted=0.2)], Belief.normal([off + 0.2], [[sd**2]]), rules)
    u, w = rules.u_machine_deg, rules.worse_deg
    for k, b in enumerate(table.bends):
        if b == 0:
            assert (table.p_better[0, k], table.p_worse[0, k]) == (1.0, 0.0)
            continue
        # c = bend as carried out; better: c and z = d + c / 2 of opposite signs.
        mean = np.array([b, off + b / 2])
        cov = np.array([[u**2, u**2 / 2], [u**2 / 2, sd**2 + u**2 / 4]])
        better = quadrant(mean, cov, (-1, 1)) + quadrant(mean, cov, (1, -1))
        edge = np.array([w, w / 2])
        worse = quadrant(mean - edge, cov, (-1, -1)) + quadrant(mean + edge, cov, (1, 1))
        assert table.p_better[0, k] == pytest.approx(better, abs=3e-5)
        assert table.p_worse[0, k] == pytest.approx(worse, abs=3e-5)


def test_students_t_and_mixtures_against_drawing():
    rng = np.random.default_rng(4)
    rules = PlanRules(increment_deg=0.5, range_deg=2.0)
    n = 400_000
    done = rng.normal(0, rules.u_machine_deg, n)
    t = Belief.normal([1.0], [[0.3**2]], 4.0)
    weights, means, sds = np.array([0.6, 0.3, 0.1]), np.array([1.0, 0.2, 3.0]), [0.3, 0.5, 1.0]
    k = 30
    mixture = Belief(
        np.array([weights @ means]),
        np.array([[weights @ (np.square(sds) + means**2) - (weights @ means) ** 2]]),
        np.repeat(weights / k, k),
        np.repeat(means, k)[:, None],
        np.repeat(sds, k)[:, None],
        np.array([np.inf]),
    )
    part = rng.choice(3, n, p=weights)
    draws = {
        "t": (t, 1.0 + 0.3 * rng.standard_t(4, n)),
        "mixture": (mixture, rng.normal(means[part], np.array(sds)[part])),
    }
    for belief, drawn in draws.values():
        table = chances([club()], belief, rules)
        for place, b in enumerate(table.bends):
            if b == 0:
                continue
            change = np.abs(drawn + b + done) - np.abs(drawn)
            assert table.p_better[0, place] == pytest.approx((change < 0).mean(), abs=4e-3)
            assert table.p_worse[0, place] == pytest.approx((change > 0.5).mean(), abs=4e-3)


def test_the_expected_loss_is_the_mean_part_and_a_constant():
    rng = np.random.default_rng(5)
    cov = np.array([[0.5, 0.3], [0.3, 0.4]])
    rules = PlanRules(increment_deg=0.5, range_deg=1.0)
    clubs = [club(metres_per_deg=-1.5), PlanClub("8i", metres_per_deg=-1.2)]
    table = chances(clubs, Belief.normal([1.0, -0.4], cov), rules)
    drawn = rng.multivariate_normal([1.0, -0.4], cov, 400_000)
    for i, w in enumerate((1.5, 1.2)):
        for k, b in enumerate(table.bends):
            error = drawn[:, i] + b
            if b:
                error = error + rng.normal(0, rules.u_machine_deg, len(drawn))
            assert table.loss[i, k] == pytest.approx((w * w * error**2).mean(), rel=0.01)


def test_the_whole_sheets_chance_uses_the_covariance():
    rng = np.random.default_rng(6)
    shared = np.full((2, 2), 0.45) + 0.05 * np.eye(2)
    apart = np.diag(np.diag(shared))
    clubs = [club(metres_per_deg=-1.5), PlanClub("8i", metres_per_deg=-1.2)]
    chosen = np.array([-1.0, -1.0])
    said = []
    for cov in (shared, apart):
        belief = Belief.normal([0.9, 0.8], cov)
        table = chances(clubs, belief, PlanRules())
        drawn = rng.multivariate_normal([0.9, 0.8], cov, 400_000)
        w2 = np.array([1.5, 1.2]) ** 2
        change = (w2 * ((drawn + chosen) ** 2 - drawn**2)).sum(axis=1)
        said.append(sheet_better(table, belief, chosen))
        assert said[-1] == pytest.approx((change < 0).mean(), abs=3e-3)
    assert said[0] < said[1] - 0.02
    assert sheet_better(table, belief, np.zeros(2)) is None


def test_bends_are_the_machines_steps_with_zero_among_them():
    assert bends(PlanRules(increment_deg=0.5, range_deg=1.2)).tolist() == [-1, -0.5, 0, 0.5, 1]
    assert bends(PlanRules(increment_deg=0.25, range_deg=4.0)).size == 33


def test_belief_quantiles_and_folded_means():
    rng = np.random.default_rng(7)
    t = Belief.normal([1.0], [[0.25]], 5.0)
    drawn = 1.0 + 0.5 * rng.standard_t(5, 400_000)
    assert t.quantile(0, 0.05) == pytest.approx(np.quantile(drawn, 0.05), abs=0.01)
    normal = Belief.normal([0.4], [[0.25]])
    drawn = rng.normal(0.4, 0.5, 400_000)
    assert normal.mean_abs(0, [-1.0])[0] == pytest.approx(np.abs(drawn - 1).mean(), abs=3e-3)
    with pytest.raises(ValueError, match="symmetry"):
        Belief.normal([0.0, 1.0], np.eye(3))
    with pytest.raises(ValueError, match="negative"):
        Belief.normal([0.0, 1.0], [[1.0, 2.0], [2.0, 1.0]])
