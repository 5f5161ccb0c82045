"""Change points against a published series and against all partitions written out."""

import itertools
from pathlib import Path

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_normal

from analysis.history.changes import Series, _posterior, change_points

NILE = np.concatenate(
    [
        np.array(line.split(","), dtype=float)
        for line in (Path(__file__).parent / "data" / "nile.csv").read_text().splitlines()
        if not line.startswith("#")
    ]
)


def test_the_nile_changed_after_1898():
    """Cobb, Biometrika 65 (1978): one change, between 1898 and 1899."""
    assert (NILE[:28].mean(), NILE[28:].mean()) == pytest.approx((1097.75, 849.97), abs=0.005)
    # In units of the published standard deviation within the two parts, about 127.
    values = (NILE - NILE.mean()) / 127.0
    series = Series(values, np.ones(100), np.full(99, 1 / 99))
    (found,), _ = change_points([series], wobble_scale=0.2)
    assert 1871 + int(np.argmax(found.probability)) == 1898
    assert found.probability[26:29].sum() > 0.8
    assert np.delete(found.probability, range(22, 33)).max() < 0.3
    size, u = 127 * found.size[27], 127 * found.u_size[27]
    assert abs(size - (849.97 - 1097.75)) < 2 * u


def test_all_partitions_written_out():
    """The recursion against every one of 2^5 partitions, densities by scipy's own normal."""
    rng = np.random.default_rng(8)
    values = np.array([0.1, 0.3, 1.4, 1.2, 1.6, 0.2])
    u = rng.uniform(0.2, 0.6, 6)
    p = rng.uniform(0.02, 0.4, 5)
    wobble, level_sd = 0.15, 3.0
    logs, changed = [], []
    for cuts in itertools.product([False, True], repeat=5):
        edges = [0, *(i + 1 for i, cut in enumerate(cuts) if cut), 6]
        log = sum(np.log(q if cut else 1 - q) for q, cut in zip(p, cuts, strict=True))
        for s, t in itertools.pairwise(edges):
            covariance = np.diag(u[s:t] ** 2 + wobble**2) + level_sd**2
            log += multivariate_normal(np.zeros(t - s), covariance).logpdf(values[s:t])
        logs.append(log)
        changed.append(cuts)
    series = Series(values, u, p)
    assert _posterior(series, wobble, level_sd)[1] == pytest.approx(logsumexp(logs), abs=1e-9)
    weight = np.exp(np.array(logs) - logsumexp(logs))
    # A prior as narrow as a point: its one grid value is the median of the half-normal.
    (found,), mean = change_points([series], wobble_scale=wobble / 0.6744897501960817, grid=1)
    assert mean == pytest.approx(wobble)
    assert found.probability == pytest.approx(weight @ np.array(changed), abs=1e-9)


def test_probabilities_are_honest():
    """Of changes drawn from the prior and said to be p probable, about p are there."""
    rng = np.random.default_rng(12)
    said, true = [], []
    for _ in range(250):
        change = rng.random(7) < 0.15
        level = rng.normal(0, 3.0, 8)
        held = np.maximum.accumulate(np.where(np.r_[True, change], np.arange(8), 0))
        u = rng.uniform(0.3, 1.5, 8)
        wobble = abs(rng.normal(0, 0.3))
        values = rng.normal(level[held], np.hypot(u, wobble))
        (found,), _ = change_points([Series(values, u, np.full(7, 0.15))], wobble_scale=0.3)
        said.extend(found.probability)
        true.extend(change)
    said, true = np.array(said), np.array(true)
    for low, high in itertools.pairwise([0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0]):
        here = (said > low) & (said <= high)
        expected = said[here].mean()
        spread = np.sqrt(expected * (1 - expected) / here.sum())
        assert abs(true[here].mean() - expected) < 3.5 * spread + 0.01


@pytest.mark.parametrize("p", [[0.0], [1.0], [0.1, 0.1]])
def test_a_prior_that_is_none_is_refused(p):
    with pytest.raises(ValueError, match="prior"):
        Series(np.zeros(2), np.ones(2), np.array(p))
