"""The host's clock on its own time: what sleeping and what setting it do."""

from __future__ import annotations

import sys
import time

from logger.hostclock import HostClock

SECOND = 10**9


class Computer:
    """Its clocks, with how long it has slept."""

    def __init__(self):
        self.awake_ns = 0
        self.asleep_ns = 0
        self.set_by_ns = 0

    def clock(self):
        return HostClock(
            lambda: self.awake_ns,
            lambda: 1_700_000_000 * SECOND + self.awake_ns + self.asleep_ns + self.set_by_ns,
            lambda: self.asleep_ns,
        )


def test_time_asleep_is_added():
    computer = Computer()
    clock = computer.clock()
    computer.awake_ns += 10 * SECOND
    assert not clock.slept()
    computer.asleep_ns += 3600 * SECOND
    assert clock.slept()
    assert not clock.slept()
    computer.awake_ns += 5 * SECOND
    # What a wall clock that nobody touched shows.
    assert clock.utc_ns() == (1_700_000_000 + 3615) * SECOND
    assert clock.utc_from_monotonic(12 * SECOND) == (1_700_000_000 + 3612) * SECOND


def test_a_clock_that_is_set_moves_nothing():
    computer = Computer()
    clock = computer.clock()
    for hours in (-1, 1):
        computer.set_by_ns = hours * 3600 * SECOND
        assert not clock.slept()
        assert clock.utc_ns() == 1_700_000_000 * SECOND
    clock.anchor_anew()
    assert clock.utc_ns() == (1_700_000_000 + 3600) * SECOND


def test_this_computer():
    clock = HostClock()
    before_ns, after_ns = time.time_ns(), None
    now_ns = clock.utc_ns()
    after_ns = time.time_ns()
    # The system's own clock, but for what it is slewed in a moment.
    assert before_ns - SECOND // 100 <= now_ns <= after_ns + SECOND // 100
    assert not clock.slept()
    if sys.platform == "linux":
        # CLOCK_BOOTTIME never runs behind CLOCK_MONOTONIC (clock_gettime(2)).
        assert time.clock_gettime_ns(time.CLOCK_BOOTTIME) >= time.monotonic_ns() - SECOND // 100
