"""The robust mean against Student's t, published robust values and certified data."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis.statistics import estimation
from analysis.statistics.estimation import huber_location, robust_mean, stein_sample_size


@pytest.mark.parametrize(
    ("n0", "sd", "half_width", "size"), [(10, 3.0, 1.0, 47), (10, 2.0, 1.0, 21), (15, 4.0, 1.5, 33)]
)
def test_stein(n0, sd, half_width, size):
    # max(n0, floor(t^2 s^2 / d^2) + 1), Stein, Ann. Math. Statist. 16 (1945) 243-258; worked by
    # hand from the table above: 46.06 -> 47, 20.47 -> 21, 32.71 -> 33.
    assert stein_sample_size(sd, n0 - 1, half_width, confidence=0.95) == size


def test_stein_never_asks_for_fewer_than_the_pilot_and_refuses_nonsense():
    assert stein_sample_size(0.1, 9, 5.0) == 10
    for bad in ((-1.0, 9, 1.0), (1.0, 0, 1.0), (1.0, 9, 0.0), (math.nan, 9, 1.0)):
        with pytest.raises(ValueError, match="needs"):
            stein_sample_size(*bad)


def test_huber_copper(table):
    copper = table("amc_copper.csv")["copper_ppm"]
    assert huber_location(copper, scale=0.526323)[0] == pytest.approx(3.206724, abs=1e-6)
    assert huber_location(copper) == pytest.approx((3.205498, 0.673653), abs=1e-6)


def test_huber_newcomb(table):
    light = table("newcomb_light.csv")["time_ns"]
    assert huber_location(light, scale=4.4478)[0] == pytest.approx(27.39003, abs=1e-5)
    assert huber_location(light) == pytest.approx((27.41541, 5.14410), abs=1e-5)


def test_robust_mean_copper(table):
    copper = table("amc_copper.csv")["copper_ppm"]
    fit = robust_mean(copper, resolution=0.01)
    # Between Huber's 3.2055 and what is left without the wild 28.95 and the doubtful 5.28.
    rest = copper[copper < 5]
    assert rest.mean() - 0.02 < fit.estimate < 3.2065
    assert fit.interval.low < 3.205498 < fit.interval.high < 4.2804
    assert np.argmax(fit.p_stray) == copper.size - 1
    assert fit.p_stray[-1] > 0.999
    assert fit.spread == pytest.approx(rest.std(ddof=1), rel=0.15)


def test_robust_mean_newcomb(table):
    light = table("newcomb_light.csv")["time_ns"]
    fit = robust_mean(light)
    # Stigler's reading: -44 and -2 are strays; without them mean 27.75 and SD 5.0834.
    assert set(light[fit.p_stray > 0.8]) == {-44.0, -2.0}
    assert fit.estimate == pytest.approx(27.75, abs=0.15)
    assert fit.spread == pytest.approx(5.0834, rel=0.06)
    half = 5.0834 / 8 * stats.t.ppf(0.95, 63)
    assert fit.interval.half_width == pytest.approx(half, rel=0.06)


def test_grubbs_example_is_found():
    # Tietjen and Moore (1972), NIST/SEMATECH e-Handbook 1.3.5.17.1: 245.57 is an outlier.
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    fit = robust_mean(values)
    assert fit.p_stray[-1] > 0.99
    assert np.all(fit.p_stray[:-1] < 0.5)
    assert fit.estimate == pytest.approx(np.mean(values[:-1]), abs=0.3)


def test_a_large_constant_costs_no_digits(table):
    # NIST StRD SmLs01 and SmLs04: the same values behind one and behind seven leading digits.
    columns = table("strd_smls.csv")
    between = 0.0
    for group in range(1, 10):
        mine = columns["group"] == group
        small = robust_mean(columns["smls01"][mine])
        large = robust_mean(columns["smls04"][mine])
        # The datum itself carries 1e6 with 16 digits: 1e-10 of it is lost before we see it.
        assert large.estimate - 999_999.0 == pytest.approx(small.estimate, abs=2e-8)
        assert large.u == pytest.approx(small.u, rel=1e-7)
        assert large.spread == pytest.approx(small.spread, rel=1e-7)
        between += 21 * (large.estimate - 1_000_000.4 - columns["smls01"].mean() + 1.4) ** 2
    # Certified: between-group sum of squares 1.68, residual standard deviation 0.1.
    assert between == pytest.approx(1.68, rel=0.05)


@pytest.mark.parametrize("n", [2, 3, 5, 12, 40])
def test_without_strays_it_is_students_t(monkeypatch, n):
    monkeypatch.setattr(estimation, "STRAY_SHARE", 1e-300)
    x = np.random.default_rng(n).normal(20.0, 4.0, n)
    fit = robust_mean(x)
    sd, se = x.std(ddof=1), x.std(ddof=1) / math.sqrt(n)
    low, high = stats.t.interval(0.90, n - 1, x.mean(), se)
    # With two values the tails reach beyond any grid: their ends are 5 % short.
    slack = {2: 0.06, 3: 0.01}.get(n, 0.003)
    assert fit.interval.low == pytest.approx(low, abs=slack * (high - low))
    assert fit.interval.high == pytest.approx(high, abs=slack * (high - low))
    assert fit.estimate == pytest.approx(x.mean(), abs=0.01 * se)
    assert fit.dof == pytest.approx(n - 1)
    assert fit.u == pytest.approx(se, rel=2 * slack)
    if n > 2:
        ends = sd * np.sqrt((n - 1) / stats.chi2.ppf([0.95, 0.5, 0.05], n - 1))
        found = [fit.spread_interval.low, fit.spread, fit.spread_interval.high]
        assert found == pytest.approx(list(ends), rel=0.03)


@pytest.mark.parametrize("n", [3, 6, 15, 30])
def test_a_finer_grid_changes_nothing(monkeypatch, n):
    x = np.random.default_rng(n).normal(0.0, 5.0, n)
    x[0] += 30.0
    coarse = robust_mean(x)
    monkeypatch.setattr(estimation, "MEAN_POINTS", 561)
    monkeypatch.setattr(estimation, "SPREAD_POINTS", 241)
    fine = robust_mean(x)
    length = 2 * fine.interval.half_width
    assert coarse.interval.low == pytest.approx(fine.interval.low, abs=0.005 * length)
    assert coarse.interval.high == pytest.approx(fine.interval.high, abs=0.005 * length)
    assert coarse.spread == pytest.approx(fine.spread, rel=0.01)


def test_units_and_origin_do_not_matter():
    x = np.array([1.0, 4.0, -2.0, 3.0, 30.0, 0.5])
    fit, moved = robust_mean(x), robust_mean(-25.4 * x + 7.0)
    assert moved.estimate == pytest.approx(-25.4 * fit.estimate + 7.0)
    assert moved.interval.low == pytest.approx(-25.4 * fit.interval.high + 7.0)
    assert moved.spread == pytest.approx(25.4 * fit.spread)
    assert moved.p_stray == pytest.approx(fit.p_stray)


def test_equal_values_have_the_width_of_their_rounding():
    fit = robust_mean([5.0, 5.0, 5.0, 5.0], resolution=1.0)
    assert fit.estimate == pytest.approx(5.0)
    # Half a step each way, evenly likely: u = 1 / sqrt(12), JCGM 100:2008, F.2.2.1.
    assert fit.u > 1 / math.sqrt(12)
    assert fit.interval.half_width < 2.0
    with pytest.raises(ValueError, match="resolution"):
        robust_mean([5.0, 5.0, 5.0])


@pytest.mark.parametrize("values", [[], [1.0], [1.0, math.nan], [[1.0, 2.0]]])
def test_too_little_is_refused(values):
    with pytest.raises(ValueError, match="two finite"):
        robust_mean(values)


def test_options_out_of_range_are_refused():
    with pytest.raises(ValueError, match="confidence"):
        robust_mean([1.0, 2.0], confidence=1.0)
    with pytest.raises(ValueError, match="resolution"):
        robust_mean([1.0, 2.0], resolution=-1.0)
