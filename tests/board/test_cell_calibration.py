from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from analysis.answers import NoAnswerError
from analysis.board.cell_calibration import CellCalibration, calibrate_cells
from analysis.board.roller import (
    CellState,
    Direction,
    RollerPass,
    crossed_cells,
    passing_times_us,
    rest_and_noise,
)
from analysis.board.roller_area import cell_responses

MADE = "2024-05-01T10:00:00Z"
THERE, BACK = Direction.TOWARD_POSITIVE, Direction.TOWARD_NEGATIVE


def even(passes, full_scale=4095, pitch_mm=4.0):
    return calibrate_cells(passes, pitch_mm=pitch_mm, full_scale=full_scale, made=MADE)


def gains(calibration, name="gain"):
    return np.array(getattr(calibration, name), dtype=float)


def test_area_is_that_of_a_cylinder_on_an_elastic_foundation(strip):
    # Johnson, Contact Mechanics (1985), 4.3: parabola, area 4/3 a p0; a = 7 mm, p0 = 900 counts.
    board = strip(noise=0.5)
    for jerk in (0.0, 0.4):
        found = cell_responses(board.draw(THERE, jerk=jerk), 4.0, 4095).area
        assert found / board.gain == pytest.approx(
            np.full((1, 32), 4 / 3 * 7.0 * 900.0), rel=0.02 if jerk else 0.01
        )


def test_area_does_not_depend_on_how_fast_the_hand_goes(strip):
    board = strip(noise=0.5)
    slow, fast = (board.draw(THERE, speed_mm_s=v) for v in (30.0, 120.0))
    # Time under pressure differs fourfold.
    sums = [float((p.counts - 60.0).sum()) for p in (slow, fast)]
    assert sums[0] / sums[1] == pytest.approx(4.0, rel=0.05)
    areas = [cell_responses(p, 4.0, 4095).area for p in (slow, fast)]
    assert areas[0] == pytest.approx(areas[1], rel=0.01)


def test_passing_times_are_where_the_bar_was(strip):
    board = strip(noise=0.5)
    one = board.draw(BACK, speed_mm_s=50.0)
    times = passing_times_us(one, 4095)[0]
    middles = (np.arange(32) - 15.5) * 4.0
    assert np.diff(times) == pytest.approx(np.full(31, -4.0 / 50.0 * 1e6), rel=0.05)
    # From 82 mm beyond the middle, after 0.3 s: t = 0.3 s + (82 - x) / 50 mm/s.
    assert times == pytest.approx((0.3 + (82.0 - middles) / 50.0) * 1e6, abs=2000.0)


def test_rest_is_not_pulled_up_by_the_bar():
    rng = np.random.default_rng(4)
    counts = np.rint(rng.normal(100.0, 3.0, (2000, 1, 2)))
    counts[300:900] += 500.0 * np.sin(np.linspace(0, np.pi, 600))[:, None, None]
    rest, noise = rest_and_noise(counts)
    assert rest == pytest.approx(np.full((1, 2), 100.0), abs=0.6)
    assert noise == pytest.approx(np.full((1, 2), 3.0), rel=0.2)


def test_gains_come_out_within_their_uncertainty(strip):
    board = strip(rows=2)
    calibration = even(board.there_and_back(4, jerk=0.3, tilt=0.03))
    assert gains(calibration).mean() == pytest.approx(1.0, abs=1e-12)
    error = gains(calibration) - board.gain
    assert np.max(np.abs(error / board.gain)) < 0.04
    z = error / gains(calibration, "u_gain")
    assert np.sqrt(np.mean(z**2)) < 1.5
    assert np.all(np.abs(z) < 5)
    assert gains(calibration, "offset_counts") == pytest.approx(np.full((2, 32), 60.0), abs=0.5)
    assert gains(calibration, "noise_counts") == pytest.approx(np.full((2, 32), 2.0), rel=0.3)
    assert calibration.bad_cells == ()
    assert calibration.passes_used == 8


def test_uncertainty_covers_over_many_studies(strip):
    hits = total = 0
    for seed in range(12):
        board = strip(rng=np.random.default_rng(seed), noise=6.0)
        calibration = even(board.there_and_back(3, jerk=0.25, tilt=0.04))
        z = (gains(calibration) - board.gain) / gains(calibration, "u_gain")
        hits += int(np.sum(np.abs(z) <= 2.0))
        total += z.size
    # 2 standard uncertainties: about 95 %, and on the safe side because a cell never claims less
    # than all cells together.
    assert hits / total > 0.9


def test_the_split_is_least_squares_with_one_dummy_per_pass_and_cell(strip):
    # Oracle: numpy.linalg.lstsq on the log areas, balanced in direction.
    board = strip(cells=12, noise=6.0)
    passes = board.there_and_back(3, jerk=0.0)
    logs = np.log([cell_responses(p, 4.0, 4095).area[0] for p in passes])
    rows = []
    for p in range(6):
        for c in range(12):
            row = np.zeros(18)
            row[p], row[6 + c] = 1.0, 1.0
            rows.append(row)
    solution = np.linalg.lstsq(np.array(rows), logs.ravel(), rcond=None)[0][6:]
    expected = np.exp(solution) / np.mean(np.exp(solution))
    assert gains(even(passes))[0] == pytest.approx(expected, rel=1e-9)


def test_calibrated_counts_of_another_pass_are_alike(strip):
    board = strip()
    calibration = even(board.there_and_back(4))
    raw = board.draw(THERE).counts
    before = raw.copy()
    calibrated = calibration.apply(raw)
    peaks_raw = (raw.max(axis=0) - 60.0)[0]
    peaks = calibrated.max(axis=0)[0]
    assert np.std(peaks_raw) / np.mean(peaks_raw) > 0.1
    assert np.std(peaks) / np.mean(peaks) < 0.02
    assert np.array_equal(raw, before)
    # A strike's own rest replaces the stored one.
    moved = calibration.apply(raw + 40, rest_counts=np.full((1, 32), 100.0))
    assert moved.max(axis=0)[0] == pytest.approx(peaks, rel=0.01)
    with pytest.raises(ValueError, match="do not fit a board"):
        calibration.apply(raw[:, :, :30])


def test_hysteresis_shows_the_cells_that_differ_by_direction(strip):
    board = strip(noise=1.0)
    more = board.gain.copy()
    more[0, [5, 20]] *= 1.2
    passes = []
    for k in range(3):
        passes.append(board.draw(THERE, gain=more, speed_mm_s=50.0 + 5 * k))
        passes.append(board.draw(BACK, speed_mm_s=55.0 + 5 * k))
    calibration = even(passes)
    hysteresis = gains(calibration, "hysteresis")[0]
    assert hysteresis[[5, 20]] == pytest.approx([0.18, 0.18], abs=0.02)
    assert np.max(np.abs(np.delete(hysteresis, [5, 20]))) < 0.02
    # The doubt of these cells is at least the rectangular half-width over root 3 (GUM 4.3.7).
    relative = (gains(calibration, "u_gain") / gains(calibration))[0]
    assert relative[5] >= 0.18 / 2 / np.sqrt(3) * 0.9
    assert relative[5] > 5 * np.median(relative)


def test_faulty_cells_are_named_and_kept_out(strip):
    board = strip(rows=2, full_scale=1023, peak_counts=350.0)
    gain = board.gain
    gain[0, 3] = 0.0
    gain[1, 7] = -0.1
    gain[1, 20] = 5.0
    passes = board.there_and_back(3)
    for one in passes:
        one.counts[:, 0, 10] = 1023
    calibration = even(passes, full_scale=1023)
    assert calibration.bad_cells == (
        (0, 3, "dead"),
        (0, 10, "stuck"),
        (1, 7, "negative"),
        (1, 20, "clipped"),
    )
    assert calibration.gain[0][3] is None
    assert np.nanmean(gains(calibration)) == pytest.approx(1.0)
    good = np.isfinite(gains(calibration))
    ratio = gains(calibration)[good] / gain[good]
    assert ratio / ratio.mean() == pytest.approx(np.ones(60), rel=0.04)
    assert np.all(np.isnan(calibration.apply(passes[0].counts)[:, 0, 3]))


def test_it_survives_json(strip):
    board = strip()
    board.gain[0, 3] = 0.0
    calibration = even(board.there_and_back(2))
    text = json.dumps(calibration.to_json(), allow_nan=False)
    assert CellCalibration.from_json(json.loads(text)) == calibration
    assert json.loads(text)["made"] == MADE
    with pytest.raises(ValueError, match="gain"):
        CellCalibration.from_json({"made": MADE, "pitch_mm": 4.0})


def test_a_stopped_or_short_pass_is_left_out_with_its_reason(strip):
    board = strip()
    good = board.there_and_back(2)
    stopped = board.draw(THERE)
    middle = int(np.argmax(stopped.counts[:, 0, 15]))
    held = np.repeat(stopped.counts[middle : middle + 1], 1600, axis=0)
    counts = np.concatenate([stopped.counts[:middle], held, stopped.counts[middle:]])
    stopped = RollerPass(np.arange(len(counts)) * 1250.0, counts, THERE)
    short = RollerPass(good[0].t_us[:10], good[0].counts[:10], THERE)
    calibration = even([*good, stopped, short])
    assert calibration.passes_used == 4
    assert "pass 5: the bar stopped" in calibration.left_out[0]
    assert "pass 6" in calibration.left_out[1]
    assert gains(calibration) == pytest.approx(board.gain, rel=0.04)


def held(one, milliseconds, cell=15, late=10):
    """The same pass with the hand stopped for a while, at 800 scans a second."""
    place = int(np.argmax(one.counts[:, 0, cell])) + late
    still = np.repeat(one.counts[place : place + 1], int(0.8 * milliseconds), axis=0)
    counts = np.concatenate([one.counts[:place], still, one.counts[place:]])
    return RollerPass(np.arange(len(counts)) * 1250.0, counts, one.direction)


@pytest.mark.parametrize("milliseconds", [60, 150])
def test_a_moment_of_halt_spoils_only_the_cells_around_it(strip, milliseconds):
    # No cell that is kept may be off by more than the stated few per cent.
    board = strip(noise=0.5)
    found = cell_responses(held(board.draw(THERE), milliseconds), 4.0, 4095)
    unsteady = np.flatnonzero(found.state[0] == CellState.UNSTEADY)
    assert 13 in unsteady or 15 in unsteady or 16 in unsteady
    assert unsteady.size < 11
    assert unsteady.min() > 8
    assert unsteady.max() < 23
    kept = np.isfinite(found.area)
    assert (found.area / board.gain)[kept] == pytest.approx(8400.0, rel=0.05)


def test_halts_at_different_places_do_not_hurt_the_gains(strip):
    board = strip()
    drawn = board.there_and_back(6)
    passes = [held(one, 200, 3 + 2 * k) for k, one in enumerate(drawn)]
    calibration = even(passes)
    assert calibration.bad_cells == ()
    assert gains(calibration) == pytest.approx(board.gain, rel=0.04)


def test_ends_that_the_bar_did_not_clear_are_named(strip):
    board = strip()
    passes = [board.draw(way, overrun_mm=2.0) for way in (THERE, BACK) * 2]
    states = even(passes).state[0]
    assert states[0] == states[-1] == CellState.NOT_CROSSED
    assert set(states[3:-3]) == {CellState.GOOD}


@pytest.mark.parametrize(
    ("ways", "reason"),
    [((THERE, THERE, THERE), "0 usable passes toward negative"), ((THERE, BACK), "1 usable")],
)
def test_both_directions_are_needed_twice(strip, ways, reason):
    board = strip()
    with pytest.raises(NoAnswerError, match=reason):
        even([board.draw(way) for way in ways])


def test_a_cell_that_is_clipped_one_way_only_is_not_calibrated(strip):
    # Two good passes each way are needed, or its direction difference would be unknown.
    board = strip(full_scale=1100)
    passes = board.there_and_back(3)
    for one in passes[::2]:
        one.counts[one.counts[:, 0, 9] > 300, 0, 9] = 1100
    calibration = even(passes, full_scale=1100)
    assert calibration.state[0][9] == CellState.CLIPPED
    assert calibration.u_gain[0][9] is None


def test_a_dead_row_and_a_board_that_is_mostly_dead(strip):
    board = strip(rows=2)
    board.gain[1] = 0.0
    with pytest.raises(NoAnswerError, match="row 1: only 0 cells"):
        even(board.there_and_back(2))
    half = strip()
    half.gain[0, :20] = 0.0
    with pytest.raises(NoAnswerError, match="fewer than half"):
        even(half.there_and_back(2))


def test_a_bar_drawn_too_fast_for_the_scan_rate_is_told(strip):
    board = strip(scan_hz=100.0)
    with pytest.raises(NoAnswerError, match="draw it more slowly"):
        cell_responses(board.draw(THERE, speed_mm_s=600.0), 4.0, 4095)


def test_nothing_drawn_gives_no_number():
    with pytest.raises(NoAnswerError, match="draw the bar"):
        even([])


def swap(one, a, b):
    counts = one.counts.copy()
    counts[:, :, [a, b]] = counts[:, :, [b, a]]
    return replace(one, counts=counts)


def test_swapped_wires_are_named_and_stop_the_calibration(strip):
    passes = [swap(p, 11, 12) for p in strip().there_and_back(2)]
    assert crossed_cells(passes, 4095) == [(0, 11, 12), (0, 12, 11)]
    with pytest.raises(NoAnswerError, match="cell 11 answers where cell 12 should"):
        even(passes)


def test_wires_in_order_raise_no_alarm(strip):
    for seed in range(5):
        board = strip(rng=np.random.default_rng(seed), noise=8.0)
        assert crossed_cells(board.there_and_back(2, jerk=0.5), 4095) == []


def test_a_reversed_ribbon_or_a_wrong_direction_is_told(strip):
    turned = [replace(p, counts=p.counts[:, :, ::-1]) for p in strip().there_and_back(2)]
    with pytest.raises(NoAnswerError, match="other way"):
        even(turned)
    passes = strip().there_and_back(3)
    wrong = replace(passes[0], direction=BACK)
    assert "other way" in even([wrong, *passes[1:]]).left_out[0]


def test_malformed_passes_are_refused(strip):
    one = strip().draw(THERE)
    with pytest.raises(ValueError, match="go up"):
        passing_times_us(replace(one, t_us=one.t_us[::-1]), 4095)
    with pytest.raises(ValueError, match="one time per scan"):
        passing_times_us(replace(one, t_us=one.t_us[:-1]), 4095)
    with pytest.raises(ValueError, match="same rows and cells"):
        even([one, replace(one, counts=one.counts[:, :, :20])])
