"""The host's two clocks: monotonic for durations, UTC read once as an anchor."""

from __future__ import annotations

import time
from collections.abc import Callable

# A laptop that slept, or a clock that was set, shows as a step; NTP slewing stays far below this.
_JUMP_NS = 2_000_000_000


class HostClock:
    """Monotonic nanoseconds, and UTC by way of one anchor.

    Both sources can be given, so that tests and replays run on their own time.
    """

    def __init__(
        self,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
        utc_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._monotonic_ns = monotonic_ns
        self._utc_ns = utc_ns
        self._anchor_ns = self._measure()

    def _measure(self) -> int:
        return self._utc_ns() - self._monotonic_ns()

    def monotonic_ns(self) -> int:
        """Host monotonic clock now."""
        return self._monotonic_ns()

    def utc_ns(self) -> int:
        """UTC now, by the anchor."""
        return self._monotonic_ns() + self._anchor_ns

    def utc_from_monotonic(self, host_ns: int) -> int:
        """UTC of a moment of the monotonic clock."""
        return host_ns + self._anchor_ns

    def jumped(self) -> bool:
        """Whether UTC and monotonic moved apart since the anchor; takes a new anchor if so."""
        now = self._measure()
        if abs(now - self._anchor_ns) < _JUMP_NS:
            return False
        self._anchor_ns = now
        return True
