"""Puts the collector's records into the store, off the event loop, in the order they come."""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import ParamSpec, TypeVar

from logger.collector.recording import BoardIdentity, KnownBoot, TimedRecord
from logger.hostclock import HostClock
from logger.sequence import Hole
from logger.session.fitting import FiledStrike, FittingSession

_P = ParamSpec("_P")
_T = TypeVar("_T")
# Longer than any pause within a contact.
_LONG_NS = 60_000_000_000


class SessionRecorder:
    """A `logger.collector.recording.Recorder` that files into one fitting session.

    All work on the store is done by one thread, so that the event loop never waits for the disk
    and calls keep their order. ``filed`` is told of every strike, on the event loop.
    """

    def __init__(
        self,
        session: FittingSession,
        clock: HostClock,
        filed: Callable[[Sequence[FiledStrike]], None],
    ) -> None:
        self.session = session
        self._clock = clock
        self._filed = filed
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="lieboard store")

    async def call(self, work: Callable[_P, _T], *arguments: _P.args, **named: _P.kwargs) -> _T:
        """Run something on the session in the store's thread."""
        job = functools.partial(work, *arguments, **named)
        return await asyncio.get_running_loop().run_in_executor(self._thread, job)

    async def begin_boot(self, identity: BoardIdentity) -> KnownBoot:
        """Remember the board and this start of it."""
        now = self._clock.utc_ns()
        known = await self.call(self.session.begin_boot, identity, now)
        # The connection before this one may have ended with records that waited behind a hole.
        self._tell(await self.call(self.session.catch_up))
        return known

    async def store(self, boot_row: int, records: Sequence[TimedRecord]) -> None:
        """Write records durably."""
        await self.call(self.session.store_records, boot_row, records)

    async def file(self, boot_row: int, records: Sequence[TimedRecord]) -> None:
        """Work out strikes from stored records and file them."""
        self._tell(await self.call(self.session.file, boot_row, records))

    async def lost(self, boot_row: int, holes: Sequence[Hole], reason: str) -> None:
        """Count records that will never come."""
        now = self._clock.utc_ns()
        await self.call(self.session.lost, boot_row, holes, reason, now)

    async def idle(self, *, at_end: bool = False) -> None:
        """Let contacts end that a quiet line leaves open; call it now and then, and at the end."""
        now = self._clock.utc_ns() + (_LONG_NS if at_end else 0)
        self._tell(await self.call(self.session.idle, now))
        if at_end:
            self._tell(await self.call(self.session.catch_up))

    def close(self) -> None:
        """Wait for what is still being written."""
        self._thread.shutdown(wait=True)

    def _tell(self, filed: Sequence[FiledStrike]) -> None:
        if filed:
            self._filed(filed)
