"""Is the way from board to host fit to be used: scan rate, lost records, clock, supply.

Like `analysis.board.check`, each function looks at one thing and returns findings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from analysis.answers import NoAnswerError, Verdict
from analysis.board.check import NOTHING_TO_DO, Finding, graded

_TICK_RANGE = 1 << 32
# A sole 25 mm front to back at 35 m/s presses a point for 0.7 ms (our estimate).
_CONTACT_MS = 0.7
# The cells of a scan are not read at one moment, and what is left of that after the correction
# moves a contact's place by so much at one scan in a contact, less with the square of their number:
# 0.21, 0.13 and 0.05 mm at 2.8, 3.6 and 5.5 (tests/benchmarks/boards.py).
_PLACE_MM_AT_ONE_SCAN = 1.7
# A degree of lie on a sole of 300 mm camber, the middle of what is met.
_MM_PER_DEG = 300.0 * math.pi / 180.0
# What the place of one strike may be off by, in degrees: swings scatter by some 0.6 themselves.
_COST_GOOD_DEG, _COST_BAD_DEG = 0.1, 0.3
# Frames lost to a bad line are sent again, so a few cost only time.
_BAD_FRAMES_GOOD, _BAD_FRAMES_BAD = 0.001, 0.01
# Crystals keep 100 ppm with ease, a resonator or RC oscillator 0.5 to 1 %; beyond that tick_hz is
# wrong (common practice, no source).
_CRYSTAL_PPM, _OSCILLATOR_PPM = 100.0, 10_000.0
# Units that are taken for another, and what to call instead.
_SLIPS = {
    1e-3: "Ticks run 1000 times too slow: millis() sent for micros()? Send micros().",
    1e3: "Ticks run 1000 times too fast: nanoseconds sent for microseconds? Send micros().",
    1e-6: "Ticks run a million times too slow: seconds sent for microseconds? Send micros().",
}
# So far from the unit a clock may be and still be meant so.
_SLIP_TOLERANCE = 0.1
# Arrivals may be late by so much, first and last.
_LATE_S = 0.5
# A pause without a reading that ends a contact (wire.md, 3.1), and the least that two presses are
# apart: lines closer than that are of one.
_GAP_MS, _SAME_PRESS_MS = 25.0, 150.0


def scan_findings(
    scan_ticks: ArrayLike,
    *,
    tick_hz: int,
    claimed_scan_ticks: int,
    contact_ms: float = _CONTACT_MS,
) -> list[Finding]:
    """Scan rate against what the board claims and against what a swing needs.

    Parameters
    ----------
    scan_ticks : array_like
        Shape (n_scans,): tick of the first cell of consecutive scans; may wrap at 2^32.
    tick_hz : int
        Ticks per second, from *hello*.
    claimed_scan_ticks : int
        From first to last cell of one scan, from *hello*.
    contact_ms : float
        How long a sole presses one point of the strip; the default is 25 mm at 35 m/s.

    Returns
    -------
    list of Finding
        "scan rate" (Hz), "scans in a contact", judged by what too few cost in degrees, and "uneven
        scans" (number of gaps).

    Raises
    ------
    NoAnswerError
        Fewer than 3 scans.
    ValueError
        `tick_hz` or `contact_ms` not positive.
    """
    ticks = np.asarray(scan_ticks).astype(np.int64)
    if ticks.size < 3:
        raise NoAnswerError("3 consecutive scans are the least that show a rate")
    if tick_hz <= 0 or contact_ms <= 0:
        raise ValueError("tick_hz and contact_ms must be positive")
    steps = np.diff(ticks) % _TICK_RANGE
    period = float(np.median(steps))
    rate = tick_hz / period if period > 0 else math.inf
    if period < claimed_scan_ticks:
        rate_finding = Finding(
            "scan rate",
            rate,
            "Hz",
            Verdict.FAIL,
            "Scans follow faster than one scan is said to take: correct scan_ticks or tick_hz in "
            "the firmware's hello.",
        )
    elif claimed_scan_ticks > 0 and period > 2.0 * claimed_scan_ticks:
        rate_finding = Finding(
            "scan rate",
            rate,
            "Hz",
            Verdict.LOOK,
            "The board waits longer between scans than a scan takes: move sending and printing "
            "out of the scan loop.",
        )
    else:
        rate_finding = Finding("scan rate", rate, "Hz", Verdict.PASS, NOTHING_TO_DO)

    inside = rate * contact_ms / 1000.0
    cost_deg = _PLACE_MM_AT_ONE_SCAN / inside**2 / _MM_PER_DEG
    verdict = graded(cost_deg, _COST_GOOD_DEG, _COST_BAD_DEG)
    fix = (
        NOTHING_TO_DO
        if verdict is Verdict.PASS
        else f"So few scans put a strike off by some {cost_deg:.1f} degrees: scan fewer cells or "
        "convert faster."
    )
    gaps = int(np.sum(steps > 1.5 * period))
    return [
        rate_finding,
        Finding("scans in a contact", inside, "scans", verdict, fix),
        Finding(
            "uneven scans",
            float(gaps),
            "gaps",
            Verdict.PASS if gaps == 0 else Verdict.LOOK,
            NOTHING_TO_DO
            if gaps == 0
            else "Scans are left out within a strike: keep interrupts and sending short.",
        ),
    ]


def link_findings(
    sequences: ArrayLike,
    *,
    first_expected: int,
    next_sequence: int,
    dropped_by_board: int,
    frames: int,
    bad_frames: int,
    bad_frames_at_board: int,
) -> list[Finding]:
    """Count records lost for good and frames damaged on the way.

    Parameters
    ----------
    sequences : array_like of int
        Sequence numbers on disk of this boot; order and repeats do not matter.
    first_expected, next_sequence : int
        Sequences from the first up to, not including, the second should be there.
    dropped_by_board : int
        Records the board dropped unconfirmed, from its latest *status*.
    frames, bad_frames : int
        Frames that arrived whole, and that were damaged.
    bad_frames_at_board : int
        Frames from the host that the board dropped, from its latest *status*.

    Returns
    -------
    list of Finding
        "lost records" (number), "damaged frames" and "damaged at the board" (per cent, count).

    Raises
    ------
    ValueError
        `next_sequence` below `first_expected`, or a negative count.
    """
    if next_sequence < first_expected or min(frames, bad_frames, bad_frames_at_board) < 0:
        raise ValueError("counts must not be negative")
    seen = {int(s) for s in np.asarray(sequences).ravel()}
    lost = sum(1 for s in range(first_expected, next_sequence) if s not in seen)
    if dropped_by_board > 0:
        fix = (
            f"The board had to drop {dropped_by_board} records: give it more room, or keep the "
            "host connected and confirming."
        )
    elif lost:
        fix = "Records are still missing: keep the link up so that the board can send them again."
    else:
        fix = NOTHING_TO_DO
    part = bad_frames / (frames + bad_frames) if frames + bad_frames else 0.0
    verdict = graded(part, _BAD_FRAMES_GOOD, _BAD_FRAMES_BAD)
    line = "The line is poor: shorten or change the cable, or move closer."
    return [
        Finding(
            "lost records",
            float(lost),
            "records",
            Verdict.FAIL if lost or dropped_by_board else Verdict.PASS,
            fix,
        ),
        Finding(
            "damaged frames",
            100.0 * part,
            "%",
            verdict,
            NOTHING_TO_DO if verdict is Verdict.PASS else line,
        ),
        Finding(
            "damaged at the board",
            float(bad_frames_at_board),
            "frames",
            Verdict.LOOK if bad_frames_at_board else Verdict.PASS,
            line if bad_frames_at_board else NOTHING_TO_DO,
        ),
    ]


def tick_rate_finding(
    ticks: Sequence[int], arrival_s: Sequence[float], *, tick_hz: int
) -> Finding | None:
    """Say whether a board counts what it says it counts.

    Parameters
    ----------
    ticks : sequence of int
        What the board's clock showed, in the order in which it said so; may wrap at 2^32.
    arrival_s : sequence of float
        When each of them arrived, host seconds; late by half a second at most.
    tick_hz : int
        Ticks a second, as the board says.

    Returns
    -------
    Finding or None
        FAIL if the rate is surely off by more than an oscillator is, naming the unit if it looks
        like one taken for another; None if it is not, or too little came to tell.

    Raises
    ------
    ValueError
        `tick_hz` is not positive, or the two are not of one length.
    """
    if tick_hz <= 0 or len(ticks) != len(arrival_s):
        raise ValueError("tick_hz must be positive, and each tick needs its arrival")
    if len(ticks) < 2:
        return None
    steps = np.mod(np.diff(np.asarray(ticks, dtype=np.int64)), _TICK_RANGE)
    # A step back is a restart: what it seems to have counted is no time.
    forward = steps < _TICK_RANGE // 2
    counted_s = float(steps[forward].sum()) / tick_hz
    passed_s = float(np.diff(np.asarray(arrival_s, dtype=np.float64))[forward].sum())
    if passed_s <= 4.0 * _LATE_S:
        return None
    least, most = counted_s / (passed_s + _LATE_S), counted_s / (passed_s - _LATE_S)
    if least <= 1.0 + _OSCILLATOR_PPM * 1e-6 and most >= 1.0 - _OSCILLATOR_PPM * 1e-6:
        return None
    rate = counted_s / passed_s
    fix = f"Ticks run {rate:.3g} times as fast as they should: correct the clock of the firmware."
    for slip, words in _SLIPS.items():
        if least <= slip * (1 + _SLIP_TOLERANCE) and most >= slip * (1 - _SLIP_TOLERANCE):
            fix = words
    return Finding("tick rate", rate, "of what it should be", Verdict.FAIL, fix)


def line_rate_finding(t_s: Sequence[float]) -> Finding | None:
    """Say whether a board that prints readings one by one prints them often enough.

    Parameters
    ----------
    t_s : sequence of float
        When each reading was taken that is part of a contact, seconds, in order.

    Returns
    -------
    Finding or None
        FAIL if one press comes apart into several contacts; None if it does not, or if too few
        readings came to tell.
    """
    steps_ms = np.diff(np.asarray(t_s, dtype=np.float64)) * 1000.0
    inside = steps_ms[(steps_ms > 0) & (steps_ms < _SAME_PRESS_MS)]
    if inside.size < 3:
        return None
    usual = float(np.median(inside))
    if usual <= _GAP_MS:
        return None
    return Finding(
        "time between lines",
        usual,
        "ms",
        Verdict.FAIL,
        f"One press comes apart: a pause of {_GAP_MS:.0f} ms ends a contact. Print a line every "
        "10 ms while the strip is pressed, or one line a contact with d= (how long it lasted).",
    )


def clock_finding(skew_ppm: float, u_skew_ppm: float) -> Finding:
    """Rate of the board's clock against the host's.

    Parameters
    ----------
    skew_ppm : float
        Board fast is positive, parts per million.
    u_skew_ppm : float
        Its standard uncertainty, >= 0.

    Returns
    -------
    Finding
        LOOK also when the uncertainty is too great to tell a crystal from a bad clock.
    """
    size = abs(skew_ppm)
    # What is surely too much, two standard uncertainties off, decides; doubt alone is only a LOOK.
    if size - 2.0 * u_skew_ppm > _OSCILLATOR_PPM:
        verdict, fix = Verdict.FAIL, "tick_hz in the firmware's hello is wrong: correct it."
    elif size - 2.0 * u_skew_ppm > _CRYSTAL_PPM:
        verdict = Verdict.LOOK
        fix = "The board has no crystal or tick_hz is a little off: times are corrected for it."
    elif u_skew_ppm > _CRYSTAL_PPM:
        verdict, fix = Verdict.LOOK, "Leave the link up for longer to see the clock's rate."
    else:
        verdict, fix = Verdict.PASS, NOTHING_TO_DO
    return Finding("clock skew", skew_ppm, "ppm", verdict, fix)


def status_findings(
    *,
    supply_mv: Sequence[int],
    status_noise_counts: float | None,
    measured_noise_counts: float,
) -> list[Finding]:
    """Supply over time, and the noise the board claims against the noise that was seen.

    Parameters
    ----------
    supply_mv : sequence of int
        Supply from each *status*, in order; empty when the board does not know it.
    status_noise_counts : float or None
        RMS noise of a resting cell from *status*.
    measured_noise_counts : float
        The same from resting scans, > 0.

    Returns
    -------
    list of Finding
        "supply" (mV, the lowest) and "claimed noise" (ratio); each only if the board tells it.
    """
    findings = []
    if supply_mv:
        low, high = min(supply_mv), max(supply_mv)
        # A dip of 5 % of the supply moves the readings of a divider by as much.
        sags = low < 0.95 * high
        findings.append(
            Finding(
                "supply",
                float(low),
                "mV",
                Verdict.LOOK if sags else Verdict.PASS,
                f"The supply varies from {low} to {high} mV: charge or change the battery."
                if sags
                else NOTHING_TO_DO,
            )
        )
    if status_noise_counts is not None and measured_noise_counts > 0:
        ratio = status_noise_counts / measured_noise_counts
        agrees = 0.5 <= ratio <= 2.0
        findings.append(
            Finding(
                "claimed noise",
                ratio,
                "of measured",
                Verdict.PASS if agrees else Verdict.LOOK,
                NOTHING_TO_DO
                if agrees
                else "The board's own figure for noise is off: check how the firmware works it out "
                "(unit 1/16 count).",
            )
        )
    return findings
