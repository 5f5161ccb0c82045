"""Contact -> lie error: signs, JCGM 101 simulation of the same model, covariance of a set."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.conventions import face_azimuth_deg
from analysis.lie.club import Level, LevelSource, SoleArc, Stance, covariance_deg2, lie_error
from analysis.statistics.contact_mean import contact_mean

SWINGS = [9.0, 12.5, 8.0, 11.0, 10.5, 13.0, 7.5, 11.5]
SOLE = SoleArc(camber_mm=300.0, u_camber_mm=12.0, dof=9.0, measured=True)
MARKS = Level(offset_mm=1.0, u_mm=0.8, dof=5.0, source=LevelSource.MARKS)
EVEN = Stance(stance_mm=0.0, u_mm=1.0)


def one(swings=SWINGS, sole=SOLE, level=MARKS, stance=EVEN, hands_mm=830.0, lie_deg=62.5):
    return lie_error(
        contact_mean(swings), sole=sole, level=level, stance=stance, hands_mm=hands_mm,
        lie_deg=lie_deg,
    )  # fmt: skip


def test_toe_contact_is_too_flat_by_the_handbook_millimetres():
    # 5.236 mm toward the toe on R = 300 mm is one degree too flat (R pi / 180, small angle).
    swings = 5.236 + np.array([-2.0, 2.0, -1.0, 1.0, 0.0])
    lie = one(swings=swings, level=Level(u_mm=0.0, source=LevelSource.BOTH_ENDS))
    assert lie.lie_error_deg == pytest.approx(-1.0, abs=2e-3)
    assert lie.toe_mm == pytest.approx(5.236, abs=1e-3)


def test_level_and_stance_are_taken_off():
    plain = one(level=Level(0.0, 0.8, 5.0, LevelSource.MARKS))
    moved = one(level=Level(4.0, 0.8, 5.0, LevelSource.MARKS))
    # Read 4 mm too far toward the toe: the club is less flat than it read.
    assert moved.lie_error_deg - plain.lie_error_deg == pytest.approx(
        math.degrees(4 / 300), abs=0.003
    )
    low = one(stance=Stance(10.0, 1.0))
    # Feet 10 mm lower: about 1.3 to 1.5 degrees too upright with a middle iron (common practice).
    assert 1.3 < one().lie_error_deg - low.lie_error_deg < 1.5


def test_jcgm_101_simulation_of_the_same_model():
    # JCGM 101:2008, clause 7: propagate distributions through the exact model.
    lie = one()
    contact = contact_mean(SWINGS)
    rng = np.random.default_rng(101)
    draws = 400_000
    toe = rng.normal(contact.mean_mm, contact.u_mm, draws)
    level = rng.normal(1.0, 0.8, draws)
    radius = rng.normal(300.0, 12.0, draws)
    stance = rng.normal(0.0, 1.0, draws)
    model = np.degrees(np.arctan(-(toe - level) / radius)) - np.degrees(
        stance / (830.0 * np.cos(np.radians(62.5)))
    )
    assert lie.lie_error_deg == pytest.approx(np.mean(model), abs=0.005)
    assert lie.u_deg == pytest.approx(np.std(model), rel=0.01)
    # The interval is that of t at the effective degrees of freedom, so a little wider.
    low, high = np.quantile(model, [0.05, 0.95])
    assert 1.0 < lie.interval_deg.half_width / ((high - low) / 2) < 1.06


def test_components_add_up_in_squares():
    lie = one()
    squares = sum(u**2 for u in lie.components_deg.values())
    assert lie.u_deg == pytest.approx(math.sqrt(squares))
    assert set(lie.components_deg) == {"contact", "camber", "level", "stance"}
    assert lie.u_deg == pytest.approx(math.hypot(lie.u_own_deg, lie.u_shared_deg))
    # By hand: 0.8 mm over 300 mm, 10.5 mm of contact left.
    per_mm = math.degrees(300 / (300**2 + (lie.toe_mm - 1) ** 2))
    assert lie.components_deg["level"] == pytest.approx(0.8 * per_mm)
    assert lie.components_deg["camber"] == pytest.approx(
        12 * math.degrees((lie.toe_mm - 1) / (300**2 + (lie.toe_mm - 1) ** 2))
    )


def test_covariance_against_simulation():
    # Three clubs of one session share level and stance; contact and radius are their own.
    clubs = [
        one(swings=[s + shift for s in SWINGS], sole=SoleArc(radius, 10.0), hands_mm=hands)
        for shift, radius, hands in ((0.0, 300.0, 830.0), (-9.0, 250.0, 790.0), (4.0, 340.0, 880.0))
    ]
    rng = np.random.default_rng(8)
    draws = 300_000
    level, stance = rng.normal(1.0, 0.8, draws), rng.normal(0.0, 1.0, draws)
    made = []
    for club, hands in zip(clubs, (830.0, 790.0, 880.0), strict=True):
        fit = contact_mean(SWINGS)
        toe = rng.normal(club.toe_mm, fit.u_mm, draws)
        radius = rng.normal(club.camber_mm, 10.0, draws)
        made.append(
            np.degrees(np.arctan(-(toe - level) / radius))
            - np.degrees(stance / (hands * np.cos(np.radians(62.5))))
        )
    assert covariance_deg2(clubs) == pytest.approx(np.cov(made), rel=0.02, abs=2e-4)
    assert covariance_deg2([]).shape == (0, 0)


def test_gaps_between_clubs_hold_when_the_level_does_not():
    address = Level()
    a, b = one(level=address), one(swings=[s - 6 for s in SWINGS], level=address)
    cov = covariance_deg2([a, b])
    gap = math.sqrt(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1])
    assert a.u_deg > 1.0
    assert gap < 0.35


def test_notes_say_what_the_number_is_good_for():
    assert "gaps between clubs hold" in one(level=Level()).note
    assert "radius was not measured" in one(sole=SoleArc()).note
    assert one().note == "level known from marks, to 0.8 mm"
    assert not LevelSource.ADDRESS.is_resolved


def test_an_unmeasured_sole_is_a_wide_one():
    # 200 to 365 mm, evenly likely: u = 165 / sqrt(12) (JCGM 100:2008, 4.3.7).
    known, guessed = one(), one(sole=SoleArc())
    assert SoleArc().u_camber_mm == pytest.approx(47.6, abs=0.05)
    assert guessed.components_deg["camber"] > 3 * known.components_deg["camber"]


def test_too_few_swings_give_no_number():
    for swings in ([], [4.0]):
        with pytest.raises(NoAnswerError, match="two swings"):
            one(swings=swings)
    with pytest.raises(ValueError, match="hands"):
        one(hands_mm=0.0)


# Degrees the face of loft L points off line when turned by 1, 2, 3, 4 degrees about the target
# line: atan(tan L sin d), exact for a square leading edge.
FACE = {
    20: (0.3639, 0.7278, 1.0913, 1.4544), 24: (0.4452, 0.8902, 1.3348, 1.7789),
    28: (0.5317, 1.0631, 1.5940, 2.1241), 32: (0.6248, 1.2493, 1.8731, 2.4959),
    36: (0.7265, 1.4525, 2.1776, 2.9013), 40: (0.8390, 1.6774, 2.5145, 3.3499),
    46: (1.0354, 2.0697, 3.1021, 4.1316), 56: (1.4822, 2.9619, 4.4368, 5.9044),
    60: (1.7314, 3.4592, 5.1796, 6.8892),
}  # fmt: skip


@pytest.mark.parametrize(("loft", "azimuths"), FACE.items())
def test_face_table_by_turning_the_normal(loft, azimuths):
    assert face_azimuth_deg(loft, [1, 2, 3, 4]) == pytest.approx(azimuths, abs=6e-5)
    # Second derivation: the face's normal turned by a rotation matrix about the target line.
    for delta, azimuth in zip((1, 2, 3, 4), azimuths, strict=True):
        d = math.radians(delta)
        turn = np.array([[1, 0, 0], [0, math.cos(d), -math.sin(d)], [0, math.sin(d), math.cos(d)]])
        x, y, _ = turn @ [math.cos(math.radians(loft)), 0, math.sin(math.radians(loft))]
        assert math.degrees(math.atan2(-y, x)) == pytest.approx(azimuth, abs=6e-5)
