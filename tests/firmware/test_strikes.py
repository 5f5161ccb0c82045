"""What the core makes of loads on the strip, in virtual time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logger.protocol.decoding import Decoder
from logger.protocol.framing import encode_frame
from logger.protocol.records import Ability, AskHello, Flag, Hello, Reading, SetTrigger
from logger.protocol.wire import encode
from simulators.core_board import CoreBoard, CoreOptions, build_library
from simulators.emulator.waves import Sweep, cell_shares, wave

SCAN_US = 16 * 16.0


def test_a_strike_is_told_from_before_its_trigger_to_after_its_end(bench) -> None:
    board = bench(noise_counts=0.0)
    board.strike(100.0, length_us=900)
    heard = board.go(50)
    (strike,) = heard.strikes
    assert heard.damage == []
    assert strike.sequence == 0
    assert strike.flags == Flag(0)
    assert strike.counts.shape[1:] == (1, 16)
    # Three scans from before the trigger (the last may have felt the first of it), then the
    # strike, then three of rest.
    assert (strike.counts[:2] == 5).all()
    assert strike.counts[2].max() <= 5 + board.hello.trigger_level
    assert (strike.counts[-3:] == 5).all()
    assert strike.counts[3].max() > 5 + board.hello.trigger_level
    assert np.diff(strike.scan_ticks.astype(np.int64)).tolist() == [256] * (len(strike.counts) - 1)
    # Half a sine of 900 us is above a tenth of its height for 840 us of them.
    assert 840 - SCAN_US <= strike.span_ticks <= 840 + 2 * SCAN_US


def test_every_value_is_the_cells_value_at_its_own_moment(bench) -> None:
    """Cells are sampled one after the other: cell i at the scan's tick plus i conversions."""
    board = bench(noise_counts=0.0)
    began_ns = board.board.now_ns + 1_000_000
    board.strike(200.0, length_us=3000, cells=slice(0, 16))
    (strike,) = board.go(50).strikes
    for ticks, scan in zip(strike.scan_ticks, strike.counts[:, 0], strict=True):
        at_us = float(ticks) + 16.0 * np.arange(16) - began_ns / 1000
        phase = np.clip(at_us / 3000, 0, 1)
        expected = 5 + 200 * np.sin(np.pi * phase)
        # Rounded to a count; the tick to 1 us; straight lines between 41 corners of the sine.
        np.testing.assert_allclose(scan, expected, atol=0.5 + 0.3 + 0.3)


def test_scan_ticks_in_hello_are_first_sample_to_last(bench) -> None:
    assert bench("strip16").hello.scan_ticks == 15 * 16
    two = bench("two_rows").hello
    assert (two.rows, two.scan_order) == (2, 1)
    assert two.scan_ticks == 31 * 16


def test_saturated_and_edge(bench) -> None:
    board = bench()
    flags = []
    for counts, cells in [(400.0, slice(5, 10)), (100.0, slice(13, 16)), (100.0, slice(0, 2))]:
        board.strike(counts, cells=cells)
        flags += [strike.flags for strike in board.go(40).strikes]
    assert flags == [Flag.SATURATED, Flag.EDGE, Flag.EDGE]


def test_two_strikes_do_not_run_together_and_two_rows_do(bench) -> None:
    board = bench()
    board.strike(length_us=800, after_ms=1)
    board.strike(length_us=800, after_ms=4)
    assert [strike.sequence for strike in board.go(60).strikes] == [0, 1]
    two = bench("two_rows", noise_counts=0.0)
    # 12 mm at 35 m/s: the second row is pressed 343 us after the first.
    sweep = Sweep(middle_mm=10.0, row_distance_mm=12.0, peak_counts=120.0)
    counts = wave(sweep, rows=2, cells=16, pitch_mm=7.0)
    two.board.play(two.board.now_ns + 1_000_000, 5000, counts.astype(np.float32))
    (strike,) = two.go(60).strikes
    peaks = strike.counts[:, :, 8].astype(float).argmax(axis=0)
    delay_us = float(strike.scan_ticks[peaks[1]]) - float(strike.scan_ticks[peaks[0]])
    assert abs(delay_us - 343) <= 2 * 16 * 16.0


def test_a_long_press_is_kept_from_end_to_end_in_one_record(bench) -> None:
    board = bench(noise_counts=0.0)
    board.strike(100.0, length_us=300_000)
    heard = board.go(500)
    (strike,) = heard.strikes
    assert strike.flags == Flag(0)
    assert len(strike.counts) <= 16
    ticks = strike.scan_ticks.astype(np.int64)
    assert (np.diff(ticks) > 0).all()
    # Trigger at a tenth of the sine, release at a twentieth: 285 ms in between.
    assert strike.span_ticks == pytest.approx(285_000, rel=0.03)
    assert ticks[-1] - ticks[3] > 0.6 * strike.span_ticks
    assert strike.counts.max() > 95


def test_a_load_that_stays_is_closed_told_and_then_taken_for_rest(bench) -> None:
    board = bench(noise_counts=0.3)
    steps = np.zeros((2000, 1, 16), np.float32)
    steps[1:-1, :, 4:12] = 60.0
    board.board.play(board.board.now_ns + 1_000_000, 5_000_000, steps)
    (strike,) = board.go(1500).strikes
    assert strike.flags == Flag.STILL_LOADED
    assert strike.span_ticks == pytest.approx(1_000_000, rel=0.01)
    assert board.go(3000).strikes == []
    # After five seconds it is the new rest, and a blow on top of it is a strike again.
    board.go(1500)
    board.strike(90.0)
    (on_top,) = board.go(100).strikes
    assert on_top.counts[0, 0, 5] == pytest.approx(65, abs=2)
    assert on_top.counts[:, 0, 5].max() > 120


@pytest.mark.parametrize("level", [12, 60])
def test_the_trigger_level_is_obeyed(bench, level: int) -> None:
    board = bench(noise_counts=0.2)
    heard = board.go(50, SetTrigger(level))
    assert heard.statuses[0].trigger_level == level
    board.strike(level * 0.85)
    assert board.go(50).strikes == []
    board.strike(level * 1.5)
    assert len(board.go(50).strikes) == 1


def test_a_trigger_below_the_noise_is_raised_and_told(bench) -> None:
    board = bench(noise_counts=2.0)
    heard = board.go(50, SetTrigger(1))
    status = heard.statuses[0]
    # 2 counts of noise and the rounding's 0.29: RMS 2.02; six of these and one.
    assert status.noise_counts == pytest.approx(2.02, rel=0.15)
    assert 11 <= status.trigger_level <= 17
    later = board.go(3000)
    assert later.strikes == []
    assert all(11 <= status.trigger_level <= 17 for status in later.statuses)


def test_noise_that_comes_later_raises_the_trigger_too(bench) -> None:
    """A broken shield: one endless strike, closed as still loaded; then the level is raised."""
    board = bench(noise_counts=0.0, rest_counts=40.0)
    rng = np.random.default_rng(5)
    board.board.sample_from(lambda *_: max(0, round(40 + 6 * rng.standard_normal())))
    heard = board.go(1500)
    assert [strike.flags & Flag.STILL_LOADED for strike in heard.strikes] == [Flag.STILL_LOADED]
    board.go(5500)
    heard = board.go(1500)
    assert heard.strikes == []
    assert heard.statuses[-1].trigger_level >= 30
    assert heard.statuses[-1].noise_counts == pytest.approx(6.0, rel=0.2)


def test_noise_is_reported_in_sixteenths(bench) -> None:
    for rms in (0.5, 1.0, 3.0):
        board = bench(noise_counts=rms, seed=4)
        heard = board.go(2500)
        measured = np.mean([status.noise_counts for status in heard.statuses])
        # Rounding to a count adds 1/12 to the variance (Sheppard's correction).
        assert measured == pytest.approx(np.sqrt(rms**2 + 1 / 12), rel=0.12)


def test_rest_follows_a_slow_drift_without_a_strike(bench) -> None:
    board = bench(noise_counts=0.3)
    drift = np.linspace(0, 40, 2, dtype=np.float32)[:, np.newaxis, np.newaxis]
    board.board.play(board.board.now_ns, 20_000_000_000, drift * np.ones((1, 1, 16), np.float32))
    assert board.go(15_000).strikes == []
    board.strike(60.0)
    assert len(board.go(50).strikes) == 1


# ---- boards that work out positions themselves


@pytest.mark.parametrize("middle_mm", [-30.0, -11.3, 0.0, 4.9, 33.0])
def test_a_reading_says_where(bench, middle_mm: float) -> None:
    board = bench("strip16_readings", noise_counts=0.3)
    sweep = Sweep(middle_mm=middle_mm, half_width_mm=16.0)
    counts = wave(sweep, rows=1, cells=16, pitch_mm=7.0)
    began_ns = board.board.now_ns + 1_000_000
    board.board.play(began_ns, 5000, counts.astype(np.float32))
    (reading,) = board.go(50).records
    assert isinstance(reading, Reading)
    assert reading.flags == Flag.SUMS_UP
    assert reading.trail_mm is None
    # The mean place of a parabola read by cells is off by a small fraction of a cell.
    assert reading.board_mm == pytest.approx(middle_mm, abs=0.7)
    heaviest_us = began_ns / 1000 + sweep.duration_us / 2
    assert abs(reading.ticks - heaviest_us) <= SCAN_US
    total = 150.0 * cell_shares(sweep, 16, 7.0).sum()
    assert reading.pressure_counts == pytest.approx(total, rel=0.25)
    assert reading.span_ticks == pytest.approx(sweep.duration_us, abs=2 * SCAN_US)


def test_readings_flag_the_edge(bench) -> None:
    board = bench("strip16_readings")
    board.strike(100.0, cells=slice(12, 16))
    (reading,) = board.go(50).records
    assert reading.flags == Flag.SUMS_UP | Flag.EDGE
    assert reading.board_mm == pytest.approx(7.0 * (13.5 - 7.5), abs=0.3)


@pytest.mark.parametrize(
    ("circuit", "said"),
    [("ABILITY_DIVIDER", Ability.DIVIDER), ("ABILITY_AMPLIFIER", Ability.AMPLIFIER)],
)
def test_hello_says_how_the_cells_are_read(out: Path, circuit: str, said: Ability) -> None:
    library = build_library(out / circuit, CIRCUIT=circuit)
    board = CoreBoard(library, CoreOptions())
    board.receive(encode_frame(encode(AskHello())))
    decoder = Decoder()
    hellos = [one for one in decoder.feed(board.advance(300_000_000), 0) if isinstance(one, Hello)]
    assert hellos[-1].abilities & (Ability.DIVIDER | Ability.AMPLIFIER) == said
