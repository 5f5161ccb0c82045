"""Logging in progress: one board, one session, until told to stop."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

from logger.collector.connection import BoardConnection
from logger.collector.reconnect import Pauses, Reach, Reconnector
from logger.collector.recording import BoardIdentity, CollectorEvent, Greeted
from logger.collector.settings import ConnectionSettings
from logger.errors import LinkClosedError, ProtocolError, StoreError
from logger.hostclock import HostClock
from logger.links.base import Chunk, Link
from logger.links.capture import CaptureWriter, RecordingLink
from logger.links.open import LinkWish, comes_back, link_maker
from logger.links.replay import ReplayLink
from logger.protocol.clock import UtcAnchor
from logger.session.logging.agreed import BoardGate
from logger.session.logging.board_news import NewsKeeper
from logger.session.logging.fitting import FiledStrike, FittingSession
from logger.session.logging.recorder import SessionRecorder
from logger.session.logging.store_thread import StoreThread

_IDLE_EVERY_S = 0.05


@dataclass(frozen=True, slots=True)
class Filed:
    """Contacts were filed."""

    strikes: Sequence[FiledStrike]


RunEvent: TypeAlias = CollectorEvent | Reach | Filed


@dataclass(frozen=True, slots=True)
class RunSettings:
    """What to log from, and how."""

    url: str
    baud: int = 115_200
    trigger_level: int | None = None
    capture_to: Path | None = None
    """Also write every byte to this file."""
    patient: bool = False
    """Wait for a board that is not there yet."""
    pair: bool = False
    """Pair with the board first (Bluetooth LE)."""
    expect_board: str | None = None
    """Board id that must be at the other end; None takes any."""
    # A strike is on the screen within two seconds of the board's coming back, also after a night.
    pauses: Pauses = field(default_factory=lambda: Pauses(first_s=0.25, longest_s=1.5))
    """How long to wait before a board that is out of reach is tried again."""
    accept: bool = False
    """Agree to the first board that answers there, if it was never used with this data file."""


class LoggingRun:
    """Connects, reconnects and files until cancelled or until the link ends for good.

    Parameters
    ----------
    session
        Open for writing; used in a thread of its own until `run` returns.
    settings
        What to log from.
    listener
        Told of everything, on the event loop; must return at once and must not raise.
    clock
        The host's clocks; a replay has the capture's.
    thread
        Shared with other runs on the same store, and left open; None makes one for this run.
    may_use
        Asked before anything of a board is stored; raises if this board is not to be used here.
    """

    def __init__(
        self,
        session: FittingSession,
        settings: RunSettings,
        listener: Callable[[RunEvent], None],
        clock: HostClock | None = None,
        *,
        thread: StoreThread | None = None,
        may_use: Callable[[BoardIdentity], None] | None = None,
    ) -> None:
        self._settings = settings
        self._listener = listener
        self._news = NewsKeeper()
        self._session = session
        self._replaying = not comes_back(settings.url)
        self._replay = _ReplayClock()
        live = clock or HostClock()
        self.clock = self._replay.host_clock() if self._replaying else live
        self._thread = thread or StoreThread(session.store)
        self._owns_thread = thread is None
        gate = BoardGate(session.store, settings.url, accept=settings.accept)
        self.recorder = SessionRecorder(
            session, self.clock, lambda some: self._tell(Filed(some)), self._thread, may_use, gate
        )
        self._seen_before = False
        self._left_out = 0
        self._reconnector: Reconnector[Link] | None = None
        self._connection: BoardConnection | None = None
        self._capture: CaptureWriter | None = None

    async def run(self) -> None:
        """Log until cancelled.

        Raises
        ------
        LieboardError
            What ended it, other than a capture's end.
        """
        with ExitStack() as stack:
            if self._owns_thread:
                stack.callback(self._thread.close)
            if self._settings.capture_to is not None:
                now_ns = self.clock.monotonic_ns()
                anchor = UtcAnchor(now_ns, self.clock.utc_from_monotonic(now_ns))
                self._capture = stack.enter_context(
                    CaptureWriter(self._settings.capture_to, self._settings.url, anchor)
                )
            settings = self._settings
            make_link = link_maker(LinkWish(settings.url, settings.baud, settings.pair))
            reconnector = self._reconnector = Reconnector(
                lambda: self._prepared(make_link()),
                self._use,
                listener=self._tell,
                pauses=settings.pauses,
                patient=settings.patient,
                once=self._replaying,
            )
            idle = asyncio.create_task(self._idle())
            connecting = asyncio.create_task(reconnector.run())
            try:
                await asyncio.wait((idle, connecting), return_when=asyncio.FIRST_COMPLETED)
                # A store that fails while the line is quiet ends the run like any other failure.
                for task in (idle, connecting):
                    if task.done():
                        await task
            except LinkClosedError as error:
                if not self._replaying:
                    raise
                if self._left_out:
                    raise ProtocolError(
                        f"{self._settings.url}: {self._left_out} records were left out, as no "
                        "hello in the recording says which board and start they are of; record "
                        "again with the board switched on after 'lieboard log' has begun"
                    ) from error
            finally:
                for task in (idle, connecting):
                    task.cancel()
                await asyncio.gather(idle, connecting, return_exceptions=True)
                await self._last_contacts()

    async def _use(self, link: Link) -> None:
        if isinstance(link, ReplayLink):
            self._replay.follow(link)
            # A capture has its own zero and its own anchor.
            self.clock.anchor_anew()
        settings = ConnectionSettings(
            trigger_level=self._settings.trigger_level,
            replayed=self._replaying,
            seen_before=self._seen_before,
            expect_board=self._settings.expect_board,
        )
        connection = BoardConnection(link, self.recorder, self._heard, self.clock, settings)
        self._connection = connection
        if isinstance(link, ReplayLink):
            link.before_step = connection.drained
        try:
            await connection.run()
        finally:
            if self._replaying and connection.left_out:
                self._left_out = connection.left_out

    def _prepared(self, link: Link) -> Link:
        if self._replaying:
            assert isinstance(link, ReplayLink)
            link.on_sent = self._sent_then
            return link
        return link if self._capture is None else RecordingLink(link, self._capture)

    def _sent_then(self, chunk: Chunk) -> None:
        if self._connection is not None:
            self._connection.note_sent(chunk)

    def _heard(self, event: CollectorEvent) -> None:
        if isinstance(event, Greeted):
            self._seen_before = True
            # A board that answers is worth coming back to at once, however often its cable fails.
            if self._reconnector is not None:
                self._reconnector.note_use()
        self._tell(event)

    def _tell(self, event: RunEvent) -> None:
        self._news.hear(event)
        self._listener(event)

    async def _write_news(self, *, at_end: bool = False) -> None:
        """Let those who look on from another program know how the board is doing."""
        # Of a replay there is no board to be had.
        if self._replaying:
            return
        news = self._news.due(self.clock.monotonic_ns(), at_end=at_end)
        if news is not None:
            note, session = self._session.store.live.note_news, self._session.row.id
            await self.recorder.call(note, session, news, told_utc_ns=self.clock.utc_ns())

    async def _idle(self) -> None:
        while True:
            await asyncio.sleep(_IDLE_EVERY_S)
            await self._write_news()
            # A line is not quiet while what it brought is still on its way to the disk: a contact
            # closed too soon has to be worked out again, which a busy program must not also do.
            if self._connection is None or not self._connection.in_hand:
                await self.recorder.idle()

    async def _last_contacts(self) -> None:
        """File a contact that was still open when the run ended."""
        try:
            await self.recorder.idle(at_end=True)
            await self._write_news(at_end=True)
        except StoreError:
            # The run already ends with an error about the same file.
            return


class _ReplayClock:
    """The clock of a capture: the time of the chunk that was read last."""

    def __init__(self) -> None:
        self._link: ReplayLink | None = None

    def follow(self, link: ReplayLink) -> None:
        self._link = link

    def host_clock(self) -> HostClock:
        return HostClock(self._now_ns, self._utc_ns)

    def _now_ns(self) -> int:
        return 0 if self._link is None else self._link.now_ns

    def _utc_ns(self) -> int:
        return 0 if self._link is None else self._link.anchor.to_utc_ns(self._link.now_ns)
