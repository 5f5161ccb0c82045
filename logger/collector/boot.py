"""One start of one board: its clock, its numbering, and what waits behind a hole.

Rules: ``firmware_notes/wire.md``, section 2.7. No link in here: what has to be said back to the
board is returned or asked for by the connection.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace

from logger.collector.recording import (
    BoardIdentity,
    KnownBoot,
    Listener,
    Recorder,
    RecordsLost,
    RecordsUndated,
    TimedRecord,
)
from logger.hostclock import HostClock
from logger.protocol.clock import ClockMap, ClockReading
from logger.protocol.layout import TICK_RANGE
from logger.protocol.records import Hello, RawRecord, Record, Status, Strike
from logger.protocol.sequence import Hole, SequenceTracker

# A line of 40 characters at 115 200 baud takes 4 ms and a port is polled every few ms more.
ARRIVAL_U_NS = 10_000_000
# Further ahead than any uncertainty of a clock that was asked at least once.
_AHEAD_NS = 2_000_000_000
# What the records of one swing say of the clock, one of them says too; and five a second say all
# that there is to know of a board that streams.
_FEED_EVERY_NS = 200_000_000
# Over this long a line is straight to within its uncertainty, whatever a crystal does.
_NEAR_NS = 100_000_000
# A board answers a question about its clock within milliseconds; one that has not after this time
# never will.
_CLOCK_WAIT_NS = 1_500_000_000


class KeepingBoot:
    """One start of a board that keeps its records until they are confirmed.

    What listens and what watches may call at the same time; calls are done one after the other, so
    that what is just being written is not taken for missing.

    Parameters
    ----------
    identity
        Its ``hello`` must be there.
    known
        What the recorder has of this boot.
    """

    def __init__(
        self,
        identity: BoardIdentity,
        known: KnownBoot,
        recorder: Recorder,
        listener: Listener,
        clock: HostClock,
    ) -> None:
        assert identity.hello is not None
        self.hello: Hello = identity.hello
        self.identity = identity
        self.ticks = ClockMap(identity.hello.tick_hz)
        self._row = known.boot_row
        self._recorder = recorder
        self._tell = listener
        self._clock = clock
        self._tracker = SequenceTracker(known.next_expected)
        for sequence in known.stored_beyond:
            self._tracker.add(sequence)
        self._pending: dict[int, TimedRecord] = {}
        self._hole_since_ns: int | None = None
        self._fresh_from = identity.hello.next_sequence
        self._unclocked: list[RawRecord] = []
        self._oldest_then: int | None = None
        self._greeted_ns = clock.monotonic_ns()
        self._over = False
        self._undated = False
        self._fed_ns: int | None = None
        # Ticks and arrival of a record just before, how far the clock had been fed then, and what
        # it said of that record.
        self._near: tuple[int, int, int, ClockReading] | None = None
        self._near_ticks = identity.hello.tick_hz * _NEAR_NS // 1_000_000_000
        self._turn = asyncio.Lock()

    @property
    def waiting(self) -> int:
        """Records known to exist that are not on disk."""
        return self._tracker.waiting

    @property
    def first_missing(self) -> int | None:
        """Where *send again* has to start, None if nothing is missing."""
        # The first thing that is not there is where the numbers stop being without a hole.
        return self._tracker.next_expected if self._tracker.waiting else None

    @property
    def waits_for_clock(self) -> bool:
        """Whether records are held back until ticks can be turned into time."""
        return bool(self._unclocked)

    @property
    def confirmable(self) -> int | None:
        """Highest sequence that may be confirmed."""
        return self._tracker.confirmable

    async def announced(self, oldest_kept: int, next_sequence: int) -> None:
        """Take note of what *hello* or *status* says is kept."""
        async with self._turn:
            await self._announced(oldest_kept, next_sequence)

    async def _announced(self, oldest_kept: int, next_sequence: int) -> None:
        self._tracker.announce(next_sequence)
        if self._unclocked:
            # What is held back for want of a clock is not lost: count when it has been taken.
            self._oldest_then = oldest_kept
            return
        lost = self._tracker.give_up_below(oldest_kept)
        if lost:
            reason = "the board's memory was full"
            await self._recorder.lost(self._row, lost, reason)
            self._tell(RecordsLost(sum(hole.count for hole in lost), reason))
        if lost or self._pending:
            await self._release()

    def is_another(self, hello: Hello) -> bool:
        """Whether a *hello* comes from another start of the board, or another board."""
        same = (hello.board_id, hello.boot_id) == (self.hello.board_id, self.hello.boot_id)
        return not same or hello.next_sequence < self._tracker.next_expected

    def is_over(self, status: Status) -> bool:
        """Whether a *status* can only come from another start of the board."""
        return status.next_sequence < self._tracker.next_expected

    async def damaged(self, sequence: int, reason: str, ask_again: bool) -> None:
        """Take note of a record that came and could not be used."""
        async with self._turn:
            if ask_again:
                self._tracker.announce(sequence + 1)
            elif not self._tracker.has(sequence):
                # The same bytes would come again: waiting for it would hold up all that follows.
                await self._recorder.lost(self._row, [Hole(sequence, sequence)], reason)
                self._tracker.add(sequence)
                self._tell(RecordsLost(1, reason))
                await self._release()

    async def take(self, raws: Sequence[RawRecord]) -> None:
        """Write what is new to disk, then hand on what is in order.

        Records that come before the board's clock is known are held until it is: what was kept
        on the board may be hours old, and only the clock can say so.
        """
        async with self._turn:
            await self._take(raws)

    async def finish(self) -> None:
        """Write and hand on all that came, as well as can be: the board has started again.

        It has forgotten what it did not send. What came and still waits, for its clock or for
        a record before it, is nowhere else.
        """
        async with self._turn:
            self._over = True
            await self._take(())
            await self._release(past_holes=True)

    async def end(self) -> None:
        """Write what still waits for its clock: the link is gone, and maybe the board with it.

        What waits behind a hole is on disk already, and whoever comes next takes it from there.
        """
        async with self._turn:
            self._over = True
            await self._take(())

    async def _take(self, raws: Sequence[RawRecord]) -> None:
        self._unclocked += raws
        if not self.clock_known:
            return
        raws, self._unclocked = self._unclocked, []
        if raws and not self.ticks.known:
            self._feed_first(raws)
        new: dict[int, TimedRecord] = {}
        for raw in raws:
            record = self._timed(raw)
            if record is None:
                continue
            if not self._tracker.has(record.sequence):
                new[record.sequence] = record
        if new:
            # All that waits for nothing once these are on disk.
            limit = self._tracker.expected_with(new)
            waiting = self._pending | new
            in_order = [waiting[sequence] for sequence in sorted(waiting) if sequence < limit]
            await self._recorder.store(self._row, list(new.values()), in_order)
            self._tracker.add_all(new)
            self._pending = {s: record for s, record in waiting.items() if s >= limit}
        if self._oldest_then is not None:
            oldest, self._oldest_then = self._oldest_then, None
            await self._announced(oldest, oldest)

    @property
    def clock_known(self) -> bool:
        """Whether ticks can be turned into time, well or (after a while) as well as can be."""
        late = self._clock.monotonic_ns() - self._greeted_ns > _CLOCK_WAIT_NS
        return late or self._over or self.ticks.known

    def waits_behind_hole(self, now_ns: int, after_s: float) -> bool:
        """Whether something has waited behind a hole for longer than ``after_s``."""
        if not self._tracker.waiting:
            self._hole_since_ns = None
            return False
        if self._hole_since_ns is None:
            self._hole_since_ns = now_ns
        return now_ns - self._hole_since_ns > after_s * 1e9 and bool(self._pending)

    async def release_past_holes(self) -> None:
        """Hand on what waits behind a hole.

        The hole is still asked for and nothing beyond it is confirmed: this only keeps the screen
        from standing still. What comes later is handed on late.
        """
        async with self._turn:
            await self._release(past_holes=True)

    async def _release(self, *, past_holes: bool = False) -> None:
        limit = self._tracker.next_expected
        ready = sorted(s for s in self._pending if past_holes or s < limit)
        if ready:
            await self._recorder.file(self._row, [self._pending.pop(s) for s in ready])

    def _feed_first(self, raws: Sequence[RawRecord]) -> None:
        """Begin the clock with a record, as nothing else told of it.

        One that was struck after the greeting is on time, and dates what was kept before it. Of
        kept ones alone only the order and the steps between them are known.
        """
        numbered = [raw for raw in raws if raw.record.sequence is not None]
        fresh = [raw for raw in numbered if (raw.record.sequence or 0) >= self._fresh_from]
        for first in (fresh or numbered)[:1]:
            self.ticks.feed(moment_ticks(first.record), first.arrival_ns)
            self._fed_ns = first.arrival_ns
        if numbered and not fresh:
            self._undated = True
            self._tell(RecordsUndated(len(numbered)))

    def _timed(self, raw: RawRecord) -> TimedRecord | None:
        record = raw.record
        sequence = record.sequence
        if sequence is None:
            return None
        ticks = moment_ticks(record)
        # What was kept and is sent again says nothing of how late messages are.
        due = self._fed_ns is None or raw.arrival_ns - self._fed_ns >= _FEED_EVERY_NS
        if due and (sequence >= self._fresh_from or not self.ticks.known):
            self.ticks.feed(ticks, raw.arrival_ns)
            self._fed_ns = raw.arrival_ns
        host_ns, u_ns = self._struck_at(ticks, raw.arrival_ns)
        if self._undated and sequence < self._fresh_from:
            # Kept for who knows how long: anything up to a wrap of the counter.
            u_ns = max(u_ns, TICK_RANGE * 1_000_000_000 // self.hello.tick_hz // 2)
        return TimedRecord(sequence, raw, self._clock.utc_from_monotonic(host_ns), u_ns)

    def _struck_at(self, ticks: int, arrival_ns: int) -> tuple[int, int]:
        """Host time of ticks and its standard uncertainty, from the record before if that is near.

        Records of one contact come milliseconds after each other, on one and the same line.
        """
        if self._near is not None:
            near_ticks, near_ns, fed, struck = self._near
            later = (ticks - near_ticks) % TICK_RANGE
            same_line = fed == self.ticks.fed and later < self._near_ticks
            if same_line and 0 <= arrival_ns - near_ns < _NEAR_NS:
                ahead_ns = round(later * struck.ns_per_tick)
                return struck.host_ns + ahead_ns, struck.uncertainty_ns // 2
        found = read_clock(self.ticks, ticks, arrival_ns, self.hello.tick_hz)
        if found is None:
            return arrival_ns, ARRIVAL_U_NS
        self._near = ticks, arrival_ns, self.ticks.fed, found
        return found.host_ns, found.uncertainty_ns // 2


async def begin_boot(
    recorder: Recorder, identity: BoardIdentity, hello: Hello
) -> tuple[BoardIdentity, KnownBoot]:
    """Remember this start of the board, under a name that no other start has.

    A board that cannot count its starts uses one boot id over and over. Its numbers going
    back shows it: without a name of its own, a new record would pass for an old one.
    """
    first_key = identity.boot_key
    known = await recorder.begin_boot(identity)
    # The latest of its starts goes on, or a new one begins; never an earlier one.
    restarts = known.later_starts
    while True:
        if restarts:
            identity = replace(identity, boot_key=f"{first_key}~{restarts}")
            known = await recorder.begin_boot(identity)
        highest = max(known.stored_beyond, default=known.next_expected - 1)
        if highest < hello.next_sequence:
            return identity, known
        restarts += 1


def read_clock(clock: ClockMap, ticks: int, arrival_ns: int, tick_hz: int) -> ClockReading | None:
    """Host time of ticks; None as long as nothing is known.

    Nothing arrives before it was struck, so what the board kept is dated rightly up to one whole
    wrap of its counter (71 minutes at 1 MHz).
    """
    struck = clock.to_host_ns(ticks, arrival_ns)
    if struck is not None and struck.host_ns > arrival_ns + _AHEAD_NS:
        struck = clock.to_host_ns(ticks, arrival_ns - TICK_RANGE * 1_000_000_000 // tick_hz)
    return struck


def struck_at(clock: ClockMap, ticks: int, arrival_ns: int, tick_hz: int) -> tuple[int, int]:
    """Host time of ticks and its standard uncertainty; the arrival as long as nothing is known."""
    struck = read_clock(clock, ticks, arrival_ns, tick_hz)
    if struck is None:
        return arrival_ns, ARRIVAL_U_NS
    # The clock gives the half width of a 95 % interval.
    return struck.host_ns, struck.uncertainty_ns // 2


def moment_ticks(record: Record) -> int:
    """Tick that stands for a record: of its last scan if it is a strike."""
    if isinstance(record, Strike):
        return int(record.scan_ticks[-1])
    assert record.ticks is not None
    return record.ticks
