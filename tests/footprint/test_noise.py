"""The noise that the fit believes in: cells that are good, or by a small chance far noisier."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import norm

from analysis.footprint.model import SIZE, Cells
from analysis.footprint.problem import Problem, believed, cost_of, good_chance

# Up to a cell that reads nothing in the middle of a print.
OFF_SD = np.array([0.0, 0.3, 1.0, 2.5, 3.5, 4.5, 6.0, 12.0, 13.0, 20.0, 45.0, 90.0])


def problem_of(cells: int, strikes: int) -> Problem:
    of_cells, of_theta = np.zeros((cells, strikes)), np.zeros((SIZE, strikes))
    strip = Cells.of(cells, 4.0, 4.0)
    return Problem(strip, of_cells, None, of_cells, 0.0, of_cells + 1, None, of_theta, of_theta)


def cost(off_sd):
    """Minus twice the log density, up to a constant, of one cell (n,) that is off by this."""
    problem = problem_of(1, len(off_sd))
    one = np.ones((1, len(off_sd)))
    return cost_of(problem, problem.prior_mean, off_sd[None], one, "mixture")


def density(off_sd):
    """Log densities of good and bad, (2, n), by scipy."""
    return np.log([[0.98], [0.02]]) + norm.logpdf(off_sd, scale=[[1.0], [20.0]])


def test_cost_is_that_of_a_mixture_of_two_normal_distributions():
    want = -2 * logsumexp(density(OFF_SD), axis=0)
    got = cost(OFF_SD)
    np.testing.assert_allclose(got - got[0], want - want[0], rtol=2e-6, atol=1e-5)


def test_chance_of_a_good_cell_is_bayes_s():
    want = np.exp(density(OFF_SD)[0] - logsumexp(density(OFF_SD), axis=0))
    assert good_chance(OFF_SD**2) == pytest.approx(want, abs=1e-6)


def test_weights_are_the_slope_of_the_cost():
    # A search that goes by the one and is judged by the other must not be led astray.
    step = 1e-3 * np.maximum(OFF_SD, 1.0)
    slope = (cost(OFF_SD + step) - cost(np.abs(OFF_SD - step))) / (2 * step)
    weight = believed(np.ones_like(OFF_SD), good_chance(OFF_SD**2))
    assert 0.5 * slope == pytest.approx(weight * OFF_SD, rel=2e-2, abs=3e-3)


def test_what_is_picked_is_laid_out_as_it_was():
    rows = np.array([7, 2, 2, 5])
    part = problem_of(32, 9).take(rows)
    for array in (part.y, part.offset_var, part.use, part.prior_mean, part.prior_weight):
        assert array.shape[-1] == len(rows)
        assert array.flags.c_contiguous
