"""What the simulated cells add of their own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulators.sole import Grid
from simulators.strip import CellFaults, Scanning, Sensing, Strip

GRID = Grid(rows=2, cells=64)
IDEAL = CellFaults.none()


def strip(faults, grid=GRID, seed=0, boards=1):
    return Strip.build(np.random.default_rng(seed), grid, Sensing(), faults, boards)


def ramp(peak_mm=2.0, steps=201, grid=GRID):
    """Up and down in 1 ms, the same on all cells: (1, scans, rows, cells) mm, and its ms."""
    t_ms = np.linspace(0.0, 1.0, steps)[None, :, None, None]
    wave = peak_mm * (1 - np.abs(2 * t_ms - 1))
    return wave * np.ones((1, 1, grid.rows, grid.cells)), t_ms


def test_ideal_cells_are_a_straight_line_from_rest():
    ideal = strip(IDEAL)
    pressed, t_ms = ramp()
    counts = ideal.to_counts(
        ideal.load_counts(pressed, t_ms, ideal.memory()), ideal.rest, np.random.default_rng(0)
    )
    assert counts[0, :, 1, 7] == pytest.approx(60 + 900 * pressed[0, :, 1, 7], abs=0.5)


def test_spreads_and_noise_have_the_size_asked_for():
    faults = replace(IDEAL, gain_spread=0.2, rest_spread_counts=10.0, noise_counts=2.0)
    made = strip(faults, boards=200)
    # 25600 cells: a standard deviation is known to 0.5 %.
    assert np.log(made.gain).std() == pytest.approx(0.2, rel=0.03)
    assert made.rest.std() == pytest.approx(10.0, rel=0.03)
    still = made.to_counts(np.zeros((200, 50, 2, 64)), made.rest, np.random.default_rng(1))
    within = still.std(axis=1, ddof=1)
    # Rounding to whole counts adds 1/12 of variance.
    assert np.sqrt((within**2).mean()) == pytest.approx(np.sqrt(4 + 1 / 12), rel=0.01)


def test_hysteresis_loop_is_as_wide_as_asked_and_closes():
    made = strip(replace(IDEAL, hysteresis=0.12))
    pressed, t_ms = ramp()
    load = made.load_counts(pressed, t_ms, made.memory())[0, :, 0, 0]
    up, down = load[:101], load[100:][::-1]
    assert (down - up).max() / load.max() == pytest.approx(0.12, abs=1e-3)
    assert (down - up)[[0, -1]] == pytest.approx([0.0, 0.0])
    assert (down - up).min() >= -1e-9


def test_neighbours_share_a_load_and_none_is_lost_inside():
    made = strip(replace(IDEAL, neighbour_share=0.1))
    pressed = np.zeros((1, 1, 2, 64))
    pressed[0, 0, 0, 30] = 1.0
    load = made.load_counts(pressed, np.zeros((1, 1, 1, 1)), made.memory())[0, 0, 0]
    assert load[29:32] == pytest.approx([90.0, 720.0, 90.0])
    assert load.sum() == pytest.approx(900.0)


def test_dead_stuck_and_saturated_cells():
    made = strip(replace(IDEAL, dead_cells=(5,), stuck_cells=(64 + 9,), noise_counts=1.0))
    pressed, t_ms = ramp(peak_mm=6.0)
    counts = made.to_counts(
        made.load_counts(pressed, t_ms, made.memory()), made.rest, np.random.default_rng(0)
    )[0]
    assert counts[:, 0, 5].max() < 70
    assert (counts[:, 1, 9] == 4095).all()
    assert counts[100, 0, 6] == 4095


def test_creep_is_kept_and_let_go_of():
    made = strip(replace(IDEAL, creep=0.02, creep_ms=10.0))
    pressed, t_ms = ramp(peak_mm=2.0)
    memory = made.memory()
    load = made.load_counts(pressed, t_ms, memory)[0, :, 0, 0]
    # 2 % of 1800 counts, half a millisecond after the peak.
    assert load[-1] == pytest.approx(36 * np.exp(-0.05), rel=1e-6)
    made.let_go(memory, 1_000_000)
    after = made.rest_counts(11_000_000)[0, 0, 0] - 60
    assert after == pytest.approx(36 / np.e, rel=1e-6)


def test_memory_goes_on_over_blocks():
    made = strip(replace(IDEAL, hysteresis=0.1, creep=0.01))
    pressed, t_ms = ramp()
    whole = made.load_counts(pressed, t_ms, made.memory())
    memory = made.memory()
    blocks = [
        made.load_counts(pressed[:, a:b], t_ms[:, a:b], memory)
        for a, b in ((0, 60), (60, 130), (130, 201))
    ]
    assert np.concatenate(blocks, axis=1) == pytest.approx(whole)


def test_rest_level_drifts():
    made = strip(replace(IDEAL, drift_counts_per_hour=5.0), boards=100)
    moved = made.rest_counts(2 * 3_600_000_000_000) - made.rest_counts(0)
    assert moved.std() == pytest.approx(10.0, rel=0.03)


def test_scan_order_says_when_each_cell_is_sampled():
    # wire.md, hello, scan_order.
    grid = Grid(rows=2, cells=3)
    by_row, by_cell, at_once = (
        Scanning(scan_order=order, sample_ns=10).offsets_ns(grid).tolist() for order in (0, 1, 2)
    )
    assert by_row == [[0, 10, 20], [30, 40, 50]]
    assert by_cell == [[0, 10, 20], [0, 10, 20]]
    assert at_once == [[0, 0, 0], [0, 0, 0]]
    for order in (0, 1, 2):
        scanning = Scanning(scan_order=order)
        assert scanning.period_ns(grid) > scanning.offsets_ns(grid).max()
