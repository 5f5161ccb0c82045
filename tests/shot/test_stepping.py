"""The stepper against scipy's: the same pair of formulas, and another of order 8."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import RK45, solve_ivp

from analysis.stepping import steps


def pendulums(at_s, state):
    """Two of them, one heavily damped, pushed along by the time; rows angle, rate."""
    angle, rate = state
    return np.array((rate, -np.sin(angle) - np.array([0.1, 2.0]) * rate + 0.2 * np.cos(at_s)))


BEGIN = np.array([[1.2, 0.4], [0.3, -1.0]])
BOTH = np.array([0, 1])


def test_a_step_and_its_curve_are_dormand_and_prince():
    """scipy's RK45 (checked against published tables by its own tests), made to take one step."""
    step = next(steps(pendulums, BEGIN, until_s=9, relative=9, absolute=9, first_s=0.4))
    theirs = RK45(
        lambda t, y: pendulums(t, y.reshape(2, 2)).ravel(), 0.0, BEGIN.ravel(), 9.0,
        rtol=9, atol=9, first_step=0.4,
    )  # fmt: skip
    theirs.step()
    assert theirs.t == pytest.approx(step.end_s)
    for at_s in (0.0, 0.07, 0.2, 0.31, 0.4):
        ours = step.at(np.full(2, at_s), BOTH)
        assert ours.ravel() == pytest.approx(theirs.dense_output()(at_s), abs=1e-14)


def test_it_keeps_its_word_on_the_error():
    exact = solve_ivp(
        lambda t, y: pendulums(t, y.reshape(2, 2)).ravel(), (0, 20), BEGIN.ravel(),
        method="DOP853", rtol=1e-12, atol=1e-12, dense_output=True,
    )  # fmt: skip
    now_s = 0.0
    for step in steps(pendulums, BEGIN, until_s=20, relative=1e-7, absolute=1e-7, first_s=5.0):
        assert step.begin_s == now_s
        now_s = step.end_s
        middle_s = (step.begin_s + step.end_s) / 2
        found = step.at(np.full(2, middle_s), BOTH)
        # Errors of some hundred steps add up, for a pendulum in proportion to the time.
        assert found.ravel() == pytest.approx(exact.sol(middle_s), abs=3e-6)
    assert now_s == 20.0
