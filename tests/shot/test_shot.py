from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.aero import Air
from analysis.answers import NoAnswerError
from analysis.conventions import Hand
from analysis.flight import Launch, fly
from analysis.launch import Delivery, impact
from analysis.shot import (
    MOST_LIE_ERROR_DEG,
    face_direction_deg,
    metres_per_degree,
)
from analysis.wanted_side import side_of_contact_m, wanted_contact

# Exact geometry: normal (cos L, 0, sin L) turned about the target line, computed as rotation
# matrices apart from this program; degrees of face for 1 to 4 degrees too upright.
FACE_TABLE = {
    20: (0.3639, 0.7278, 1.0913, 1.4544),
    24: (0.4452, 0.8902, 1.3348, 1.7789),
    28: (0.5317, 1.0631, 1.5940, 2.1241),
    32: (0.6248, 1.2493, 1.8731, 2.4959),
    36: (0.7265, 1.4525, 2.1776, 2.9013),
    40: (0.8390, 1.6774, 2.5145, 3.3499),
    46: (1.0354, 2.0697, 3.1021, 4.1316),
    56: (1.4822, 2.9619, 4.4368, 5.9044),
    60: (1.7314, 3.4592, 5.1796, 6.8892),
}
CLUBS = ((20.0, 990.6), (24.0, 977.9), (32.0, 939.8), (46.0, 901.7), (56.0, 889.0))


@pytest.mark.parametrize("loft", FACE_TABLE)
def test_face_direction_table(loft):
    # Too upright points a right-hander's face left, a left-hander's right.
    left = face_direction_deg(loft, [1, 2, 3, 4], Hand.RIGHT)
    assert left == pytest.approx([-v for v in FACE_TABLE[loft]], abs=6e-5)
    assert face_direction_deg(loft, [1, 2, 3, 4], Hand.LEFT).tolist() == (-left).tolist()


def test_face_direction_against_a_rotation():
    loft, e = math.radians(37.0), math.radians(-2.3)
    normal = np.array([math.cos(loft), 0.0, math.sin(loft)])
    turn = np.array([[1, 0, 0], [0, math.cos(e), -math.sin(e)], [0, math.sin(e), math.cos(e)]])
    x, left, _ = turn @ normal
    assert face_direction_deg(37.0, -2.3, Hand.RIGHT) == pytest.approx(
        math.degrees(math.atan2(left, x)), rel=1e-12
    )


@pytest.mark.parametrize(("loft", "length"), CLUBS)
def test_hands_are_mirrors(loft, length):
    right = metres_per_degree(loft, hand=Hand.RIGHT, length_mm=length)
    left = metres_per_degree(loft, hand=Hand.LEFT, length_mm=length)
    assert right.value_m == -left.value_m < 0
    assert right.u_m == left.u_m > 0
    assert right.carry_m == left.carry_m
    assert right.face_deg == -left.face_deg < 0


def test_no_lie_error_no_side():
    m = metres_per_degree(32.0, hand=Hand.RIGHT, length_mm=940.0)
    assert m.side_m(0.0) == (0.0, 0.0)
    # What the flight itself makes of a club at the right lie, not only the proportion.
    assert fly(Launch(m.ball_speed_m_s, m.launch_deg, m.spin_rpm)).side_m[0] == 0.0
    wish = wanted_contact(0.0, m, camber_mm=300.0)
    assert (wish.lie_error_deg, wish.toe_mm, wish.u_toe_mm) == (0.0, 0.0, 0.0)
    assert "middle of the sole" in wish.words


@pytest.mark.parametrize(("loft", "length"), CLUBS)
def test_parts_make_the_whole(loft, length):
    m = metres_per_degree(loft, hand=Hand.RIGHT, length_mm=length)
    assert m.start_m + m.curve_m == pytest.approx(m.value_m, rel=1e-12)
    assert m.start_m < 0
    assert m.curve_m < 0
    assert math.hypot(*m.parts_m.values()) == pytest.approx(m.u_m, rel=1e-12)
    assert 0.1 < m.u_m / abs(m.value_m) < 0.5


@pytest.mark.parametrize(("loft", "length"), CLUBS)
def test_curve_against_the_rule_of_thumb(loft, length):
    # Common practice, no source: a shot curves by about 0.7 % of its carry for each degree that its
    # spin axis leans; the model's own doubt is about a fifth.
    m = metres_per_degree(loft, hand=Hand.RIGHT, length_mm=length)
    assert abs(m.curve_m) / m.carry_m == pytest.approx(0.009, abs=0.003)


@pytest.mark.parametrize(("loft", "length"), CLUBS)
def test_uncertainty_against_drawing_the_inputs(loft, length):
    # Second derivation of u: JCGM 101:2008, propagation of distributions. Every input is drawn from
    # its own and flown; nothing of the linear propagation is used.
    rng = np.random.default_rng(int(loft))
    n = 4000
    d = Delivery()
    m = metres_per_degree(loft, hand=Hand.RIGHT, length_mm=length, speed_m_s=36.0)
    delivered = loft * rng.normal(d.loft_share, d.u_loft_share, n)
    blow = impact(
        delivered,
        rng.normal(d.attack_deg, d.u_attack_deg, n),
        rng.normal(36.0, 1.0, n),
        head_kg=0.270 - 0.007 / 12.7 * (length - 940.0),
        restitution=rng.normal(d.restitution, d.u_restitution, n),
    )
    # Evenly between the loft delivered and the club's own.
    face_loft = np.radians((loft + delivered) / 2 + rng.uniform(-0.5, 0.5, n) * loft * 0.16)
    face = -np.degrees(np.arctan(np.tan(face_loft) * math.sin(math.radians(1.0))))
    below = max(0.75 - float(m.start_share), 0.0)
    share = blow.start_share + rng.normal(0, math.hypot(0.1 / math.sqrt(12), below / 3**0.5), n)
    landing = fly(
        Launch(
            blow.ball_speed_m_s,
            blow.launch_deg,
            blow.spin_rpm * rng.normal(1, d.u_spin_factor, n),
            share * face,
            rng.uniform(-1.15, -0.85, n),
        ),
        drag_factor=rng.normal(1, 0.10, n),
        lift_factor=rng.normal(1, 0.12, n),
    )
    assert np.mean(landing.side_m) == pytest.approx(m.value_m, rel=0.02)
    assert np.std(landing.side_m) == pytest.approx(m.u_m, rel=0.08)


@pytest.mark.parametrize(("loft", "length"), CLUBS)
@pytest.mark.parametrize("lie_error", [-MOST_LIE_ERROR_DEG, -2.5, 0.25, MOST_LIE_ERROR_DEG])
def test_metres_are_in_proportion(loft, length, lie_error):
    # Flown at the lie error itself.
    m = metres_per_degree(loft, hand=Hand.RIGHT, length_mm=length)
    face_loft = loft * (1 + Delivery().loft_share) / 2
    start = m.start_share * face_direction_deg(face_loft, lie_error, Hand.RIGHT)
    flown = fly(Launch(m.ball_speed_m_s, m.launch_deg, m.spin_rpm, start, -lie_error))
    assert m.side_m(lie_error)[0] == pytest.approx(flown.side_m[0], rel=0.015)


def test_knowing_the_speed_takes_doubt_away():
    guessed = metres_per_degree(24.0, hand=Hand.RIGHT, length_mm=977.9)
    speed = guessed.head_speed_m_s
    known = metres_per_degree(24.0, hand=Hand.RIGHT, length_mm=977.9, speed_m_s=speed)
    exact = metres_per_degree(
        24.0, hand=Hand.RIGHT, length_mm=977.9, speed_m_s=speed, u_speed_m_s=0.0
    )
    assert guessed.value_m == pytest.approx(known.value_m, rel=1e-7)
    assert guessed.value_m == pytest.approx(exact.value_m, rel=1e-7)
    assert guessed.u_m > known.u_m > exact.u_m
    assert exact.parts_m["head speed"] == 0.0
    assert "guessed" in guessed.words
    assert "measured" in known.words


def test_no_shaft_lean_turns_the_face_with_the_clubs_own_loft():
    m = metres_per_degree(
        46.0, hand=Hand.LEFT, speed_m_s=33.0, delivery=Delivery(loft_share=1.0, u_loft_share=0.0)
    )
    assert m.face_deg == pytest.approx(1.0354, abs=6e-5)
    assert m.parts_m["face loft"] == 0.0


def test_more_speed_and_thinner_air():
    slow = metres_per_degree(32.0, hand=Hand.LEFT, speed_m_s=30.0)
    fast = metres_per_degree(32.0, hand=Hand.LEFT, speed_m_s=40.0)
    high = metres_per_degree(32.0, hand=Hand.LEFT, speed_m_s=40.0, air=Air(0.9, 2e-5))
    assert slow.value_m < fast.value_m
    # Thin air bends a ball less.
    assert high.curve_m < fast.curve_m


@pytest.mark.parametrize("hand", list(Hand))
def test_a_wish_in_metres_goes_there_and_back(hand):
    m = metres_per_degree(24.0, hand=hand, length_mm=977.9)
    wish = wanted_contact(4.0, m, camber_mm=300.0, u_camber_mm=15.0)
    assert m.side_m(wish.lie_error_deg)[0] == pytest.approx(4.0, rel=1e-12)
    assert side_of_contact_m(wish.toe_mm, m, camber_mm=300.0)[0] == pytest.approx(4.0, rel=1e-9)
    # Right for a right-hander is flat, toward the toe; for a left-hander upright, toward the heel.
    assert wish.toe_mm * hand.toe_sign > 0
    assert wish.lie_error_deg * hand.toe_sign < 0
    assert wish.u_lie_error_deg / abs(wish.lie_error_deg) == pytest.approx(m.u_m / abs(m.value_m))
    # R tan(e), e and R uncertain: numerically.
    e, ue = math.radians(wish.lie_error_deg), math.radians(wish.u_lie_error_deg)
    by_lie = 300 * (math.tan(e + ue / 2) - math.tan(e - ue / 2))
    assert wish.u_toe_mm == pytest.approx(math.hypot(by_lie, 15 * math.tan(e)), rel=1e-3)
    assert ("toe" if hand is Hand.RIGHT else "heel") in wish.words
    assert "right" in wish.words


def test_side_carries_the_doubt_of_the_lie_error():
    m = metres_per_degree(32.0, hand=Hand.RIGHT, length_mm=940.0)
    side, u = m.side_m(1.5, 0.4)
    assert side == pytest.approx(1.5 * m.value_m)
    assert u == pytest.approx(math.hypot(1.5 * m.u_m, 0.4 * m.value_m))


def test_impossible_wishes_are_refused():
    m = metres_per_degree(60.0, hand=Hand.RIGHT, length_mm=889.0)
    with pytest.raises(NoAnswerError, match="m at most"):
        wanted_contact(20.0, m, camber_mm=300.0)
    with pytest.raises(ValueError, match="camber"):
        wanted_contact(1.0, m, camber_mm=0.0)
    with pytest.raises(ValueError, match="finite"):
        wanted_contact(math.nan, m, camber_mm=300.0)
    with pytest.raises(ValueError, match="lie error"):
        m.side_m(7.0)


@pytest.mark.parametrize(
    ("loft", "more", "says"),
    [
        (32.0, {}, "length"),
        (5.0, {"length_mm": 940.0}, "loft"),
        (math.nan, {"length_mm": 940.0}, "loft"),
        (32.0, {"length_mm": 94.0}, "length"),
        (32.0, {"speed_m_s": 5.0}, "speed"),
        (32.0, {"speed_m_s": 35.0, "u_speed_m_s": -1.0}, "speed"),
    ],
)
def test_bad_clubs_are_refused(loft, more, says):
    with pytest.raises(ValueError, match=says):
        metres_per_degree(loft, hand=Hand.RIGHT, **more)
