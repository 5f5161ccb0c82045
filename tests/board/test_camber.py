from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import least_squares

from analysis.answers import NoAnswerError
from analysis.board.camber import fit_camber
from analysis.conventions import toe_from_lie_error

ANGLES = np.linspace(-3.0, 3.0, 9)


def rocked(radius=280.0, zero=0.4, angles=ANGLES, scatter=0.0, step=0.0, seed=0):
    """What a sole, an inclinometer with this display step and a reader would write down."""
    rng = np.random.default_rng(seed)
    true = angles + rng.uniform(-step / 2, step / 2, angles.size)
    shown = np.round(true / step) * step if step else true
    toe = toe_from_lie_error(true - zero, radius) + rng.normal(0, scatter, angles.size)
    return shown, toe


def test_exact_series_gives_exact_radius_and_zero():
    camber = fit_camber(*rocked(), resolution_deg=0.0)
    assert camber.camber_mm == pytest.approx(280.0, rel=1e-9)
    assert camber.zero_deg == pytest.approx(0.4, abs=1e-9)
    assert camber.remarks == ()


def test_readings_of_a_leaning_shaft_do_as_well():
    # 62 degrees is no small angle: the tangent is taken about the zero, not about the reading.
    angle, toe = rocked(zero=0.0)
    camber = fit_camber(angle + 62.0, toe, resolution_deg=0.0)
    assert camber.camber_mm == pytest.approx(280.0, rel=1e-9)
    assert camber.zero_deg == pytest.approx(62.0, abs=1e-9)


def test_a_true_circle_is_told_within_its_definition():
    # Exact geometry of a circle rolled by e: the contact moves by the arc R e on the sole. The
    # straight line in the tangent differs by e^2 / 3, 0.09 % at 3 degrees.
    camber = fit_camber(ANGLES, -300.0 * np.radians(ANGLES), resolution_deg=0.0)
    assert camber.camber_mm == pytest.approx(300.0, rel=1.2e-3)


def test_trade_rule_of_a_quarter_inch_per_degree():
    # Common practice, no source: 1/4 inch of mark per degree, which is R = 364 mm.
    camber = fit_camber(ANGLES, -6.35 * ANGLES, resolution_deg=0.0)
    assert camber.camber_mm == pytest.approx(364.0, abs=1.0)


def test_same_optimum_as_free_angles_by_scipy():
    # Oracle: scipy.optimize.least_squares with every true angle free.
    shown, toe = rocked(scatter=0.3, step=0.1, seed=4)
    u_angle = 0.1 / math.sqrt(12)

    def distances(p):
        return np.concatenate(
            [(p[2:] - shown) / u_angle, (-p[0] * np.tan(np.radians(p[2:] - p[1])) - toe) / 0.3]
        )

    best = least_squares(distances, np.concatenate([[300.0, 0.0], shown]), x_scale="jac")
    covariance = np.linalg.inv(best.jac.T @ best.jac)[:2, :2]
    camber = fit_camber(shown, toe, resolution_deg=0.1, u_toe_mm=0.3)
    widening = max(1.0, math.sqrt(2 * best.cost / 7))
    assert camber.camber_mm == pytest.approx(best.x[0], rel=1e-3)
    assert camber.zero_deg == pytest.approx(best.x[1], abs=1e-3)
    assert camber.u_camber_mm == pytest.approx(widening * covariance[0, 0] ** 0.5, rel=0.01)
    assert camber.u_zero_deg == pytest.approx(widening * covariance[1, 1] ** 0.5, rel=0.01)
    assert camber.covariance_mm_deg == pytest.approx(
        widening**2 * covariance[0, 1],
        abs=0.02 * widening**2 * math.sqrt(covariance[0, 0] * covariance[1, 1]),
    )


@pytest.mark.parametrize("step", [0.0, 0.2])
def test_interval_holds_the_truth_as_often_as_it_says(step):
    inside = zeros = 0
    for seed in range(300):
        shown, toe = rocked(scatter=0.4, step=step, seed=seed)
        camber = fit_camber(shown, toe, resolution_deg=step)
        low, high = camber.interval_mm(0.90)
        inside += low <= 280.0 <= high
        zeros += abs(camber.zero_deg - 0.4) <= 1.895 * camber.u_zero_deg
    # 90 % of 300 is 270 with a standard deviation of 5.2.
    assert 254 <= inside <= 292
    assert 254 <= zeros <= 292


def test_scatter_that_comes_from_the_angle_is_not_counted_twice():
    # Contacts exact, angles off by 0.3 degrees: u must be the scatter of the radii, no more.
    radii, said = [], []
    for seed in range(250):
        angle = ANGLES + np.random.default_rng(seed).normal(0, 0.3, 9)
        found = fit_camber(angle, toe_from_lie_error(ANGLES, 280.0), u_angle_deg=0.3)
        radii.append(found.camber_mm)
        said.append(found.u_camber_mm)
    assert np.std(radii) == pytest.approx(np.sqrt(np.mean(np.square(said))), rel=0.15)
    assert np.mean(radii) == pytest.approx(280.0, rel=0.01)


def test_errors_in_the_angle_do_not_shrink_the_radius():
    # An ordinary line would come out low by about (0.5 / 2)^2 = 6 % here.
    radii, plain = [], []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        toe = toe_from_lie_error(ANGLES, 280.0) + rng.normal(0, 0.3, 9)
        angle = ANGLES + rng.normal(0, 0.5, 9)
        radii.append(fit_camber(angle, toe, u_angle_deg=0.5, u_toe_mm=0.3).camber_mm)
        plain.append(-np.polyfit(np.tan(np.radians(angle)), toe, 1)[0])
    assert np.median(radii) == pytest.approx(280.0, rel=0.02)
    assert np.median(plain) < 0.97 * 280.0


def test_what_is_common_to_the_series_widens_the_zero_only():
    shown, toe = rocked(scatter=0.3, seed=2)
    plain = fit_camber(shown, toe)
    wide = fit_camber(shown, toe, u_level_deg=0.1, u_middle_mm=1.0)
    assert wide.u_camber_mm == plain.u_camber_mm
    assert wide.u_zero_deg == pytest.approx(
        math.hypot(plain.u_zero_deg, 0.1, math.degrees(1.0 / plain.camber_mm)), rel=1e-9
    )


def test_lie_error_carries_the_radius_in():
    camber = fit_camber(*rocked(scatter=0.3, seed=2))
    error, u = camber.lie_error_deg(-10.0)
    assert error == pytest.approx(math.degrees(math.atan(10.0 / camber.camber_mm)))
    nudge = math.degrees(math.atan(10.0 / (camber.camber_mm + camber.u_camber_mm)))
    assert u == pytest.approx(error - nudge, rel=0.05)
    assert camber.lie_error_deg(0.0) == (0.0, 0.0)


def test_circle_test_raises_its_false_alarm_at_the_stated_rate():
    alarms = sum(
        fit_camber(*rocked(scatter=0.4, seed=seed), resolution_deg=0.0).shape.circular is False
        for seed in range(300)
    )
    # 5 % of 300 is 15 with a standard deviation of 3.8.
    assert 4 <= alarms <= 28


@pytest.mark.parametrize(
    ("bend", "words"),
    [
        (lambda x: 60.0 * (x / 0.05) ** 2 / 20, "flatter toward the toe"),
        (lambda x: -60.0 * (x / 0.05) ** 2 / 20, "flatter toward the heel"),
        (lambda x: -3.0 * (x / 0.05) ** 3, "rounder in the middle"),
        (lambda x: 3.0 * (x / 0.05) ** 3, "flatter in the middle"),
    ],
)
def test_a_sole_that_is_no_circle_is_named(bend, words):
    angle = np.linspace(-3, 3, 13)
    rng = np.random.default_rng(1)
    x = np.tan(np.radians(angle))
    camber = fit_camber(angle, -300.0 * x + bend(x) + rng.normal(0, 0.1, 13))
    assert camber.shape.circular is False
    assert words in camber.shape.words
    assert camber.shape.worst_deg > 0.1


def test_local_radius_agrees_with_the_words():
    # Second derivation: the radius is minus the local slope, here of two halves fitted alone.
    angle = np.linspace(-3, 3, 13)
    x = np.tan(np.radians(angle))
    toe = -300.0 * x + 3.0 * (x / 0.05) ** 2
    toe_half = -np.polyfit(x[:6], toe[:6], 1)[0]
    heel_half = -np.polyfit(x[7:], toe[7:], 1)[0]
    assert toe[0] > 0
    assert toe_half > heel_half
    assert "flatter toward the toe" in fit_camber(angle, toe).shape.words


def test_few_points_say_that_the_circle_was_not_tested():
    shape = fit_camber(*rocked(angles=np.array([-3.0, -1.0, 1.0, 3.0]), scatter=0.1)).shape
    assert (shape.p, shape.circular) == (None, None)
    assert "Too few" in shape.words


@pytest.mark.parametrize(
    ("angle", "toe", "reason"),
    [
        ([-2, 0, 2], [10, 0, -10], "4 angles or more"),
        ([0, 0, 2, 2], [0, 0, -10, -10], "3 different angles"),
        ([0, 0.02, 0.04, 0.06], [0, -1, -2, -3], "rock the head further"),
        ([-2, -1, 1, 2], [-10, -5, 5, 10], "moved toward the toe"),
        ([-2, -1, 1, 2], [3, -3, 3, -3], "did not move with the angle"),
        ([0, 20, 40, 60], [0, -5, -10, -15], "not one rocking series"),
    ],
)
def test_no_number_without_a_series(angle, toe, reason):
    with pytest.raises(NoAnswerError, match=reason):
        fit_camber(angle, toe)


def test_a_loose_series_gives_no_number():
    # Slope 3 to 4 standard uncertainties from 0: there is an answer, but a useless one.
    angle = np.linspace(-1, 1, 8)
    off = np.array([4.0, -4, -3, 4, 3, -4, -4, 4])
    off -= angle * (angle @ off) / (angle @ angle) + off.mean()
    u = np.sqrt(off @ off / 6) / np.sqrt(np.radians(angle) @ np.radians(angle))
    toe = toe_from_lie_error(angle, 280.0) + off * 280.0 / 3.4 / u
    with pytest.raises(NoAnswerError, match=r"too loosely: .* give or take 29 %"):
        fit_camber(angle, toe, resolution_deg=0.0)


def test_odd_series_are_remarked():
    one_sided = fit_camber(*rocked(angles=np.linspace(2, 6, 8), zero=0.0, scatter=0.1))
    assert any("never touched" in remark for remark in one_sided.remarks)
    inches = fit_camber(ANGLES, toe_from_lie_error(ANGLES, 11.0))
    assert any("mm" in remark for remark in inches.remarks)


def test_malformed_input_is_refused():
    with pytest.raises(ValueError, match="one contact for each"):
        fit_camber([1, 2, 3, 4], [1, 2, 3])
    with pytest.raises(ValueError, match="finite"):
        fit_camber([1, 2, 3, math.nan], [1, 2, 3, 4])
    with pytest.raises(ValueError, match="negative"):
        fit_camber(*rocked(), resolution_deg=-1.0)
    with pytest.raises(ValueError, match="u_toe_mm"):
        fit_camber(*rocked(), u_toe_mm=0.0)
