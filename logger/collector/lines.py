"""A board that speaks text: it keeps nothing, so lines are numbered and written as they come."""

from __future__ import annotations

import secrets
from collections.abc import Sequence

from logger.collector.boot import ARRIVAL_U_NS, struck_at
from logger.collector.recording import (
    BoardIdentity,
    Greeted,
    Listener,
    Recorder,
    RecordsLost,
    TimedRecord,
)
from logger.hostclock import HostClock
from logger.protocol.clock import ClockMap
from logger.protocol.records import Button, RawRecord, Reading
from logger.protocol.sequence import Hole

_TEXT_TICK_HZ = 1_000_000


class TextBoard:
    """Numbers, times and records lines of text."""

    def __init__(self, url: str, recorder: Recorder, listener: Listener, clock: HostClock) -> None:
        self._url = url
        self._recorder = recorder
        self._tell = listener
        self._clock = clock
        self._row: int | None = None
        self._next = 0
        self._ticks = ClockMap(_TEXT_TICK_HZ)

    async def take(self, raws: Sequence[RawRecord]) -> None:
        """Write lines to disk and hand them on, in the order they came."""
        timed: list[TimedRecord] = []
        for raw in raws:
            record = raw.record
            assert isinstance(record, Reading | Button)
            if self._row is None or (record.sequence is not None and record.sequence < self._next):
                # A number that goes back is a sketch that started again.
                await self._write(timed)
                timed = []
                await self._begin(record)
            sequence = self._next if record.sequence is None else record.sequence
            if sequence > self._next:
                await self._lose(Hole(self._next, sequence - 1))
            self._next = sequence + 1
            timed.append(self._timed(sequence, raw, record))
        await self._write(timed)

    async def _begin(self, record: Reading | Button) -> None:
        label = record.board_name or self._url
        identity = BoardIdentity(f"text:{label}", secrets.token_hex(8), label, None)
        self._row = (await self._recorder.begin_boot(identity)).boot_row
        self._next = record.sequence or 0
        self._ticks = ClockMap(_TEXT_TICK_HZ)
        self._tell(Greeted(identity, 0))

    async def _write(self, timed: Sequence[TimedRecord]) -> None:
        if timed and self._row is not None:
            await self._recorder.store(self._row, timed, timed)

    async def _lose(self, hole: Hole) -> None:
        assert self._row is not None
        reason = "lines were lost on the way"
        await self._recorder.lost(self._row, [hole], reason)
        self._tell(RecordsLost(hole.count, reason))

    def _timed(self, sequence: int, raw: RawRecord, record: Reading | Button) -> TimedRecord:
        host_ns, u_ns = raw.arrival_ns, ARRIVAL_U_NS
        if record.ticks is not None:
            self._ticks.feed(record.ticks, raw.arrival_ns)
            host_ns, u_ns = struck_at(self._ticks, record.ticks, raw.arrival_ns, _TEXT_TICK_HZ)
        return TimedRecord(sequence, raw, self._clock.utc_from_monotonic(host_ns), u_ns)
