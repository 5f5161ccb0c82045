"""Puts the collector's records into the store, off the event loop, in the order they come."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ParamSpec, TypeVar

from logger.collector.recording import BoardIdentity, KnownBoot, TimedRecord
from logger.hostclock import HostClock
from logger.protocol.sequence import Hole
from logger.session.logging.agreed import BoardGate
from logger.session.logging.fitting import FiledStrike, FittingSession
from logger.session.logging.store_thread import StoreThread

_P = ParamSpec("_P")
_T = TypeVar("_T")
# Longer than any pause within a contact.
_LONG_NS = 60_000_000_000
# A little less than a contact is given time to go on (`logger.session.logging.contacts_of`).
_QUIET_NS = 450_000_000


class SessionRecorder:
    """A `logger.collector.recording.Recorder` that files into one fitting session.

    All work on the store is done by one thread, so that the event loop never waits for the disk
    and calls keep their order.

    Parameters
    ----------
    session
        Open for writing.
    clock
        The host's clocks.
    filed
        Told of every strike, on the event loop.
    thread
        The thread of the session's store.
    may_use
        Asked before anything of a board is stored; raises if this board is not to be used here.
    gate
        Lets boards through that the fitter agreed to; None lets all through.
    """

    def __init__(
        self,
        session: FittingSession,
        clock: HostClock,
        filed: Callable[[Sequence[FiledStrike]], None],
        thread: StoreThread,
        may_use: Callable[[BoardIdentity], None] | None = None,
        gate: BoardGate | None = None,
    ) -> None:
        self.session = session
        self._clock = clock
        self._filed = filed
        self._thread = thread
        self._may_use = may_use
        self._gate = gate
        self._latest_ns = clock.monotonic_ns()

    async def call(self, work: Callable[_P, _T], *arguments: _P.args, **named: _P.kwargs) -> _T:
        """Run something on the session in the store's thread."""
        return await self._thread.call(work, *arguments, **named)

    async def begin_boot(self, identity: BoardIdentity) -> KnownBoot:
        """Remember the board and this start of it."""
        if self._may_use is not None:
            self._may_use(identity)
        now = self._clock.utc_ns()
        if self._gate is not None:
            await self.call(self._gate.let_in, identity, now)
        known = await self.call(self.session.begin_boot, identity, now)
        # The connection before this one may have ended with records that waited behind a hole.
        self._tell(await self.call(self.session.catch_up))
        return known

    async def store(
        self,
        boot_row: int,
        records: Sequence[TimedRecord],
        in_order: Sequence[TimedRecord] = (),
    ) -> None:
        """Write records durably; work out strikes from those in order and file them."""
        session = self.session
        filed = await self._thread.both(
            lambda: session.store_records(boot_row, records),
            lambda: session.file(boot_row, in_order),
        )
        self._latest_ns = self._clock.monotonic_ns()
        self._tell(filed)

    async def file(self, boot_row: int, records: Sequence[TimedRecord]) -> None:
        """Work out strikes from stored records and file them."""
        filed = await self.call(self.session.file, boot_row, records)
        self._latest_ns = self._clock.monotonic_ns()
        self._tell(filed)

    async def lost(self, boot_row: int, holes: Sequence[Hole], reason: str) -> None:
        """Count records that will never come."""
        now = self._clock.utc_ns()
        await self.call(self.session.lost, boot_row, holes, reason, now)

    async def idle(self, *, at_end: bool = False) -> None:
        """Let contacts end that a quiet line leaves open; call it now and then, and at the end."""
        quiet = self._clock.monotonic_ns() - self._latest_ns > _QUIET_NS
        if not (at_end or (quiet and self.session.has_open_contact)):
            return
        now = self._clock.utc_ns() + (_LONG_NS if at_end else 0)
        self._tell(await self.call(self.session.idle, now))
        if at_end:
            self._tell(await self.call(self.session.catch_up))

    def _tell(self, filed: Sequence[FiledStrike]) -> None:
        if filed:
            self._filed(filed)
