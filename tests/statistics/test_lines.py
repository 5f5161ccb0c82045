from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import least_squares

from analysis.answers import NoAnswerError
from analysis.statistics.lines import deming_line, ordinary_line, york_line


def floats(column):
    return np.array([float(v) for v in column])


def test_norris_to_the_certified_digits(table):
    # NIST StRD, Norris: certified values.
    data = table("norris.csv")
    line = ordinary_line(floats(data["x"]), floats(data["y"]))
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-11)
    assert line.u_slope == pytest.approx(0.429796848199937e-03, rel=1e-11)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-11)
    assert line.dof == 34


def test_gum_h3_thermometer_line(table):
    # JCGM 100:2008, H.3.
    data = table("gum_h3.csv")
    line = ordinary_line(floats(data["t"]), floats(data["correction"]), origin=20.0)
    assert round(line.intercept, 4) == -0.1712
    assert round(line.u_intercept, 4) == 0.0029
    assert round(line.slope, 5) == 0.00218
    assert round(line.u_slope, 5) == 0.00067
    assert round(line.correlation, 3) == -0.930
    assert round(line.residual_sd, 4) == 0.0035
    value, u = line.at(30.0)
    assert (round(value, 4), round(u, 4)) == (-0.1494, 0.0041)
    assert line.dof == 9


def test_weighted_line_equals_normal_equations():
    # Second derivation: covariance (A^T W A)^-1 solved outright.
    rng = np.random.default_rng(3)
    x = np.linspace(-3, 5, 12)
    u = rng.uniform(0.1, 0.8, 12)
    y = 2.0 - 0.7 * x + rng.normal(0, u)
    line = ordinary_line(x, y, u_y=u, origin=1.5)
    a = np.column_stack([np.ones(12), x - 1.5]) / u[:, None]
    covariance = np.linalg.inv(a.T @ a)
    solution = covariance @ a.T @ (y / u)
    assert [line.intercept, line.slope] == pytest.approx(solution, rel=1e-12)
    assert line.u_intercept**2 == pytest.approx(covariance[0, 0], rel=1e-12)
    assert line.u_slope**2 == pytest.approx(covariance[1, 1], rel=1e-12)
    assert line.covariance == pytest.approx(covariance[0, 1], rel=1e-12)
    assert line.chi2 == pytest.approx(float(np.sum((y / u - a @ solution) ** 2)), rel=1e-12)


def test_york_on_pearsons_data(table):
    # York 1966 on Pearson 1901.
    data = {key: floats(column) for key, column in table("pearson_york.csv").items()}
    u_x, u_y = data["weight_x"] ** -0.5, data["weight_y"] ** -0.5
    line = york_line(data["x"], data["y"], u_x, u_y)
    assert line.intercept == pytest.approx(5.47991, abs=5e-6)
    assert line.slope == pytest.approx(-0.480533, abs=5e-7)
    assert line.chi2 == pytest.approx(11.8664, abs=5e-5)
    assert line.u_intercept == pytest.approx(0.2950, abs=5e-5)
    assert line.u_slope == pytest.approx(0.0580, abs=5e-5)


def test_york_is_the_shortest_weighted_distance(table):
    # Oracle: scipy.optimize.least_squares with every true x as a free parameter.
    data = {key: floats(column) for key, column in table("pearson_york.csv").items()}
    x, y = data["x"], data["y"]
    u_x, u_y = data["weight_x"] ** -0.5, data["weight_y"] ** -0.5

    def distances(p):
        return np.concatenate([(p[2:] - x) / u_x, (p[0] + p[1] * p[2:] - y) / u_y])

    best = least_squares(
        distances, np.concatenate([[5.0, -0.5], x]), xtol=1e-15, ftol=1e-15, gtol=1e-15
    )
    line = york_line(x, y, u_x, u_y)
    assert [line.intercept, line.slope] == pytest.approx(best.x[:2], rel=1e-7)
    assert line.chi2 == pytest.approx(2 * best.cost, rel=1e-10)


def test_york_without_errors_in_x_is_the_weighted_line():
    rng = np.random.default_rng(5)
    x = np.linspace(0, 10, 9)
    u = rng.uniform(0.2, 1.0, 9)
    y = 1.0 + 3.0 * x + rng.normal(0, u)
    plain, york = ordinary_line(x, y, u_y=u, origin=2.0), york_line(x, y, 0.0, u, origin=2.0)
    for name in ("intercept", "slope", "u_intercept", "u_slope", "covariance", "chi2"):
        assert getattr(york, name) == pytest.approx(getattr(plain, name), rel=1e-9)


def test_york_turned_on_its_side_is_the_same_line():
    rng = np.random.default_rng(11)
    true = np.linspace(-4, 4, 15)
    u_x, u_y = rng.uniform(0.1, 0.5, 15), rng.uniform(0.1, 0.5, 15)
    x, y = true + rng.normal(0, u_x), 1.0 - 2.0 * true + rng.normal(0, u_y)
    line, turned = york_line(x, y, u_x, u_y), york_line(y, x, u_y, u_x)
    assert turned.slope == pytest.approx(1.0 / line.slope, rel=1e-10)
    assert turned.chi2 == pytest.approx(line.chi2, rel=1e-10)


def test_yorks_uncertainty_is_the_scatter_of_many_fits():
    rng = np.random.default_rng(21)
    true = np.linspace(-3, 3, 10)
    u_x, u_y, r = 0.2, 0.3, 0.5
    slopes, intercepts, said = [], [], []
    for _ in range(600):
        e = rng.multivariate_normal([0, 0], [[u_x**2, r * u_x * u_y], [r * u_x * u_y, u_y**2]], 10)
        line = york_line(
            true + e[:, 0], 1 + 1.5 * true + e[:, 1], u_x, u_y, correlation=r, origin=2.0
        )
        slopes.append(line.slope)
        intercepts.append(line.intercept)
        said.append((line.u_slope, line.u_intercept, line.covariance))
    u_slope, u_intercept, covariance = np.mean(said, axis=0)
    # 600 draws fix a standard deviation to 3 %.
    assert np.std(slopes) == pytest.approx(u_slope, rel=0.1)
    assert np.std(intercepts) == pytest.approx(u_intercept, rel=0.1)
    assert np.cov(slopes, intercepts)[0, 1] == pytest.approx(covariance, rel=0.2)
    assert np.mean(slopes) == pytest.approx(1.5, abs=4 * u_slope / math.sqrt(600))


def test_deming_on_pearsons_data_unweighted(table):
    # Pearson 1901 himself: the best-fitting line is y = 5.7840 - 0.54556 x (orthogonal distances).
    data = table("pearson_york.csv")
    line = deming_line(floats(data["x"]), floats(data["y"]))
    assert line.slope == pytest.approx(-0.545561, abs=5e-7)
    assert line.intercept == pytest.approx(5.784044, abs=5e-7)


def test_deming_is_the_principal_axis():
    # Orthogonal distances are least along the first principal axis (Pearson 1901).
    rng = np.random.default_rng(8)
    x = rng.normal(0, 3, 40)
    y = 0.8 * x + rng.normal(0, 1, 40)
    axis = np.linalg.svd(np.column_stack([x - x.mean(), y - y.mean()]))[2][0]
    assert deming_line(x, y).slope == pytest.approx(axis[1] / axis[0], rel=1e-10)


@pytest.mark.parametrize("fit", [ordinary_line, deming_line])
def test_a_common_offset_costs_no_digits(fit, table):
    data = table("norris.csv")
    x, y = floats(data["x"]), floats(data["y"])
    far = fit(x + 2.0**24, y + 2.0**24, origin=2.0**24)
    near = fit(x, y)
    assert far.slope == pytest.approx(near.slope, rel=1e-9)
    assert far.intercept - 2.0**24 == pytest.approx(near.intercept, abs=1e-6)


@pytest.mark.parametrize(("x", "y"), [([1.0, 2.0], [1.0, 2.0]), ([1.0, 1.0, 1.0], [0.0, 1.0, 2.0])])
def test_no_line_without_points_or_spread(x, y):
    for fit in (ordinary_line, deming_line):
        with pytest.raises(NoAnswerError):
            fit(x, y)


@pytest.mark.parametrize("bad", [[1.0, math.nan, 2.0], [1.0, 2.0]])
def test_malformed_points_are_refused(bad):
    with pytest.raises(ValueError, match="line needs"):
        ordinary_line([1.0, 2.0, 3.0], bad)


def test_malformed_uncertainties_are_refused():
    x = [0.0, 1.0, 2.0]
    with pytest.raises(ValueError, match="positive"):
        ordinary_line(x, x, u_y=0.0)
    with pytest.raises(ValueError, match="both zero"):
        york_line(x, x, 0.0, 0.0)
    with pytest.raises(ValueError, match="correlation"):
        york_line(x, x, 1.0, 1.0, correlation=1.0)
    with pytest.raises(ValueError, match="ratio"):
        deming_line(x, x, variance_ratio=0.0)
