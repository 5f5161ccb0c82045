"""Evening through the reference firmware's own core, behind a real pseudo-terminal.

The truth is a strip of point cells on an elastic foundation under a rigid tube: pressure
``p0 (1 - (u/a)^2)`` (Johnson, Contact Mechanics, 1985, 4.3) times each cell's gain.
"""

from __future__ import annotations

import json

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
    command = lieboard.start("board", "even", board.url, "--passes", str(passes))
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
    assert "evened from 6 passes" in out
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


def test_crossed_wires_are_named_and_nothing_is_kept(core, lieboard):
    wired = GAIN.copy()
    board = core(BENCH)
    command = lieboard.start("board", "even", board.url, "--passes", "2")
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
    assert "cells could not be evened: row 0: cell 6 answers where cell 7 should" in err
    assert lieboard.rows("SELECT COUNT(*) FROM calibrations") == [(0,)]


def test_records_too_short_for_a_bar_say_what_to_set(core, lieboard):
    # strip16 keeps 16 scans of a press, however long it is.
    board = core("strip16")
    command = lieboard.start("board", "even", board.url, "--passes", "2")
    command.line("Pass 1 of")
    board.play(drawn(1), 1_000_000)
    line = command.line("not usable:")
    assert "draw it more slowly" in line or "too short" in line
    command.close()


def test_a_pass_beyond_the_boards_limit_asks_for_a_faster_one(core, lieboard):
    board = core(BENCH)
    command = lieboard.start("board", "even", board.url)
    command.line("Pass 1 of")
    board.play(drawn(1, speed_mm_s=80.0), 1_000_000)
    assert "draw it faster" in command.line("not usable:")
    command.close()
