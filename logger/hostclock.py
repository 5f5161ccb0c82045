"""The host's two clocks: monotonic for durations, UTC read once as an anchor."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

# Shorter than any sleep of a laptop, longer than what two clocks read one after the other differ.
_SLEPT_NS = 2_000_000_000


class HostClock:
    """Monotonic nanoseconds, and UTC by way of one anchor.

    The anchor holds for the life of the clock: somebody who sets the computer's clock during a
    session moves no strike against the moments at which clubs went up. Only time that the computer
    slept, which the monotonic clock may leave out, is added.

    All sources can be given, so that tests and replays run on their own time.
    """

    def __init__(
        self,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
        utc_ns: Callable[[], int] = time.time_ns,
        asleep_ns: Callable[[], int] | None = None,
    ) -> None:
        self._monotonic_ns = monotonic_ns
        self._utc_ns = utc_ns
        own = monotonic_ns is time.monotonic_ns
        self._asleep_ns = asleep_ns or (_asleep_ns if own else _never)
        self._slept_ns = 0
        self.anchor_anew()

    def anchor_anew(self) -> None:
        """Read UTC again, for a source that began again; moments from before mean nothing then."""
        self._anchor_ns = self._utc_ns() - self._monotonic_ns()
        self._slept_ns = self._asleep_ns()

    def monotonic_ns(self) -> int:
        """Host monotonic clock now."""
        return self._monotonic_ns()

    def utc_ns(self) -> int:
        """UTC now, by the anchor."""
        return self._monotonic_ns() + self._anchor_ns

    def utc_from_monotonic(self, host_ns: int) -> int:
        """UTC of a moment of the monotonic clock."""
        return host_ns + self._anchor_ns

    def slept(self) -> bool:
        """Tell whether the computer slept since this was last asked; UTC follows if it did."""
        asleep_ns = self._asleep_ns()
        more_ns = asleep_ns - self._slept_ns
        if more_ns < _SLEPT_NS:
            return False
        self._slept_ns = asleep_ns
        self._anchor_ns += more_ns
        return True


def _asleep_ns() -> int:
    """How long this computer has slept: what the monotonic clock left out, from any zero."""
    system: str = sys.platform
    if system == "linux":
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) - time.monotonic_ns()
    if system == "darwin":
        # There CLOCK_MONOTONIC goes on while asleep and time.monotonic does not.
        return time.clock_gettime_ns(time.CLOCK_MONOTONIC) - time.monotonic_ns()
    # Windows: the monotonic clock goes on while asleep.
    return 0


def _never() -> int:
    return 0
