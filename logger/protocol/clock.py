"""From the board's ticks to the host's monotonic clock, and from there to UTC.

Ticks are 32 bits wide and wrap; messages arrive late by delays that vary; the board may restart
and the host may sleep. `ClockMap` keeps one straight line per stretch of time
(`logger.protocol.envelope`) and starts a new segment when the two clocks cannot be those of before:
it never smooths over a break. It reads no clock: whoever feeds it says what the host's clock was.

Feed it messages that left the board as soon as they were made (status, clock reply, records on
time). What the board kept and sends again says nothing about its clock; ask `ClockMap.to_host_ns`
about it.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from logger.protocol.clock_segment import (
    BLOCKS,
    BREAK_NS,
    NS_PER_S,
    Segment,
    SegmentStart,
)
from logger.protocol.layout import TICK_RANGE

__all__ = [
    "ClockEstimate",
    "ClockMap",
    "ClockReading",
    "SegmentStart",
    "UtcAnchor",
    "offset_and_delay_ns",
]

# Ticks that do not fit must agree among each other, for this many messages and this long.
_SUSPECTS = 3
_SUSPECTS_NS = NS_PER_S

# Bounds the memory when a board restarts all the time.
_MAX_SEGMENTS = 256


@dataclass(frozen=True, slots=True)
class ClockReading:
    """When something happened on the board."""

    host_ns: int
    uncertainty_ns: int
    """Half width of an interval that holds the true time in at least 95 % of cases."""
    segment: int
    ns_per_tick: float
    """Of the line at that place: what lies within moments of it needs no reading of its own."""


@dataclass(frozen=True, slots=True)
class ClockEstimate:
    """How the board's clock goes against the host's, now."""

    segment: int
    started: SegmentStart
    points: int
    """Messages that the estimate rests on."""
    offset_ns: int
    """Host time at tick 0 of this segment, if the board's clock had always gone as it goes now."""
    drift_ppm: float
    """How much longer the board's tick is than its nominal length; positive = the board is slow."""
    drift_sd_ppm: float
    uncertainty_ns: int
    """Of a reading at the last ticks."""
    least_round_trip_ns: int | None
    """Narrowest gap between questions and arrivals; None if no exchange was fed."""


@dataclass(frozen=True, slots=True)
class UtcAnchor:
    """One moment on both clocks: the host's monotonic one and UTC (ns since 1970)."""

    monotonic_ns: int
    utc_ns: int

    def to_utc_ns(self, host_ns: int) -> int:
        """Host monotonic ns to UTC ns since 1970."""
        return self.utc_ns + host_ns - self.monotonic_ns


def offset_and_delay_ns(t1_ns: int, t2_ns: int, t3_ns: int, t4_ns: int) -> tuple[float, int]:
    """Offset of the other clock and round-trip delay of one exchange, RFC 5905 section 8.

    Asked at ``t1`` and answered at ``t4`` by our clock, received at ``t2`` and sent at ``t3`` by
    the other. The offset is wrong by at most half the delay.
    """
    return ((t2_ns - t1_ns) + (t3_ns - t4_ns)) / 2, (t4_ns - t1_ns) - (t3_ns - t2_ns)


class ClockMap:
    """Maps one board's ticks to host time.

    Parameters
    ----------
    tick_hz : int
        Nominal ticks per second.
    tolerance_ppm : float
        How far off the board's rate may be before anything was seen (a crystal; a ceramic
        resonator is worse, which shows after seconds).
    window_s : float
        The line is taken as straight over this long. Longer averages more jitter away, shorter
        follows a clock that warms up.
    """

    def __init__(self, tick_hz: int, tolerance_ppm: float = 200.0, window_s: float = 600.0) -> None:
        if tick_hz <= 0 or tolerance_ppm <= 0 or window_s <= 0:
            raise ValueError("tick_hz, tolerance_ppm and window_s must be above 0")
        self._nominal = NS_PER_S / tick_hz
        self._tolerance = tolerance_ppm * 1e-6
        self._longest_block = max(int(window_s * tick_hz / BLOCKS), 1)
        self._segments: list[Segment] = []
        self._made = 0
        self._next_start: SegmentStart | None = SegmentStart.FIRST
        self._suspects: list[tuple[int, int]] = []
        self.fed = 0
        """Goes up whenever a reading may come out otherwise than before."""

    def start_segment(self) -> None:
        """Take what is fed from now on as another clock (the board said that it restarted)."""
        self.fed += 1
        self._suspects.clear()
        self._next_start = SegmentStart.ASKED if self._made else SegmentStart.FIRST

    def feed(self, ticks: int, arrival_ns: int) -> None:
        """Take in a message that carried the ticks of its making.

        Raises
        ------
        ValueError
            If ``ticks`` is not a u32.
        """
        _check(ticks)
        self.fed += 1
        if self._next_start is not None:
            self._begin(self._next_start, ticks, arrival_ns)
            return
        segment = self._segments[-1]
        why = segment.doubt(ticks, arrival_ns)
        if why is None:
            self._suspects.clear()
            segment.add(segment.unwrap(ticks, arrival_ns), arrival_ns)
        elif why is SegmentStart.SILENCE_TOO_LONG:
            self._begin(why, ticks, arrival_ns)
        else:
            self._suspect(why, ticks, arrival_ns)

    def feed_exchange(
        self, sent_ns: int, received_ticks: int, sent_ticks: int, arrival_ns: int
    ) -> bool:
        """Take in a question and its answer.

        Parameters
        ----------
        sent_ns : int
            Host clock just before the question was sent.
        received_ticks, sent_ticks : int
            Board's ticks when it had the question and when it answered.
        arrival_ns : int
            Host clock when the answer was in.

        Returns
        -------
        bool
            False if the times cannot be (the board held the question for longer than the whole
            exchange took); nothing is taken in then.
        """
        _check(received_ticks)
        _check(sent_ticks)
        held_ticks = (sent_ticks - received_ticks) % TICK_RANGE
        held_ns = round(held_ticks * self._nominal * (1 - 10 * self._tolerance))
        _, delay_ns = offset_and_delay_ns(sent_ns, 0, held_ns, arrival_ns)
        if delay_ns < 0:
            return False
        self.fed += 1
        if self._next_start is not None:
            self._begin(self._next_start, sent_ticks, arrival_ns, sent_ns)
        else:
            # An answer to our own question is no old message, so one is enough to tell; and how
            # late it can be is known.
            why = self._segments[-1].doubt(sent_ticks, arrival_ns)
            if why in (None, SegmentStart.TOO_LATE, SegmentStart.TICKS_WENT_BACK):
                disagrees = self._segments[-1].contradicts(sent_ns, received_ticks, arrival_ns)
                why = (why or SegmentStart.EXCHANGE_DISAGREES) if disagrees else None
            if why is not None:
                self._begin(why, sent_ticks, arrival_ns, sent_ns)
        self._suspects.clear()
        segment = self._segments[-1]
        answered = segment.unwrap(sent_ticks, arrival_ns)
        segment.add(answered, arrival_ns, (answered - held_ticks, sent_ns))
        return True

    def to_host_ns(self, ticks: int, near_ns: int) -> ClockReading | None:
        """Host time of ``ticks``.

        Parameters
        ----------
        ticks : int
            As sent by the board.
        near_ns : int
            Host time within half a wrap of the ticks (35 minutes at 1 MHz), such as the arrival. It
            decides the wrap and the segment.

        Returns
        -------
        ClockReading or None
            None as long as nothing was fed.
        """
        _check(ticks)
        if not self._segments:
            return None
        at = bisect_right(self._segments, near_ns, key=lambda s: s.start_ns) - 1
        segment = self._segments[max(at, 0)]
        host_ns, uncertainty, ns_per_tick = segment.read(segment.unwrap(ticks, near_ns))
        if self._suspects and near_ns >= self._suspects[0][1]:
            # Either this was kept for long, or the clocks are no longer those of before.
            uncertainty = max(uncertainty, abs(near_ns - host_ns))
        return ClockReading(host_ns, round(uncertainty), segment.number, ns_per_tick)

    @property
    def known(self) -> bool:
        """Whether anything was fed."""
        return bool(self._segments)

    def estimate(self) -> ClockEstimate | None:
        """Return the state of the last segment; None as long as nothing was fed."""
        if not self._segments:
            return None
        segment = self._segments[-1]
        line = segment.line_at(segment.last_ticks)
        host_ns, uncertainty, _ = segment.read(segment.last_ticks)
        gap = segment.least_gap_ns(line)
        return ClockEstimate(
            segment=segment.number,
            started=segment.started,
            points=segment.points,
            offset_ns=host_ns - round(line.slope * segment.last_ticks),
            drift_ppm=(line.slope / self._nominal - 1) * 1e6,
            drift_sd_ppm=line.slope_sd / self._nominal * 1e6,
            uncertainty_ns=round(uncertainty),
            least_round_trip_ns=None if gap is None else round(gap),
        )

    def _begin(
        self, why: SegmentStart, ticks: int, arrival_ns: int, start_ns: int | None = None
    ) -> None:
        segment = Segment(
            self._made,
            why,
            ticks,
            arrival_ns,
            self._nominal,
            self._tolerance,
            self._longest_block,
        )
        if start_ns is not None:
            segment.start_ns = start_ns
        self._segments.append(segment)
        self._made += 1
        self._next_start = None
        self._suspects.clear()
        del self._segments[:-_MAX_SEGMENTS]

    def _suspect(self, why: SegmentStart, ticks: int, arrival_ns: int) -> None:
        if self._suspects:
            before, before_ns = self._suspects[-1]
            waited_ns = arrival_ns - before_ns
            passed = (ticks - before) % TICK_RANGE * self._nominal
            wrap_ns = TICK_RANGE * self._nominal
            apart = (passed - waited_ns + wrap_ns / 2) % wrap_ns - wrap_ns / 2
            if abs(apart) > BREAK_NS / 2 + 10 * self._tolerance * waited_ns:
                self._suspects.clear()
        self._suspects.append((ticks, arrival_ns))
        first_ns = self._suspects[0][1]
        if len(self._suspects) < _SUSPECTS or arrival_ns - first_ns < _SUSPECTS_NS:
            # The first, which says since when, and the last ones are all that is needed.
            del self._suspects[_SUSPECTS:-1]
            return
        points = list(self._suspects)
        self._begin(why, *points[0])
        segment = self._segments[-1]
        for point_ticks, point_ns in points[1:]:
            segment.add(segment.unwrap(point_ticks, point_ns), point_ns)


def _check(ticks: int) -> None:
    if not 0 <= ticks < TICK_RANGE:
        raise ValueError(f"ticks {ticks} are not 32 bits")
