"""Heavy-tailed strikes as normal sites, against exact integration over the club's value.

Minka, Uncertainty in Artificial Intelligence 17 (2001): the clutter problem is one value seen
through strikes of which some are clutter; there too the exact posterior comes from a fine grid.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm, t

from analysis.lie.design import design
from analysis.lie.set_types import SetPrior
from analysis.lie.sites import SWEEPS, fit_sites, marginals, stray_variances

SHARE, WIDTH = 0.1, 5.0
LONE = SetPrior(level_deg=3.0, drift_deg=0.0, outlier_share=0.0)


def exact(y, scatter, prior_sd, share=SHARE):
    """Mean and sd of the club's value on a fine grid."""
    grid = np.linspace(-15, 15, 20001)
    log = norm.logpdf(grid, 0, prior_sd)
    for value in y:
        sound = (1 - share) * norm.pdf(value, grid, scatter)
        stray = share * t.pdf((value - grid) / (WIDTH * scatter), 3) / (WIDTH * scatter)
        log = log + np.log(sound + stray)
    p = np.exp(log - log.max())
    p /= p.sum()
    mean = p @ grid
    return mean, np.sqrt(p @ (grid - mean) ** 2)


def mine(irons, strikes_of, sure, y, scatter, own=0.01, sweeps=SWEEPS):
    model = design(
        irons(1), strikes_of(np.zeros(len(y), int), y), sure["level"], sure["stance"], None, LONE
    )
    own_var = np.full((1, 1), own**2)
    settings = {"stray_share": SHARE, "stray_width": WIDTH, "sweeps": sweeps}
    sites = fit_sites(model, np.array([scatter]), own_var, **settings)
    mean, var = marginals(model, sites.w, sites.b, own_var)
    return mean[0, 0], np.sqrt(var[0, 0]), sites


def test_the_stray_mixture_has_the_density_of_students_t():
    share, variance = stray_variances(1.0)
    x = np.linspace(0, 10, 201)
    mixed = (share[:, None] * norm.pdf(x, 0, np.sqrt(variance)[:, None])).sum(axis=0)
    assert np.max(np.abs(mixed / t.pdf(x, 3) - 1)) < 0.03


@pytest.mark.parametrize(
    "y",
    [
        (0.3,),
        (0.3, -0.4, 0.9),
        (0.3, -0.4, 0.9, 6.0),
        (0.2, 0.5, 0.1, -0.7, 1.0, -0.2, 4.0, 9.0),
        (1.0, 1.2, 0.8, 0.9, 1.4, 1.1, -8.0),
    ],
)
def test_clutter(irons, strikes_of, sure, y):
    mean, sd, _ = mine(irons, strikes_of, sure, y, 0.8)
    true_mean, true_sd = exact(y, 0.8, np.hypot(3.0, 0.01))
    assert mean == pytest.approx(true_mean, abs=0.08 * true_sd)
    assert sd == pytest.approx(true_sd, rel=0.08)


def test_clutter_over_many_draws_is_right_on_average(irons, strikes_of, sure):
    rng = np.random.default_rng(5)
    off, ratio = [], []
    for _ in range(60):
        y = rng.normal(0.5, 0.8, 5) * np.where(rng.random(5) < 0.1, 5, 1)
        mean, sd, _ = mine(irons, strikes_of, sure, y, 0.8)
        true_mean, true_sd = exact(y, 0.8, np.hypot(3.0, 0.01))
        off.append((mean - true_mean) / true_sd)
        ratio.append(sd / true_sd)
    assert np.sqrt(np.mean(np.square(off))) < 0.08
    assert np.mean(ratio) == pytest.approx(1.0, abs=0.03)


def test_sweeps_have_settled(irons, strikes_of, sure):
    y = (0.2, 0.5, 0.1, -0.7, 1.0, -0.2, 4.0, 9.0)
    few, sd, _ = mine(irons, strikes_of, sure, y, 0.8)
    many, _, _ = mine(irons, strikes_of, sure, y, 0.8, sweeps=60)
    assert few == pytest.approx(many, abs=0.01 * sd)


def test_without_strays_the_sites_are_the_likelihood(irons, strikes_of, sure):
    model = design(
        irons(1), strikes_of([0, 0], [0.5, 1.5]), sure["level"], sure["stance"], None, LONE
    )
    sites = fit_sites(
        model, np.array([0.5, 2.0]), np.ones((2, 1)), stray_share=0.0, stray_width=5.0
    )
    f = 0.7
    value = sites.a - 0.5 * sites.w * f**2 + sites.b * f
    expected = norm.logpdf(np.array([0.5, 1.5]), f, np.array([[0.5], [2.0]]))
    assert value == pytest.approx(expected, abs=1e-9)


def test_the_far_strike_is_called_a_stray(irons, strikes_of, sure):
    _, _, sites = mine(irons, strikes_of, sure, (0.2, 0.5, 0.1, -0.7, 1.0, 9.0), 0.8)
    assert sites.p_stray[0, -1] > 0.99
    assert np.all(sites.p_stray[0, :-1] < 0.1)
