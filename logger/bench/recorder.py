"""Stores what a board sends on the bench, under no session, and hands it on."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

from logger.collector.recording import BoardIdentity, KnownBoot, TimedRecord
from logger.hostclock import HostClock
from logger.protocol.sequence import Hole
from logger.session.logging.agreed import BoardGate
from logger.store.store import Store


class BenchRecorder:
    """A `logger.collector.recording.Recorder` for the bench.

    A record that is confirmed is gone from the board, so bench records are stored like all others.
    What the board still held from an open fitting session goes to that session.

    Parameters
    ----------
    store
        Stays open as long as this is used.
    clock
        The host's clocks.
    hear
        Told of each batch of new records, on the event loop.
    all_are_new
        A capture is played: nothing in it is left over from before.
    gate
        Lets boards through that the fitter agreed to; None lets all through.
    """

    def __init__(
        self,
        store: Store,
        clock: HostClock,
        hear: Callable[[Sequence[TimedRecord]], None],
        *,
        all_are_new: bool,
        gate: BoardGate | None = None,
    ) -> None:
        self._store = store
        self._clock = clock
        self._hear = hear
        self._all_are_new = all_are_new
        self._gate = gate
        self._session = None if all_are_new else store.sessions.latest_open()
        self._new_from: dict[int, int] = {}
        self.boot_row: int | None = None
        """Row of the boot that the board is in."""
        self.first_expected = 0
        """First sequence of this boot that was not on disk."""
        self.kept_before = 0
        """Records that the board held from before."""
        self.sequences: set[int] = set()
        """Numbers of this boot that are on disk since the board greeted."""
        self.losses: list[tuple[int, str]] = []
        """Records that will never come: how many, and why."""

    async def begin_boot(self, identity: BoardIdentity) -> KnownBoot:
        """Remember the board and this start of it."""
        known = await asyncio.to_thread(self._begin_boot, identity)
        hello = identity.hello
        first = 0 if hello is None or self._all_are_new else hello.next_sequence
        self._new_from[known.boot_row] = first
        if known.boot_row != self.boot_row:
            self.sequences = set(known.stored_beyond)
        self.boot_row = known.boot_row
        self.first_expected = max(known.next_expected, 0 if hello is None else hello.oldest_kept)
        self.kept_before = max(0, first - self.first_expected)
        return known

    def _begin_boot(self, identity: BoardIdentity) -> KnownBoot:
        if self._gate is not None:
            self._gate.let_in(identity, self._clock.utc_ns())
        boot = self._store.boards.remember_boot(
            board_key=identity.board_key,
            boot_key=identity.boot_key,
            name=identity.name,
            hello=identity.hello,
            seen_utc_ns=self._clock.utc_ns(),
        )
        if self._all_are_new:
            # What of a capture is in the data file already is to be looked at again all the same.
            return KnownBoot(boot, 0 if identity.hello is None else identity.hello.oldest_kept)
        last = self._store.records.last_contiguous(boot)
        next_expected = 0 if last is None else last + 1
        beyond = self._store.records.sequences_after(boot, next_expected - 1)
        return KnownBoot(boot, next_expected, beyond, self._store.boards.later_starts(boot))

    async def store(
        self,
        boot_row: int,
        records: Sequence[TimedRecord],
        in_order: Sequence[TimedRecord] = (),
    ) -> None:
        """Write records durably and hand on those in order."""
        first = self._new_from.get(boot_row, 0)
        session = self._session
        for_session = [
            r
            for r in records
            if session is not None
            and r.sequence < first
            and r.struck_utc_ns >= session.started_utc_ns
        ]
        others = [r for r in records if r not in for_session]
        await asyncio.to_thread(self._store.records.add, boot_row, others)
        if boot_row == self.boot_row:
            self.sequences.update(r.sequence for r in records)
        if session is not None and for_session:
            await asyncio.to_thread(
                self._store.records.add, boot_row, for_session, session=session.id
            )
        if in_order:
            await self.file(boot_row, in_order)

    async def file(self, boot_row: int, records: Sequence[TimedRecord]) -> None:
        """Hand on stored records, but for those from before."""
        first = self._new_from.get(boot_row, 0)
        new = [r for r in records if r.sequence >= first]
        if new:
            self._hear(new)

    async def lost(self, boot_row: int, holes: Sequence[Hole], reason: str) -> None:
        """Count records that will never come."""
        for hole in holes:
            self.losses.append((hole.count, reason))
            await asyncio.to_thread(self._note_loss, boot_row, hole, reason)

    def _note_loss(self, boot_row: int, hole: Hole, reason: str) -> None:
        self._store.records.add_loss(
            boot_row,
            count=hole.count,
            reason=reason,
            noted_utc_ns=self._clock.utc_ns(),
            from_sequence=hole.first,
            to_sequence=hole.last,
        )
