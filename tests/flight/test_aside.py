from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.conventions import Hand
from analysis.flight.aside import (
    Delivery,
    face_direction_deg,
    head_mass_kg,
    head_speed_m_s,
    impact,
    metres_aside,
)
from analysis.flight.trajectory import Launch, fly

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
    right = metres_aside([loft], [length], hand=Hand.RIGHT)
    left = metres_aside([loft], [length], hand=Hand.LEFT)
    assert right[0] == -left[0] < 0


def shot(loft, length, lie_error):
    """Carry, side and direction of the start of a right-hander's ball, flown at the lie error."""
    blow = impact(
        loft * Delivery().loft_share,
        Delivery().attack_deg,
        head_speed_m_s(length),
        head_kg=head_mass_kg(length),
        restitution=Delivery().restitution,
    )
    face_loft = loft * (1 + Delivery().loft_share) / 2
    start = float(blow.start_share) * float(face_direction_deg(face_loft, lie_error, Hand.RIGHT))
    landing = fly(Launch(blow.ball_speed_m_s, blow.launch_deg, blow.spin_rpm, start, -lie_error))
    return landing.carry_m[0], landing.side_m[0], start


@pytest.mark.parametrize(("loft", "length"), CLUBS)
def test_curve_against_the_rule_of_thumb(loft, length):
    # Common practice, no source: a shot curves by about 0.7 % of its carry for each degree that its
    # spin axis leans; the model's own doubt is about a fifth.
    carry, side, start = shot(loft, length, 1.0)
    curve = side - carry * math.tan(math.radians(start))
    assert curve < 0
    assert start < 0
    assert abs(curve) / carry == pytest.approx(0.009, abs=0.003)


@pytest.mark.parametrize(("loft", "length"), CLUBS)
@pytest.mark.parametrize("lie_error", [-6.0, -2.5, 0.25, 6.0])
def test_metres_are_in_proportion(loft, length, lie_error):
    (per_degree,) = metres_aside([loft], [length], hand=Hand.RIGHT)
    assert per_degree * lie_error == pytest.approx(shot(loft, length, lie_error)[1], rel=0.015)


def test_many_clubs_are_as_each_alone():
    lofts, lengths = zip(*CLUBS, strict=True)
    together = metres_aside(lofts, lengths, hand=Hand.LEFT)
    alone = [metres_aside([loft], [length], hand=Hand.LEFT)[0] for loft, length in CLUBS]
    # The integrator chooses its steps for all flights together.
    assert together == pytest.approx(alone, rel=1e-5)
    assert metres_aside([], [], hand=Hand.LEFT).size == 0


def test_no_lie_error_no_side():
    assert shot(32.0, 940.0, 0.0)[1] == 0.0


@pytest.mark.parametrize(
    ("loft", "length", "says"),
    [(5.0, 940.0, "loft"), (math.nan, 940.0, "loft"), (32.0, 94.0, "length")],
)
def test_bad_clubs_are_refused(loft, length, says):
    with pytest.raises(ValueError, match=says):
        metres_aside([loft], [length], hand=Hand.RIGHT)
