"""The line under the arrivals, against a linear programme and against plain geometry."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

from logger.protocol.clock import ClockMap
from logger.protocol.envelope import Block, extend_hull, fit


def _toy():
    """1200 messages, two a second: true offset 10 ms and skew 40 ppm, exponential 4 ms delays."""
    rng = np.random.default_rng(0)
    board_s = np.arange(1200) * 0.5
    host_s = 0.010 + board_s * (1 + 40e-6) + rng.exponential(0.004, 1200)
    return board_s, host_s


def _linear_programme(board_s, host_s):
    """Moon, Skelly and Towsley, IEEE INFOCOM 1999, 227-234: least sum of delays, none negative."""
    n = len(board_s)
    found = linprog(
        [-n, -board_s.sum()],
        A_ub=np.c_[np.ones(n), board_s],
        b_ub=host_s - board_s,
        bounds=[(None, None)] * 2,
    )
    return found.x


class TestToy:
    def test_published_figures_of_the_toy(self):
        # Figures of this toy from our own reference table (computed there by scipy, not published).
        board_s, host_s = _toy()
        offset_s, skew = _linear_programme(board_s, host_s)
        assert offset_s * 1e3 == pytest.approx(10.0019, abs=5e-5)
        assert skew * 1e6 == pytest.approx(40.00039, abs=5e-6)

    @pytest.mark.parametrize("tick_hz", [1_000_000, 100_000_000])
    def test_same_line_as_the_linear_programme(self, tick_hz):
        board_s, host_s = _toy()
        offset_s, skew = _linear_programme(board_s, host_s)
        clock = ClockMap(tick_hz, window_s=1200)
        # Six minutes of a 100 MHz clock wrap eight times.
        for board, host in zip(board_s, host_s, strict=True):
            clock.feed(round(board * tick_hz) % 2**32, round(host * 1e9))
        estimate = clock.estimate()
        assert estimate.segment == 0
        assert estimate.points == 1200
        # A tick of 1 us is the resolution of what was fed.
        assert estimate.offset_ns == pytest.approx(offset_s * 1e9, abs=1500)
        assert estimate.drift_ppm == pytest.approx(skew * 1e6, abs=0.005)
        # And both are what the toy was made of, within what the map says of itself.
        assert abs(estimate.drift_ppm - 40) < 2 * estimate.drift_sd_ppm
        assert abs(clock.to_host_ns(0, 0).host_ns - 10_000_000) < estimate.uncertainty_ns

    def test_least_squares_would_be_wrong(self):
        # Known from the toy: ordinary least squares takes the mean delay for offset.
        board_s, host_s = _toy()
        skew, offset_s = np.polyfit(board_s, host_s - board_s, 1)
        assert offset_s * 1e3 == pytest.approx(14.41, abs=0.005)
        assert skew * 1e6 == pytest.approx(39.006, abs=0.0005)

    @pytest.mark.parametrize("seed", range(8))
    @pytest.mark.parametrize("name", ["exponential", "gamma of shape 2", "USB", "BLE"])
    def test_random_clouds(self, world, name, seed):
        rng = np.random.default_rng(seed)
        x = np.sort(rng.choice(10_000_000, 400, replace=False))
        skew = rng.uniform(-200e-6, 200e-6)
        delays = np.array([world.DELAYS[name](rng) for _ in x])
        y = np.round(5e6 + x * 1000 * (1 + skew) + delays).astype(np.int64)
        block = Block()
        for point in zip(x.tolist(), y.tolist(), strict=True):
            block.add_arrival(*point)
        # No prior and no assumed delay: nothing but the programme.
        line = fit([block], 1000.0, 1e6, 1e-9)
        offset_s, found = _linear_programme(x / 1e6, y / 1e9)
        assert line.slope == pytest.approx(1000 * (1 + found), rel=1e-11)
        assert line.at(0) == pytest.approx(offset_s * 1e9, abs=2)


points = st.lists(
    st.tuples(st.integers(0, 2**40), st.integers(0, 2**62)),
    min_size=3,
    max_size=120,
    unique_by=lambda p: p[0],
).map(sorted)


class TestHull:
    @given(points)
    @settings(deadline=None)
    def test_nothing_lies_below(self, cloud):
        hull = []
        for point in cloud:
            extend_hull(hull, point)
        _assert_below(hull, cloud)
        assert hull[0] == cloud[0]
        assert hull[-1] == cloud[-1]

    def test_same_corners_as_qhull(self):
        rng = np.random.default_rng(3)
        cloud = sorted({(int(x), int(y)) for x, y in rng.integers(0, 10_000, (500, 2))})
        cloud = [p for i, p in enumerate(cloud) if i == 0 or p[0] != cloud[i - 1][0]]
        hull = []
        for point in cloud:
            extend_hull(hull, point)
        corners = {cloud[i] for i in ConvexHull(np.array(cloud, float)).vertices}
        line = np.interp([p[0] for p in cloud], *np.array([hull[0], hull[-1]], float).T)
        below = {p for p, y in zip(cloud, line, strict=True) if p in corners and p[1] <= y}
        assert set(hull) == below

    def test_a_clock_that_bends_all_the_time_stays_small(self):
        # A parabola has every point as a corner.
        cloud = [(x, x * x // 7) for x in range(0, 200_000, 100)]
        hull = []
        for point in cloud:
            extend_hull(hull, point)
        assert len(hull) <= 48
        _assert_below(hull, cloud)
        # The arc is 1.43e9 high; 47 tangents, spread at their best, stay below it by 1.43e9 / 47^2.
        heights = np.interp([p[0] for p in cloud], *np.array(hull, float).T)
        cut_off = np.array([p[1] for p in cloud]) - heights
        assert np.max(cut_off) < 10 * 1.43e9 / 47**2


def _assert_below(hull, cloud):
    edges = list(pairwise(hull))
    i = 0
    for x, y in cloud:
        while x > edges[i][1][0]:
            i += 1
        (x1, y1), (x2, y2) = edges[i]
        assert Fraction(y2 - y1, x2 - x1) * (x - x1) + y1 <= y


class TestBlocks:
    @given(st.integers(0, 2**32 - 1), st.integers(1, 40))
    @settings(max_examples=30, deadline=None)
    def test_merged_blocks_fit_as_one(self, seed, cut):
        rng = np.random.default_rng(seed)
        x = np.cumsum(rng.integers(1, 10**6, 60))
        y = (x * 1000 + rng.exponential(4e6, 60)).astype(np.int64)
        whole, first, second = Block(), Block(), Block()
        for i, (a, b) in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
            for block in (whole, first if i < cut else second):
                block.add_arrival(a, b)
                block.add_question(a - 10, b - 20_000_000)
        first.merge(second)
        assert first == whole

    def test_gap_is_the_least_distance_to_the_questions(self):
        rng = np.random.default_rng(1)
        x = np.cumsum(rng.integers(1, 10**6, 300))
        block = Block()
        asked = []
        for a in x.tolist():
            block.add_arrival(a, a * 1000 + int(rng.exponential(4e6)))
            asked.append((a - 5, (a - 5) * 1000 - int(rng.exponential(3e6))))
            block.add_question(*asked[-1])
        line = fit([block], 1000.0, 200e-6, 30e6)
        distances = [line.host_ns + line.slope * (a - line.ticks) - b for a, b in asked]
        assert line.gap_ns == pytest.approx(min(distances), abs=1e-2)
