"""Calibrating cells through the reference firmware's own core, behind a real pseudo-terminal.

The truth is a strip of point cells on an elastic foundation under a rigid tube: pressure
``p0 (1 - (u/a)^2)`` (Johnson, Contact Mechanics, 1985, 4.3) times each cell's gain.
"""

from __future__ import annotations

import json
import time

import numpy as np
import pytest

BENCH = "../../bench/strip16_bench"
CELLS, PITCH_MM = 16, 7.0
MIDDLES_MM = (np.arange(CELLS) - 7.5) * PITCH_MM
GAIN = 1.0 + 0.12 * np.sin(np.arange(CELLS) * 2.1) + 0.05 * np.cos(np.arange(CELLS) * 0.9)


def drawn(direction, *, gain=GAIN, speed_mm_s=370.0, half_width_mm=18.0, peak=170.0, sway=0.1):
    """A tube drawn along the strip by a hand whose speed sways: counts each millisecond."""
    end = 75.0
    path = np.linspace(-end, end, 4001)
    speed = speed_mm_s * (1 + sway * np.sin(path / 45.0))
    when = np.concatenate([[0.0], np.cumsum(np.diff(path) / ((speed[1:] + speed[:-1]) / 2))])
    t = np.arange(0.0, when[-1], 0.001)
    place = direction * np.interp(t, when, path)
    u = (place[:, None] - MIDDLES_MM) / half_width_mm
    return (gain * peak * np.maximum(1 - u**2, 0.0))[:, None, :]


def even(lieboard, board, *, passes=3, gain=GAIN, speeds=(370.0, 385.0, 360.0), **options):
    command = lieboard.start("board", "calibrate", board.url, "--passes", str(passes))
    number = 0
    while number < 2 * passes:
        command.line(f"Pass {number + 1} of")
        way = 1 if number % 2 == 0 else -1
        speed = speeds[number % len(speeds)]
        board.play(drawn(way, gain=gain, speed_mm_s=speed, **options), 1_000_000)
        command.line("good:")
        number += 1
    return command.end()


def test_gains_of_the_cells_are_found_kept_and_applied(core, lieboard):
    code, out, err = even(lieboard, core(BENCH))
    assert (code, err) == (0, ""), out
    assert "calibrated from 6 passes" in out
    ((content, method),) = lieboard.rows(
        "SELECT content, method_version FROM calibrations WHERE kind = 'evening'"
    )
    kept = json.loads(content)
    assert method == "evening 1"
    assert kept["state"] == [["good"] * CELLS]
    found = np.array(kept["gain"][0])
    u = np.array(kept["u_gain"][0])
    truth = GAIN / GAIN.mean()
    # 8-bit counts and some 45 scans of a bar's way: within 4 %, where the cells differ by 30 %.
    assert found == pytest.approx(truth, abs=0.04)
    assert np.mean(np.abs(found - truth) < 2.5 * u) > 0.8
    assert np.ptp(truth) > 0.25


def strike(place_mm, *, half_width_mm=26.0, peak=150.0):
    """A sole over the strip for 0.8 ms, a count each 20 us."""
    wave = np.sin(np.pi * np.linspace(0, 1, 41))[:, None]
    u = (MIDDLES_MM - place_mm) / half_width_mm
    return (wave * GAIN * peak * np.maximum(1 - u**2, 0.0))[:, None, :]


def test_strikes_after_the_calibration_are_read_with_it_and_raw_records_stay(core, with_set):
    board = core(BENCH)
    places_mm = np.linspace(-22.0, 22.0, 6)

    def logged():
        logging = with_set.start("log", board.url, "--new")
        logging.line("session")
        time.sleep(1.0)
        for place_mm in places_mm:
            board.play(strike(place_mm), 20_000)
            logging.line("7i strike")
            time.sleep(0.3)
        logging.process.terminate()
        logging.end()

    logged()
    assert even(with_set, board)[0] == 0
    logged()
    rows = with_set.rows("SELECT session, board_mm, method_version FROM strikes ORDER BY id")
    raw = np.array([mm for session, mm, _ in rows if session == 1])
    calibrated = np.array([mm for session, mm, _ in rows if session == 2])
    assert {m for s, _, m in rows if s == 1} == {rows[0][2]}
    assert {m for s, _, m in rows if s == 2} == {f"{rows[0][2]}, evening 1"}
    # The truth is the middle of the parabola; cells that differ by 30 % pull it about.
    assert np.std(raw - places_mm) > 0.5
    # Not a claim of accuracy: ten places of one strip tell a ratio to a fifth or so.
    assert np.std(calibrated - places_mm) < 0.8 * np.std(raw - places_mm)
    # What the board sent is what is kept: 2 sessions of 6 strikes and 6 passes.
    assert with_set.rows("SELECT COUNT(*) FROM records") == [(18,)]


def test_a_capture_gives_the_same_as_the_board_did(core, with_set, tmp_path):
    board = core(BENCH)
    capture = tmp_path / "bar.cap"
    logging = with_set.start("log", board.url, "--capture", str(capture))
    logging.line("session")
    time.sleep(1.0)
    for number in range(4):
        board.play(drawn(1 if number % 2 == 0 else -1), 1_000_000)
        logging.line("7i")
        time.sleep(0.3)
    logging.process.terminate()
    logging.end()
    # Another data file, and the one that has the records already.
    for db in (tmp_path / "other.db", with_set.db):
        code, out, err = with_set.run("board", "calibrate", f"capture:{capture}", "--db", str(db))
        assert (code, err) == (0, ""), out
        assert "calibrated from 4 passes" in out
    code, out, err = with_set.run("board", "calibrate", f"capture:{capture}", "--order", "+-+")
    assert code == 2
    assert "holds 4 passes, --order tells of 3" in err
    code, out, err = with_set.run("board", "calibrate", f"capture:{capture}", "--order", "-+-+")
    assert code != 0
    assert "the other way" in out + err
    code, out, _ = with_set.run("board", "check", f"capture:{capture}")
    assert "cells that answered" in out


def test_crossed_wires_are_named_and_nothing_is_kept(core, lieboard):
    wired = GAIN.copy()
    board = core(BENCH)
    command = lieboard.start("board", "calibrate", board.url, "--passes", "2")
    order = np.arange(CELLS)
    order[[6, 7]] = order[[7, 6]]
    for number in range(4):
        command.line(f"Pass {number + 1} of")
        way = 1 if number % 2 == 0 else -1
        board.play(drawn(way, gain=wired)[:, :, order], 1_000_000)
        command.line("good:")
    code, out, err = command.end()
    assert code == 1
    assert "cell 6 answers where cell 7 should: swap their wires" in out
    assert "cells could not be calibrated: row 0: cell 6 answers where cell 7 should" in err
    assert lieboard.rows("SELECT COUNT(*) FROM calibrations") == [(0,)]


def test_records_too_short_for_a_bar_say_what_to_set(core, lieboard):
    # strip16 keeps 16 scans of a press, however long it is.
    board = core("strip16")
    command = lieboard.start("board", "calibrate", board.url, "--passes", "2")
    command.line("Pass 1 of")
    board.play(drawn(1), 1_000_000)
    line = command.line("not usable:")
    assert "draw it more slowly" in line or "too short" in line
    command.close()


def test_a_pass_beyond_the_boards_limit_asks_for_a_faster_one(core, lieboard):
    board = core(BENCH)
    command = lieboard.start("board", "calibrate", board.url)
    command.line("Pass 1 of")
    board.play(drawn(1, speed_mm_s=80.0), 1_000_000)
    assert "draw it faster" in command.line("not usable:")
    command.close()
