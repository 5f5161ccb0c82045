from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.answers import NoAnswerError, Verdict
from analysis.board.cell_calibration import calibrate_cells
from analysis.board.check import (
    NOTHING_TO_DO,
    Finding,
    graded,
    resting_findings,
    resting_noise_counts,
    roller_findings,
    worst,
)

PASS, LOOK, FAIL = Verdict.PASS, Verdict.LOOK, Verdict.FAIL


def resting(rows=2, cells=16, scans=4000, noise=2.0, seed=0, step_us=15_000.0):
    """A minute of a quiet board that tells its values now and then: counts and times."""
    rng = np.random.default_rng(seed)
    counts = np.rint(rng.normal(80.0, noise, (scans, rows, cells)))
    return counts, np.arange(scans) * step_us


def check(counts, t, trigger=40, full_scale=4095):
    return resting_findings(counts, t, full_scale=full_scale, trigger_counts=trigger)


def by_item(findings):
    return {finding.item: finding for finding in findings}


def test_noise_is_the_standard_deviation_without_drift():
    # Von Neumann's successive differences: 2 counts of noise (and 1/12 of rounding) on a ramp.
    counts, t = resting(scans=20_000)
    ramp = counts + np.linspace(0.0, 60.0, t.size)[:, None, None]
    noise = resting_noise_counts(ramp)
    assert noise == pytest.approx(np.full((2, 16), math.sqrt(4.0 + 1 / 12)), rel=0.04)


def test_a_quiet_board_passes_everything():
    findings = check(*resting())
    assert worst(findings) is PASS
    assert {f.item for f in findings} == {"noise", "false triggers", "drift"}
    assert all(f.what_to_do == NOTHING_TO_DO for f in findings)


def test_false_triggers_are_the_normal_tail():
    # Normal tail at 4 standard deviations: 3.167e-5 (any table). 32 cells, 1000 scans a second.
    counts, t = resting(step_us=1000.0)
    counts = np.random.default_rng(1).normal(80.0, 2.0, counts.shape)
    found = by_item(check(counts, t, trigger=8))["false triggers"]
    assert found.value == pytest.approx(3.167e-5 * 32 * 3.6e6, rel=0.3)
    assert found.verdict is FAIL
    assert "set the trigger to 13" in found.what_to_do


def test_false_triggers_agree_with_counting():
    rng = np.random.default_rng(2)
    counts = rng.normal(80.0, 2.0, (40_000, 1, 4))
    counted = int(np.sum(counts > 80.0 + 6.0))
    per_hour = by_item(check(counts, np.arange(40_000) * 1000.0, trigger=6))["false triggers"].value
    # 216 expected in 40 s.
    assert counted == pytest.approx(per_hour / 90.0, abs=4 * math.sqrt(per_hour / 90.0))


def test_bad_cells_at_rest_are_named():
    counts, t = resting()
    counts[:, 0, 3] = 4095
    counts[:, 0, 9] = 0
    rng = np.random.default_rng(5)
    counts[:, 1, 2] += np.rint(rng.normal(0.0, 9.0, t.size))
    counts[:, 1, 7] += np.rint(rng.normal(0.0, 20.0, t.size))
    counts[:, 1, 12] += 2500
    found = {f.cell: f for f in check(counts, t) if f.cell}
    assert found[0, 3].item == "stuck cell"
    assert found[0, 3].verdict is FAIL
    assert (found[0, 9].item, found[0, 9].verdict) == ("still cell", LOOK)
    assert (found[1, 2].item, found[1, 2].verdict) == ("noisy cell", LOOK)
    assert (found[1, 7].item, found[1, 7].verdict) == ("noisy cell", FAIL)
    assert found[1, 7].value == pytest.approx(20.1, rel=0.1)
    assert (found[1, 12].item, found[1, 12].verdict) == ("preloaded cell", LOOK)
    assert len(found) == 5
    assert "row 1, cell 7" in found[1, 7].what_to_do


def test_a_board_whose_noise_is_under_one_count_is_not_dead():
    counts = np.full((2000, 1, 8), 80.0)
    assert worst(check(counts, np.arange(2000) * 30_000.0)) is PASS


def test_drift_of_the_worst_cell_is_found_in_counts_per_minute():
    counts, t = resting()
    counts[:, 1, 4] = np.rint(counts[:, 1, 4] + 0.5 * t * 1e-6)
    found = by_item(check(counts, t))["drift"]
    assert found.value == pytest.approx(30.0, rel=0.15)
    assert found.verdict is FAIL
    assert "Row 1, cell 4" in found.what_to_do


def test_noise_is_not_taken_for_drift():
    alarms = 0
    for seed in range(40):
        found = by_item(check(*resting(scans=400, seed=seed, step_us=20_000.0), trigger=1))
        alarms += "drifts" in found["drift"].what_to_do
    # One board in a hundred, at a trigger so low that any sure drift would tell.
    assert alarms <= 3


def test_a_short_rest_cannot_show_drift():
    found = by_item(check(*resting(scans=400, step_us=1000.0)))["drift"]
    assert found.verdict is LOOK
    assert "Too short" in found.what_to_do


def test_noise_against_the_trigger():
    counts, t = resting(noise=9.0)
    assert by_item(check(counts, t, trigger=40))["noise"].verdict is LOOK
    assert by_item(check(counts, t, trigger=30))["noise"].verdict is FAIL


def test_roller_findings_of_a_good_strip(strip):
    board = strip()
    passes = board.there_and_back(3)
    calibration = calibrate_cells(passes, pitch_mm=4.0, full_scale=4095, made="")
    findings = roller_findings(passes, calibration, full_scale=4095)
    assert [(f.item, f.verdict) for f in findings] == [("wiring order", PASS), ("hysteresis", PASS)]
    assert 0 < findings[-1].value < 5


def test_roller_findings_name_weak_and_dead_cells(strip):
    board = strip()
    board.gain[0, [4, 9, 20]] = 0.0, 0.4, 0.1
    passes = board.there_and_back(3)
    calibration = calibrate_cells(passes, pitch_mm=4.0, full_scale=4095, made="")
    found = {f.cell: f for f in roller_findings(passes, calibration, full_scale=4095) if f.cell}
    assert found[0, 4].item == "dead cell"
    assert found[0, 4].verdict is FAIL
    assert (found[0, 9].item, found[0, 9].verdict) == ("weak cell", LOOK)
    assert found[0, 9].value == pytest.approx(0.4 / np.delete(board.gain, 4).mean(), rel=0.05)
    assert (found[0, 20].item, found[0, 20].verdict) == ("weak cell", FAIL)


def test_roller_findings_name_cells_that_do_not_repeat_and_hysteresis(strip):
    board = strip(noise=1.0)
    rng = np.random.default_rng(3)
    passes = []
    for k in range(6):
        gain = board.gain.copy()
        gain[0, 8] *= np.exp(rng.normal(0.0, 0.3))
        gain[0, ::2] *= 1.5 if k % 2 else 1.0
        passes.append(board.draw((1, -1)[k % 2], gain=gain))
    calibration = calibrate_cells(passes, pitch_mm=4.0, full_scale=4095, made="")
    findings = roller_findings(passes, calibration, full_scale=4095)
    assert by_item(findings)["hysteresis"].verdict is LOOK
    assert any(f.item == "doubtful gain" and f.cell == (0, 8) for f in findings)


def test_roller_findings_name_crossed_cells(strip):
    passes = strip().there_and_back(2)
    for one in passes:
        one.counts[:, :, [6, 7]] = one.counts[:, :, [7, 6]]
    findings = roller_findings(passes, None, full_scale=4095)
    assert [(f.cell, f.value) for f in findings] == [(None, 2.0), ((0, 6), 7.0), ((0, 7), 6.0)]
    assert worst(findings) is FAIL
    assert "swap their wires" in findings[1].what_to_do
    for one in passes:
        one.counts[:] = one.counts[:, :, ::-1]
    reversed_ribbon = roller_findings(passes, None, full_scale=4095)
    assert "other way" in reversed_ribbon[0].what_to_do


def test_verdicts_add_up_to_the_worst():
    def finding(verdict):
        return Finding("x", None, "", verdict, "")

    assert worst([finding(PASS), finding(LOOK)]) is LOOK
    assert worst([finding(FAIL), finding(LOOK), finding(PASS)]) is FAIL
    assert worst([]) is LOOK
    assert [graded(x, 1.0, 2.0) for x in (1.0, 1.5, 2.5)] == [PASS, LOOK, FAIL]


def test_malformed_rest_is_refused():
    counts, t = resting(scans=60)
    with pytest.raises(NoAnswerError, match="leave the board alone"):
        check(counts[:20], t[:20])
    with pytest.raises(ValueError, match="shape"):
        check(counts, t[:-1])
    with pytest.raises(ValueError, match="go up"):
        check(counts, t[::-1])
    with pytest.raises(ValueError, match="trigger"):
        check(counts, t, trigger=0)
