from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.board.audit import (
    agreement,
    audit_line,
    check_marks,
    level_from_marks,
)
from analysis.statistics.budget import coverage_factor


def meters(table):
    return {
        key: [float(v) for v in column] for key, column in table("bland_altman_1986.csv").items()
    }


def test_bland_altman_1986(table):
    # Bland and Altman, Lancet 1986; i: 307-310: first readings, limits at 2 SD, t(16) = 2.12.
    data = meters(table)
    found = agreement(data["large_1"], data["mini_1"], multiplier=2.0, level=0.95)
    assert found.n == 17
    assert round(found.bias, 1) == -2.1
    assert round(found.sd, 1) == 38.8
    # Printed -79.7 and 75.5 are worked from the rounded -2.1 and 38.8.
    assert found.limits == pytest.approx((-79.7, 75.5), abs=0.15)
    assert round(found.u_bias, 1) == 9.4
    assert found.bias_interval == pytest.approx((-22.0, 17.8), abs=0.1)
    assert round(found.u_limit, 1) == 16.3
    # From memory: the paper prints -114.3 to -45.1 and 40.9 to 110.1.
    assert found.lower_interval == pytest.approx((-114.3, -45.1), abs=0.15)
    assert found.upper_interval == pytest.approx((40.9, 110.1), abs=0.2)


def test_default_limits_hold_95_percent():
    # Limits at 1.96: Bland and Altman's later papers; here -78.10 and 73.86 worked out by hand
    # from the mean and SD of the 1986 data.
    rng = np.random.default_rng(2)
    first = rng.normal(0, 1, 20_000)
    found = agreement(first, np.zeros(20_000))
    inside = np.mean((first > found.limits[0]) & (first < found.limits[1]))
    assert inside == pytest.approx(0.95, abs=0.005)


def test_u_of_a_limit_is_its_scatter():
    rng = np.random.default_rng(3)
    limits, said = [], []
    for _ in range(1500):
        found = agreement(rng.normal(0, 2, 40), np.zeros(40))
        limits.append(found.limits[1])
        said.append(found.u_limit)
    # sqrt(3 s^2 / n) is the paper's rounding of (1 + 1.96^2 / 2) = 2.92.
    assert np.std(limits) == pytest.approx(np.mean(said), rel=0.07)


def test_audit_line_on_the_meters(table):
    # Deming line of the 1986 data, ratio 1 (worked with another library): 0.970881, 15.23156.
    data = meters(table)
    found = audit_line(data["mini_1"], data["large_1"])
    assert found.line.slope == pytest.approx(0.970881, abs=5e-7)
    assert found.line.intercept == pytest.approx(15.23156, abs=5e-5)
    assert found.scale_agrees
    assert "same scale" in found.words


def test_audit_line_with_known_errors_is_yorks(table):
    # York 1966 on Pearson 1901; its chi2 of 11.87 on 8 widens by sqrt(1.483).
    data = {k: np.array([float(v) for v in c]) for k, c in table("pearson_york.csv").items()}
    found = audit_line(
        data["y"],
        data["x"],
        u_board_mm=data["weight_y"] ** -0.5,
        u_mark_mm=data["weight_x"] ** -0.5,
    )
    assert found.line.slope == pytest.approx(-0.480533, abs=5e-7)
    assert found.line.u_slope == pytest.approx(0.0580 * math.sqrt(11.8664 / 8), abs=1e-4)
    assert not found.scale_agrees


def test_a_board_with_a_wrong_pitch_is_told():
    rng = np.random.default_rng(1)
    mark = np.linspace(-20, 20, 15)
    board = 1.08 * mark + 2.0 + rng.normal(0, 0.4, 15)
    found = audit_line(board, mark + rng.normal(0, 0.4, 15), u_board_mm=0.4, u_mark_mm=0.4)
    assert not found.scale_agrees
    assert "shows more" in found.words
    close = audit_line(board[7:10], mark[7:10] + rng.normal(0, 2, 3), u_board_mm=0.4, u_mark_mm=2.0)
    assert "too close together" in close.words


def test_level_is_board_minus_mark_with_the_reading_error_that_stays():
    rng = np.random.default_rng(9)
    mark = rng.normal(3, 6, 12)
    difference = 5.0 + rng.normal(0, 1.5, 12)
    level = level_from_marks(mark + difference, mark, sole_length_mm=78, u_mark_common_mm=0.5)
    assert level.offset_mm == pytest.approx(difference.mean())
    random = difference.std(ddof=1) / math.sqrt(12)
    assert level.u_mm == pytest.approx(math.hypot(random, 0.5))
    # GUM G.4, two terms, the second known: nu = u^4 / (u1^4 / 11).
    assert level.dof == pytest.approx(level.u_mm**4 / (random**4 / 11))
    assert level.odd_pairs == ()


def test_more_marks_do_not_help_below_the_reading_error():
    rng = np.random.default_rng(9)
    many = rng.normal(0, 1, 400)
    level = level_from_marks(many + rng.normal(0, 1, 400), many, sole_length_mm=78)
    assert level.u_mm > 0.5


def test_level_covers_the_truth():
    inside = 0
    for seed in range(400):
        rng = np.random.default_rng(seed)
        mark = rng.normal(0, 5, 6)
        level = level_from_marks(
            mark + 3.0 + rng.normal(0, 1.5, 6) + rng.normal(0, 0.5), mark, sole_length_mm=78
        )
        inside += abs(level.offset_mm - 3.0) <= coverage_factor(level.dof) * level.u_mm
    # 90 % of 400 is 360 with a standard deviation of 6.
    assert 342 <= inside <= 378


def test_a_mark_of_another_swing_is_named():
    mark = np.array([0.0, 3.0, -4.0, 6.0, 1.0, -2.0])
    board = mark + np.array([2.1, 1.8, 2.0, 2.2, 14.0, 1.9])
    assert level_from_marks(board, mark, sole_length_mm=78).odd_pairs == (4,)
    assert agreement(board, mark).odd_pairs == (4,)


def test_marks_off_the_sole_are_refused_with_the_likely_reason():
    with pytest.raises(NoAnswerError, match=r"mark 2 is -52\.0 mm .* sole ends at 39\.0"):
        check_marks([3.0, -52.0], sole_length_mm=78)
    with pytest.raises(NoAnswerError, match="from the heel"):
        check_marks([38.0, 44.0, 47.0], sole_length_mm=78)
    check_marks([39.0, -40.5], sole_length_mm=78)
    with pytest.raises(NoAnswerError, match="mark 1"):
        level_from_marks([0, 1, 2], [60.0, 1, 2], sole_length_mm=78)


def test_too_few_or_broken_pairs_give_no_number():
    for call in (agreement, audit_line):
        with pytest.raises(NoAnswerError, match="audit more swings"):
            call([1.0, 2.0], [1.0, 2.0])
        with pytest.raises(ValueError, match="same length"):
            call([1.0, 2.0, 3.0], [1.0, 2.0])
        with pytest.raises(ValueError, match="finite"):
            call([1.0, 2.0, math.nan], [1.0, 2.0, 3.0])
    with pytest.raises(NoAnswerError, match="spread"):
        audit_line([1.0, 2.0, 3.0], [4.0, 4.0, 4.0])
    with pytest.raises(ValueError, match="both"):
        audit_line([1.0, 2.0, 3.0], [1.0, 2.0, 3.1], u_mark_mm=0.5)
    with pytest.raises(ValueError, match="positive"):
        check_marks([1.0], sole_length_mm=0)
    with pytest.raises(ValueError, match="negative"):
        level_from_marks([1, 2, 3], [1, 2, 3], sole_length_mm=78, u_mark_common_mm=-1)
