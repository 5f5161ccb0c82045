"""Whole strike records -> contacts, against Johnson's foundation and hand-made faults."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.strikes.contacts import ContactFlag
from analysis.strikes.scans import (
    SampleOrder,
    Strip,
    contact_from_scans,
    rest_levels,
    rest_levels_of_many,
)


@pytest.mark.parametrize("lie_error_deg", [-2.0, -0.5, 0.0, 1.0])
@pytest.mark.parametrize("order", list(SampleOrder))
def test_place_is_where_a_tilted_arc_presses_hardest(pressed, press, board, lie_error_deg, order):
    # Johnson 4.3: pressure even about the lowest point; a circle tilted by e touches R sin e away.
    b = board(order=order, scan_us=0.0 if order is SampleOrder.AT_ONCE else 40.0)
    p = press(lie_error_deg=lie_error_deg, middle_mm=7.0, depth_mm=1.2)
    times, counts = pressed(p, b)
    contact = contact_from_scans(times, counts, b.strip(), key=5)
    truth = 7.0 - 300.0 * math.sin(math.radians(lie_error_deg))
    assert contact.board_mm == pytest.approx(truth, abs=0.35)
    assert contact.flags is ContactFlag.NONE
    assert contact.patches == 1
    assert (contact.first_key, contact.last_key) == (5, 5)
    assert contact.trail_mm is None
    assert contact.speed_m_s is None


def test_skew_matters_and_is_taken_out(pressed, press, board):
    # A slow cell-by-cell scan sees the rise and fall of the load as a slope along the strip.
    b = board(order=SampleOrder.ROWS_TOGETHER, scan_us=240.0, period_us=250.0)
    blind = Strip(pitch_mm=4.0, full_scale=4095)
    known, ignored = [], []
    for phase in np.arange(10) / 10:
        times, counts = pressed(press(depth_mm=1.5), b, phase=phase)
        known.append(contact_from_scans(times, counts, b.strip(), key=0).board_mm)
        ignored.append(contact_from_scans(times, counts, blind, key=0).board_mm)
    # Only two or three scans see such a press: straight lines take out half of the error.
    assert np.std(ignored) > 0.3
    assert np.std(known) < 0.6 * np.std(ignored)
    assert np.max(np.abs(known)) < 0.5


def test_johnson_worked_patch():
    # Johnson 4.3 worked: K 2 MPa, h 4 mm, R 250 mm, P 3000 N/m -> a = 13.1037 mm,
    # depth 0.343414 mm. A tenth of a parabola's height is 2 a sqrt(0.9) wide.
    x = (np.arange(81) - 40) * 1.0
    shape = np.maximum(0.343414 - x**2 / 500.0, 0.0)
    pulse = np.array([0, 0, 0, 0, 0, 0.2, 0.7, 1.0, 0.7, 0.2, 0, 0])
    counts = 50 + 1e4 * pulse[:, None, None] * shape
    strip = Strip(pitch_mm=1.0, full_scale=65535)
    contact = contact_from_scans(np.arange(12) * 100.0, counts, strip, key=0)
    assert contact.board_mm == pytest.approx(0.0, abs=1e-9)
    assert contact.width_mm == pytest.approx(2 * 13.1037 * math.sqrt(0.9), abs=0.1)
    # Load per length 2 a^3 / 3 R, summed over 1 mm cells.
    assert contact.load == pytest.approx(1e4 * 2 * 13.1037**3 / (3 * 250), rel=1e-3)
    assert contact.t_us == pytest.approx(700.0)


@pytest.mark.parametrize("fault", ["dead", "stuck", "saturated"])
def test_one_bad_cell_hardly_moves_the_place(pressed, press, board, fault):
    p = press(middle_mm=5.0, depth_mm=1.5)
    b = board()
    times, counts = pressed(p, b)
    sound = contact_from_scans(times, counts, b.strip(), key=0).board_mm
    cell = 18  # inside the patch, off its middle
    broken = counts.copy()
    strip = b.strip()
    if fault == "dead":
        broken[:, 0, cell] = 37
    elif fault == "stuck":
        broken[:, 0, cell] = 4095
    else:
        top = np.sort(counts.max(axis=(0, 1)))[-1]
        strip = Strip(pitch_mm=4.0, full_scale=float(round(0.85 * top)))
        broken = np.minimum(broken, strip.full_scale)
    contact = contact_from_scans(times, broken, strip, key=0)
    assert contact.board_mm == pytest.approx(sound, abs=0.25)
    assert ContactFlag.CELL_FILLED in contact.flags
    assert (ContactFlag.SATURATED in contact.flags) == (fault == "saturated")
    assert contact.patches == 1


def test_dead_cell_would_move_the_place_if_it_were_left(pressed, press, board):
    # Guards the test above: the fault is big enough to be seen.
    _, counts = pressed(press(middle_mm=5.0, depth_mm=1.5), board())
    peak = counts.sum(axis=(1, 2)).argmax()
    profile = counts[peak, 0] - np.median(counts[:6, 0], axis=0)
    middles = (np.arange(32) - 15.5) * 4.0
    hole = profile.copy()
    hole[18] = 0
    moved = np.average(middles, weights=np.clip(hole, 0, None)) - np.average(
        middles, weights=np.clip(profile, 0, None)
    )
    assert abs(moved) > 0.5


def test_two_patches_are_counted_and_the_heavier_is_read(pressed, press, board):
    b = board(cells=48)
    times, one = pressed(press(middle_mm=-40.0, depth_mm=1.0), b, seed=1)
    _, two = pressed(press(middle_mm=50.0, depth_mm=0.5), b, seed=1)
    both = one + two - np.median(two[:6], axis=0)
    contact = contact_from_scans(times, both, b.strip(), key=0)
    assert contact.patches == 2
    assert contact.board_mm == pytest.approx(-40.0, abs=0.5)


def test_patch_over_the_end_of_the_strip_is_flagged(pressed, press, board):
    b = board()
    times, counts = pressed(press(middle_mm=62.0), b)
    assert ContactFlag.EDGE in contact_from_scans(times, counts, b.strip(), key=0).flags


def test_late_start_uses_lowest_values_and_says_so(pressed, press, board):
    b = board(noise=1.0)
    times, counts = pressed(press(middle_mm=-6.0, depth_mm=1.5), b)
    total = counts.sum(axis=(1, 2))
    late = int(np.argmax(total > total[0] + 0.3 * np.ptp(total)))
    for told in (True, False):
        contact = contact_from_scans(times[late:], counts[late:], b.strip(), key=0, late_start=told)
        assert ContactFlag.REST_GUESSED in contact.flags
        assert contact.board_mm == pytest.approx(-6.0, abs=0.5)


def test_rest_and_noise_are_those_of_the_scans_before():
    rng = np.random.default_rng(4)
    rest = rng.uniform(10, 90, size=(2, 16))
    raw = rest + rng.normal(0, 3.0, size=(60, 2, 16))
    raw[40:50] += 500.0
    found, noise, guessed = rest_levels(raw)
    assert not guessed
    assert np.max(np.abs(found - rest)) < 3.0
    assert noise == pytest.approx(3.0, rel=0.15)


def test_nothing_on_the_strip_has_no_place():
    rng = np.random.default_rng(5)
    raw = 40 + np.round(rng.normal(0, 1.0, size=(30, 1, 32)))
    contact = contact_from_scans(np.arange(30.0), raw, Strip(pitch_mm=4.0, full_scale=1023), key=0)
    still = contact_from_scans(
        np.arange(30.0), np.full((30, 1, 32), 40.0), Strip(pitch_mm=4.0, full_scale=1023), key=0
    )
    assert math.isnan(still.board_mm)
    assert still.load == 0
    # Noise alone may make a tiny patch, never a heavy one.
    assert math.isnan(contact.board_mm) or (contact.load is not None and contact.load < 32)


@pytest.mark.parametrize("speed_m_s", [20.0, 35.0])
@pytest.mark.parametrize("order", [SampleOrder.AT_ONCE, SampleOrder.ROW_AFTER_ROW])
def test_two_rows_give_the_speed(pressed, press, board, speed_m_s, order):
    b = board(
        rows=2, order=order, scan_us=0 if order is SampleOrder.AT_ONCE else 30.0, period_us=40
    )
    times, counts = pressed(press(speed_m_s=speed_m_s), b)
    contact = contact_from_scans(times, counts, b.strip(), key=0)
    assert contact.speed_m_s == pytest.approx(speed_m_s, rel=0.03)


@pytest.mark.parametrize("bounce_error_deg", [-5.0, 0.0, 5.0])
def test_two_rows_give_front_to_back_when_both_edges_print(pressed, press, board, bounce_error_deg):
    # The arc's lowest point lies r sin(e) from mid-sole, toward the leading edge for e > 0.
    b = board(rows=2, period_us=20.0)
    p = press(bounce_error_deg=bounce_error_deg, depth_mm=4.0, roll_mm=50.0)
    times, counts = pressed(p, b)
    contact = contact_from_scans(times, counts, b.strip(), key=0, sole_width_mm=22.0)
    truth = -50.0 * math.sin(math.radians(bounce_error_deg))
    assert contact.trail_mm == pytest.approx(truth, abs=0.8)


def test_front_to_back_is_not_claimed_from_a_narrow_print(pressed, press, board):
    b = board(rows=2, period_us=20.0)
    p = press(bounce_error_deg=-6.0, depth_mm=0.3, roll_mm=40.0)
    times, counts = pressed(p, b)
    contact = contact_from_scans(times, counts, b.strip(), key=0, sole_width_mm=22.0)
    assert contact.speed_m_s == pytest.approx(35.0, rel=0.05)
    assert contact.trail_mm is None


@pytest.mark.parametrize(
    ("times", "shape"), [([0.0, 1.0], (3, 1, 4)), ([0.0, 0.0], (2, 1, 4)), ([0.0, 1.0], (2, 4))]
)
def test_misuse_is_refused(times, shape):
    with pytest.raises(ValueError, match="scan"):
        contact_from_scans(times, np.zeros(shape), Strip(pitch_mm=4.0, full_scale=255), key=0)


def test_strip_refuses_nonsense():
    with pytest.raises(ValueError, match="positive"):
        Strip(pitch_mm=0.0, full_scale=255)
    with pytest.raises(ValueError, match="negative"):
        Strip(pitch_mm=4.0, full_scale=255, scan_us=-1.0)


def test_rests_of_many_strikes_are_those_of_each():
    rng = np.random.default_rng(12)
    scans = rng.integers(1, 26, 80)
    late = rng.random(80) < 0.1
    # Behind the last scan lies what nobody may look at.
    raw = np.full((80, 25, 2, 6), 9e9)
    for place, many in enumerate(scans):
        shape = (many, 2, 6)
        own = np.round(
            200 + 300 * rng.random(shape[1:]) + rng.choice([0, 4]) * rng.normal(size=shape)
        )
        # Loads that come early, late, never, or were there from the start.
        since = np.maximum(np.arange(many) - rng.integers(-3, 20), 0)
        own += np.round(900 * np.exp(-0.5 * (since - 4) ** 2) * (since > 0))[:, None, None]
        raw[place, :many] = own
    rest, noise = rest_levels_of_many(raw, scans, late)
    guesses = 0
    for place, many in enumerate(scans):
        each, spread, guessed = rest_levels(raw[place, :many], late_start=bool(late[place]))
        np.testing.assert_array_equal(rest[place], each)
        assert noise[place] == pytest.approx(spread, rel=1e-12)
        guesses += guessed
    assert 10 < guesses < 70
    assert (noise > 0).sum() > 10
