"""Control charts against published worked examples."""

import numpy as np
import pytest

from analysis.history.charts import cusum_chart, ewma_chart, past_mean

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (doi 10.18434/M32189): data and answers
# from memory; they reproduce each other.
NIST_EWMA_DATA = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
NIST_EWMA = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip

# The same, 6.3.2.3: target 325, k = 0.3175, h = 4.1959; first signal at sample 14. From memory.
NIST_CUSUM_DATA = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
NIST_CUSUM_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44,
                   16.00, 19.03]  # fmt: skip
NIST_CUSUM_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31]

# Montgomery & Runger, Applied Statistics and Probability for Engineers, example 16-6, table 16-8:
# target 99, K = 1, H = 10.
TEXTBOOK_DATA = [
    102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1,
    101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0,
]  # fmt: skip
TEXTBOOK_HIGH = [2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
TEXTBOOK_LOW = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]


def test_ewma_of_the_handbook():
    chart = ewma_chart(NIST_EWMA_DATA, np.full(20, 2.0539), target=50.0)
    assert chart.mean == pytest.approx(NIST_EWMA, abs=0.0051)
    # The handbook's limits are the steady state; after twenty values ours are there.
    assert chart.target + chart.half_width[-1] == pytest.approx(52.5884, abs=2e-4)
    assert chart.target - chart.half_width[-1] == pytest.approx(47.4115, abs=2e-4)
    assert not chart.out.any()


def test_cusum_of_the_handbook():
    chart = cusum_chart(NIST_CUSUM_DATA, target=325, slack=0.3175, limit=4.1959)
    assert chart.high == pytest.approx(NIST_CUSUM_HIGH, abs=0.0051)
    assert chart.low[: len(NIST_CUSUM_LOW)] == pytest.approx(NIST_CUSUM_LOW, abs=0.0051)
    assert int(np.flatnonzero(chart.out)[0]) + 1 == 14


def test_cusum_of_the_textbook():
    chart = cusum_chart(TEXTBOOK_DATA, target=99, slack=1, limit=10, u=np.full(20, 0.7))
    assert chart.high == pytest.approx(TEXTBOOK_HIGH, abs=1e-9)
    assert chart.low == pytest.approx(TEXTBOOK_LOW, abs=1e-9)
    assert not chart.out.any()


def test_limits_hold_for_sessions_of_different_precision():
    """Exact standard deviation of the average, its own past as target: against 8000 draws."""
    u = np.array([0.2, 0.9, 0.3, 0.2, 1.5, 0.25, 0.3])
    draws = np.random.default_rng(3).normal(0, u, (8000, u.size))
    width = ewma_chart(draws[0], u, past=3, width=1.0).half_width
    off = np.array([(c.mean - c.target) for c in (ewma_chart(d, u, past=3) for d in draws)])
    assert off.std(axis=0) == pytest.approx(width, rel=0.03)


def test_a_session_of_few_swings_moves_the_average_little():
    u = np.array([0.2, 0.2, 0.2, 2.0])
    after = ewma_chart([0, 0, 0, 3.0], u, target=0).mean[-1]
    assert 0 < after < 0.02 < ewma_chart([0, 0, 0, 3.0], np.full(4, 0.2), target=0).mean[-1]


def test_past_mean_is_the_weighted_mean():
    # Twice as sure counts four times: (4 * 1 + 2) / 5, u = 1 / sqrt(5).
    assert past_mean([1, 2, 9], [0.5, 1, 1], 2) == pytest.approx((1.2, 0.2**0.5))


@pytest.mark.parametrize(
    ("values", "u"), [([], []), ([1.0], [0.0]), ([1.0, np.nan], [1, 1]), ([1.0], [1.0, 1.0])]
)
def test_what_is_no_series_is_refused(values, u):
    with pytest.raises(ValueError, match=r"chart needs|must be numbers"):
        ewma_chart(values, u)
