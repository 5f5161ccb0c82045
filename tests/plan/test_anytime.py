"""Intervals under optional stopping, with Stein's and Chow and Robbins' rules beside them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.budget import coverage_factor
from analysis.estimation import stein_sample_size
from analysis.plan_anytime import chow_robbins_size, confidence_sequence

PLAYERS, LONGEST = 800, 80


def test_looking_after_every_swing_breaks_students_t_but_not_this():
    # Ville's inequality: the chance that the sequence ever misses is 10 % at most. A 90 % t
    # interval looked at after each value misses at some time far more often (references: optional
    # stopping on a t interval undercovers).
    rng = np.random.default_rng(1)
    t = np.array([coverage_factor(n - 1, 0.90) for n in range(2, LONGEST + 1)])
    ever, ever_t = 0, 0
    for _ in range(PLAYERS):
        x = rng.normal(3.0, 2.0, LONGEST)
        found = confidence_sequence(x)
        ever += bool(np.any(np.abs(found.mean - 3.0) > found.half_width))
        n = np.arange(1, LONGEST + 1)
        mean = np.cumsum(x) / n
        sd = np.sqrt((np.cumsum(x**2) - n * mean**2)[1:] / (n[1:] - 1))
        ever_t += bool(np.any(np.abs(mean[1:] - 3.0) > t * sd / np.sqrt(n[1:])))
    assert ever / PLAYERS < 0.10
    assert ever_t / PLAYERS > 0.25


def test_stopping_when_narrow_enough_keeps_the_promise():
    # Stop at the first half-width below d, the rule that t intervals do not survive.
    rng = np.random.default_rng(2)
    missed = missed_t = stopped = 0
    for _ in range(PLAYERS):
        x = rng.normal(0.0, 1.0, 60)
        found = confidence_sequence(x)
        narrow = np.flatnonzero(found.half_width < 0.8)
        if narrow.size:
            stopped += 1
            missed += bool(abs(found.mean[narrow[0]]) > found.half_width[narrow[0]])
        for n in range(2, 61):
            half = coverage_factor(n - 1, 0.90) * x[:n].std(ddof=1) / math.sqrt(n)
            if half < 0.8:
                missed_t += bool(abs(x[:n].mean()) > half)
                break
    assert stopped > 0.65 * PLAYERS
    assert missed / PLAYERS < 0.10
    assert missed_t / PLAYERS > 0.12


def test_it_is_the_mixture_of_t_likelihood_ratios():
    # The e-value against m by numerical integration: normal likelihood, right Haar prior on the
    # spread, mean m + delta sd with delta ~ N(0, g) above, m below.
    x = np.array([1.2, 0.4, 2.1, 1.0, 3.0, 1.7, 0.9, 2.4, 1.1, 1.6])
    g, alpha = 0.15, 0.10
    found = confidence_sequence(x, confidence=1 - alpha, g=g)
    edge = found.mean[-1] + found.half_width[-1]
    log_s = np.linspace(-3, 6, 1501)
    s = np.exp(log_s)[:, None]
    delta = np.linspace(-6, 6, 1201) * math.sqrt(g)
    weight = np.exp(-0.5 * delta**2 / g)
    weight /= weight.sum()
    y = x - edge
    z2 = (y**2).sum() / s**2 - 2 * delta * y.sum() / s + x.size * delta**2
    above = (np.exp(-0.5 * z2) @ weight) * s[:, 0] ** -float(x.size)
    below = np.exp(-0.5 * (y**2).sum() / s[:, 0] ** 2) * s[:, 0] ** -float(x.size)
    assert above.sum() / below.sum() == pytest.approx(1 / alpha, rel=2e-3)


def test_the_price_against_steins_fixed_plan_is_bounded():
    # Stein, Ann. Math. Statist. 16 (1945): his size for the same half-width is the least one can
    # do with a pilot; looking all the time costs less than four times as many swings.
    rng = np.random.default_rng(3)
    sizes, plans = [], []
    for _ in range(300):
        x = rng.normal(0.0, 1.0, 200)
        narrow = np.flatnonzero(confidence_sequence(x).half_width < 0.5)
        sizes.append(narrow[0] + 1)
        plans.append(stein_sample_size(float(x[:5].std(ddof=1)), 4, 0.5, confidence=0.90))
    assert np.mean(plans) < np.mean(sizes) < 4 * np.mean(plans)


def test_chow_and_robbins_stop_near_their_limit_and_cover():
    # Chow and Robbins (1965): N d^2 / (z^2 sigma^2) -> 1 and coverage -> 90 % as d -> 0.
    rng = np.random.default_rng(4)
    sizes, inside = [], 0
    for _ in range(600):
        x = rng.normal(0.0, 1.0, 400)
        n = chow_robbins_size(x, 0.2)
        assert n is not None
        sizes.append(n)
        inside += bool(abs(x[:n].mean()) <= 0.2)
    ideal = (1.644854 / 0.2) ** 2
    assert np.mean(sizes) == pytest.approx(ideal, rel=0.05)
    assert inside / 600 == pytest.approx(0.90, abs=0.035)
    assert chow_robbins_size([0.0, 1.0, 0.3], 0.1) is None


def test_shift_and_scale_go_through_and_few_values_say_nothing():
    x = np.array([1.0, 2.0, 1.5, 0.7, 1.1, 1.9, 1.4, 1.3, 1.2, 1.6])
    found, moved = confidence_sequence(x), confidence_sequence(1e6 + 3 * x)
    assert np.all(np.isinf(found.half_width[:1]))
    assert np.all(np.diff(np.isinf(found.half_width).astype(int)) <= 0)
    assert moved.half_width[-1] == pytest.approx(3 * found.half_width[-1], rel=1e-6)
    assert moved.last().low == pytest.approx(1e6 + 3 * found.last().low)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: confidence_sequence([]), "finite values"),
        (lambda: confidence_sequence([1.0, math.nan]), "finite values"),
        (lambda: confidence_sequence([1.0], g=0.0), "positive"),
        (lambda: chow_robbins_size([1.0], 0.0), "half_width"),
    ],
)
def test_bad_input_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
