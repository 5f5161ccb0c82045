from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.statistics.lines import ordinary_line
from analysis.statistics.robust_line import robust_line

# Belgian international calls by year, millions (Rousseeuw and Leroy, Robust Regression and Outlier
# Detection, 1987, table 2.2; from memory). 1964 to 1969 counted minutes, 1963 and 1970 in part.
CALLS = [
    *(0.44, 0.47, 0.47, 0.59, 0.66, 0.73, 0.81, 0.88, 1.06, 1.20, 1.35, 1.49, 1.61, 2.12),
    *(11.90, 12.40, 14.20, 15.90, 18.20, 21.20, 4.30, 2.40, 2.70, 2.90),
]
YEARS = np.arange(50.0, 74.0)


def test_telephone_calls_as_published():
    # Least squares, published 0.504 and -26.01, vouches for the recalled data. MM-estimate of R's
    # package MASS (Venables and Ripley, Modern Applied Statistics with S, 2002, 6.5; from memory):
    # slope 1.1009, intercept -52.4230, counted in tenths of millions.
    plain = ordinary_line(YEARS, CALLS)
    assert plain.slope == pytest.approx(0.504, abs=5e-4)
    assert plain.intercept == pytest.approx(-26.01, abs=5e-3)
    fit = robust_line(YEARS, CALLS, u_y=0.05)
    assert fit.slope == pytest.approx(0.11009, abs=3e-4)
    assert fit.at(0.0)[0] == pytest.approx(-5.2423, abs=2e-2)
    assert np.flatnonzero(fit.weight == 0).tolist() == list(range(14, 21))


def test_without_strays_it_is_nearly_least_squares():
    rng = np.random.default_rng(5)
    x = np.linspace(-4, 4, 40)
    y = 3 - 0.8 * x + rng.normal(0, 0.2, 40)
    fit, plain = robust_line(x, y, u_y=0.2), ordinary_line(x, y, u_y=0.2)
    assert fit.slope == pytest.approx(plain.slope, abs=0.5 * plain.u_slope)
    assert fit.at(1.0)[0] == pytest.approx(plain.at(1.0)[0], abs=0.5 * plain.at(1.0)[1])
    assert fit.u_slope == pytest.approx(plain.u_slope, rel=0.35)


def test_points_are_judged_against_the_line_of_the_others():
    # Second derivation: least squares of the other points, which all agree, done outright.
    x = np.array([0.0, 1.0, 2.0, 3.0, 5.0])
    y = np.array([0.1, 0.9, 2.1, 8.0, 4.9])
    fit = robust_line(x, y, u_y=1.0)
    others = [0, 1, 2, 4]
    line = ordinary_line(x[others], y[others], u_y=1.0)
    value, u = line.at(3.0)
    # Weights of points so near the line are 1 to within a few thousandths.
    assert fit.off[3] == pytest.approx(8.0 - value, abs=0.01)
    assert fit.u_off[3] == pytest.approx(math.hypot(1.0, u), rel=0.01)


@pytest.mark.parametrize("strays", [(0,), (6,), (1, 5), (5, 6)])
def test_strays_do_not_pull(strays):
    rng = np.random.default_rng(len(strays))
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    y = 60 + 0.5 * x + rng.normal(0, 0.05, 7)
    for stray, by in zip(strays, (3.0, -2.0), strict=False):
        y[stray] += by
    fit = robust_line(x, y, u_y=0.05)
    assert fit.slope == pytest.approx(0.5, abs=0.06)
    assert np.flatnonzero(fit.weight == 0).tolist() == list(strays)


def test_false_alarms_come_as_often_as_they_should():
    # Sound sets of 7 clubs: |off| / u_off beyond 1.645 in about 10 of 100 clubs.
    rng = np.random.default_rng(11)
    x = np.arange(7.0)
    beyond = 0
    for _ in range(300):
        fit = robust_line(x, 60 + 0.5 * x + rng.normal(0, 0.25, 7), u_y=0.25)
        beyond += int(np.sum(np.abs(fit.off) > 1.645 * fit.u_off))
    assert 0.06 < beyond / 2100 < 0.17


def test_others_in_one_place_make_no_line():
    fit = robust_line([1.0, 1.0, 2.0], [3.0, 3.1, 4.0], u_y=0.1)
    assert math.isnan(fit.off[2])
    assert not math.isnan(fit.off[0])


def test_too_little_to_draw_a_line():
    with pytest.raises(NoAnswerError, match="3 points"):
        robust_line([1.0, 2.0], [1.0, 2.0], u_y=0.1)
    with pytest.raises(NoAnswerError, match="same x"):
        robust_line([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], u_y=0.1)


@pytest.mark.parametrize(
    ("x", "y", "u"),
    [
        ([1.0, 2.0, 3.0], [1.0, 2.0], 0.1),
        ([1.0, 2.0, math.nan], [1.0, 2.0, 3.0], 0.1),
        ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], 0.0),
    ],
)
def test_bad_points_are_refused(x, y, u):
    with pytest.raises(ValueError, match=r"line|u_y"):
        robust_line(x, y, u_y=u)
