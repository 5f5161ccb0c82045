from __future__ import annotations

import numpy as np
import pytest

from analysis.answers import NoAnswerError, Verdict
from analysis.board.link import (
    clock_finding,
    line_rate_finding,
    link_findings,
    scan_findings,
    status_findings,
    tick_rate_finding,
)

PASS, LOOK, FAIL = Verdict.PASS, Verdict.LOOK, Verdict.FAIL


def scans(period, number=40, start=0):
    return (start + period * np.arange(number)) % 2**32


def by_item(findings):
    return {finding.item: finding for finding in findings}


def check(ticks, claimed=180, tick_hz=1_000_000, **options):
    return by_item(scan_findings(ticks, tick_hz=tick_hz, claimed_scan_ticks=claimed, **options))


def test_an_even_fast_board_passes():
    found = check(scans(200))
    assert found["scan rate"].value == pytest.approx(5000.0)
    # 0.7 ms at 5 kHz.
    assert found["scans in a contact"].value == pytest.approx(3.5)
    assert {f.verdict for f in found.values()} == {PASS}


def test_ticks_may_wrap():
    assert check(scans(200, start=2**32 - 1000)) == check(scans(200))
    # A gap across the wrap is a gap like any other.
    ticks = np.delete(scans(200, start=2**32 - 1000), [5, 6])
    assert check(ticks)["uneven scans"].value == 1.0


@pytest.mark.parametrize(
    ("period", "claimed", "verdict", "words"),
    [
        (150, 180, FAIL, "correct scan_ticks or tick_hz"),
        (190, 180, PASS, "Nothing"),
        (400, 180, LOOK, "out of the scan loop"),
        (400, 0, PASS, "Nothing"),
    ],
)
def test_scan_rate_against_the_claim(period, claimed, verdict, words):
    found = check(scans(period), claimed)["scan rate"]
    assert found.verdict is verdict
    assert words in found.what_to_do


@pytest.mark.parametrize(("period", "verdict"), [(230, PASS), (400, LOOK), (1000, FAIL)])
def test_scan_rate_against_what_a_swing_needs(period, verdict):
    assert check(scans(period), period)["scans in a contact"].verdict is verdict


def test_gaps_are_counted():
    ticks = np.delete(scans(200), [10, 11, 25])
    found = check(ticks)["uneven scans"]
    assert (found.value, found.verdict) == (2.0, LOOK)
    assert check(ticks)["scan rate"].value == pytest.approx(5000.0)


def link(sequences, **change):
    facts = {
        "first_expected": 0,
        "next_sequence": 10,
        "dropped_by_board": 0,
        "frames": 5000,
        "bad_frames": 0,
        "bad_frames_at_board": 0,
    }
    return by_item(link_findings(sequences, **{**facts, **change}))


def test_nothing_lost_nothing_twice():
    found = link([3, 1, 2, 0, 4, 5, 9, 8, 7, 6, 6])
    assert {f.verdict for f in found.values()} == {PASS}
    assert found["lost records"].value == 0.0


def test_lost_records_and_poor_lines():
    found = link([0, 1, 2, 4, 5, 6, 7, 8], bad_frames=20)
    assert (found["lost records"].value, found["lost records"].verdict) == (2.0, FAIL)
    assert "still missing" in found["lost records"].what_to_do
    assert found["damaged frames"].value == pytest.approx(100 * 20 / 5020)
    assert found["damaged frames"].verdict is LOOK
    assert link(range(10), bad_frames=500)["damaged frames"].verdict is FAIL
    dropped = link(range(4, 10), dropped_by_board=4)["lost records"]
    assert (dropped.value, dropped.verdict) == (4.0, FAIL)
    assert "drop 4 records" in dropped.what_to_do
    assert link(range(10), bad_frames_at_board=1)["damaged at the board"].verdict is LOOK


def test_a_new_boot_with_no_frames_yet():
    found = link([], next_sequence=0, frames=0)
    assert {f.verdict for f in found.values()} == {PASS}


@pytest.mark.parametrize(
    ("skew", "u", "verdict"),
    [
        (40.0, 2.0, PASS),
        (-40.0, 2.0, PASS),
        (-6000.0, 2.0, LOOK),
        (40.0, 500.0, LOOK),
        (800.0, 500.0, LOOK),
        (30_000.0, 5.0, FAIL),
        (10_200.0, 500.0, LOOK),
        (110.0, 20.0, PASS),
    ],
)
def test_clock_skew(skew, u, verdict):
    found = clock_finding(skew, u)
    assert (found.value, found.verdict) == (skew, verdict)


def test_supply_and_claimed_noise():
    def status(**facts):
        return by_item(
            status_findings(
                **{
                    "supply_mv": [],
                    "status_noise_counts": None,
                    "measured_noise_counts": 2.0,
                    **facts,
                }
            )
        )

    assert status() == {}
    steady = status(supply_mv=[4950, 5000, 4980], status_noise_counts=1.6)
    assert {f.verdict for f in steady.values()} == {PASS}
    assert steady["supply"].value == 4950.0
    sagging = status(supply_mv=[5000, 4700], status_noise_counts=32.0)
    assert {f.verdict for f in sagging.values()} == {LOOK}
    assert sagging["claimed noise"].value == pytest.approx(16.0)


def test_malformed_facts_are_refused():
    with pytest.raises(NoAnswerError, match="3 consecutive"):
        check(scans(200, 2))
    with pytest.raises(ValueError, match="positive"):
        check(scans(200), tick_hz=0)
    with pytest.raises(ValueError, match="negative"):
        link([], next_sequence=-1)


@pytest.mark.parametrize(
    ("rate", "words"),
    [
        (1e-3, "millis() sent for micros()"),
        (1e3, "nanoseconds"),
        (1e-6, "seconds sent for microseconds"),
        (0.25, "0.25 times as fast"),
        (1.06, "1.06 times"),
    ],
)
def test_a_clock_in_another_unit_is_named(rate, words):
    # Ten seconds, told each second, each late by up to a third of one.
    late = np.random.default_rng(1).uniform(0, 0.33, 31)
    seconds = np.arange(31.0)
    ticks = [int(s * rate * 1_000_000) % 2**32 for s in seconds + 4000]
    found = tick_rate_finding(ticks, list(seconds + late), tick_hz=1_000_000)
    assert found.verdict is FAIL
    assert words in found.what_to_do


def test_a_clock_that_is_right_wraps_or_starts_again_is_not_blamed():
    seconds = np.arange(40.0)
    ticks = [(2**32 - 5_000_000 + int(s * 1_000_400)) % 2**32 for s in seconds]
    assert tick_rate_finding(ticks, list(seconds), tick_hz=1_000_000) is None
    restarted = ticks[:20] + [int(s * 1e6) for s in range(20)]
    assert tick_rate_finding(restarted, list(seconds), tick_hz=1_000_000) is None
    # Too little came to tell a wrong unit from a slow line.
    assert tick_rate_finding([0, 1_000], [0.0, 1.0], tick_hz=1_000_000) is None
    assert tick_rate_finding([], [], tick_hz=1_000_000) is None
    with pytest.raises(ValueError, match="needs its arrival"):
        tick_rate_finding([1], [], tick_hz=1_000_000)


def test_presses_that_come_apart_are_told():
    press = np.arange(0, 0.5, 0.05)
    found = line_rate_finding(np.concatenate([press, press + 3, press + 6]))
    assert found.verdict is FAIL
    assert found.value == pytest.approx(50.0)
    assert "every 10 ms" in found.what_to_do
    fine = np.arange(0, 0.5, 0.01)
    assert line_rate_finding(np.concatenate([fine, fine + 3])) is None
    # One line a contact, whole seconds apart, says nothing of the rate.
    assert line_rate_finding(np.arange(0, 60, 2.0)) is None


def test_the_guide_s_own_board_passes_and_what_few_scans_cost_is_told():
    # 256 us a scan: 2.7 scans in 0.7 ms (electronics.md).
    assert check(scans(256), 247)["scans in a contact"].verdict is PASS
    slow = check(scans(700), 690)["scans in a contact"]
    assert slow.verdict is FAIL
    # 1.7 mm at 5.24 mm a degree.
    assert "some 0.3 degrees" in slow.what_to_do
