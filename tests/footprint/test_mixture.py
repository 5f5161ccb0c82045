"""Interpolation between a posterior's nodes, and quantiles of mixtures, against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq
from scipy.special import ndtr

from analysis.footprint.mixture import densify, densify_smoothly, mixture_quantiles


def test_cubic_between_nodes_is_that_of_scipy():
    rng = np.random.default_rng(1)
    x = np.sort(rng.normal(size=(20, 17)), axis=1)
    # Falling, rising and turning.
    y = -(rng.normal(size=(20, 17)).cumsum(axis=1) ** 2)
    got, at = densify_smoothly(x, y, 4), densify(x, 4)
    assert got.shape == at.shape == (20, 65)
    for i in range(20):
        # In the outermost intervals the slope at the end is another.
        want = PchipInterpolator(x[i], y[i])(at[i, 4:-4])
        np.testing.assert_allclose(got[i, 4:-4], want, atol=1e-9)
    assert densify_smoothly(x[:0], y[:0], 4).shape == (0, 65)


@pytest.mark.parametrize("gaps", [1.0, 5.0])
@pytest.mark.parametrize("probability", [0.05, 0.95])
def test_quantiles_of_mixtures(gaps, probability):
    # Single humps, and several with nothing between them.
    rng = np.random.default_rng(2)
    weight = rng.dirichlet(np.full(30, 1 / gaps), 40)
    mean = gaps * rng.normal(size=(40, 30))
    sd = 0.5 * np.exp(0.5 * rng.normal(size=(40, 30)))
    got = mixture_quantiles(weight, mean, sd, probability)
    for i in range(40):

        def excess(x, i=i):
            return weight[i] @ ndtr((x - mean[i]) / sd[i]) - probability

        middle = weight[i] @ mean[i]
        total = np.sqrt(weight[i] @ (sd[i] ** 2 + (mean[i] - middle) ** 2))
        want = brentq(excess, middle - 6 * total, middle + 6 * total)
        assert got[i] == pytest.approx(want, abs=0.005 * total)
