"""One connection to a board for the bench: every record is stored as it comes, then looked at."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress

from logger.bench.recorder import BenchRecorder
from logger.collector.connection import BoardConnection
from logger.collector.recording import (
    BoardIdentity,
    CollectorEvent,
    Greeted,
    LineTrouble,
    TimedRecord,
)
from logger.collector.settings import ConnectionSettings
from logger.errors import LieboardError, LinkClosedError, LinkTimeoutError
from logger.hostclock import HostClock
from logger.links.base import Chunk, Link
from logger.links.open import link_from_url
from logger.links.replay import ReplayLink
from logger.protocol.clock import ClockMap
from logger.protocol.decoding import DamageKind, Decoder
from logger.protocol.framing import Frame, FrameDecoder, encode_frame
from logger.protocol.records import (
    Ability,
    AskClock,
    ClockReply,
    Hello,
    HostMessage,
    RawRecord,
    Reading,
    SetTrigger,
    Status,
)
from logger.protocol.wire import encode, parse
from logger.session.logging.agreed import BoardGate, need_agreement
from logger.store.store import Store


class TappedLink:
    """Another link, with a decoder of its own beside the collector's.

    Parameters
    ----------
    link
        Open.
    now_ns
        The host's monotonic clock.
    """

    def __init__(self, link: Link, now_ns: Callable[[], int]) -> None:
        self._link = link
        self._now_ns = now_ns
        self._decoder = Decoder()
        self._said = FrameDecoder()
        self._asked_ns: dict[int, int] = {}
        self.counters = self._decoder.counters
        self.hello: Hello | None = None
        self.statuses: list[Status] = []
        self.ticks_told: list[tuple[int, float]] = []
        """What the board's clock showed when it said something, and when that came, seconds."""
        self.clock: ClockMap | None = None
        self.boots = 0
        """How often a board greeted under a new boot id."""

    @property
    def url(self) -> str:
        """What a person would type to get this link again."""
        return self._link.url

    async def open(self) -> None:
        """Open the way to the board; see `Link.open`."""
        await self._link.open()

    async def read(self) -> Chunk:
        """Return what came; see `Link.read`."""
        chunk = await self._link.read()
        for item in self._decoder.feed(chunk.data, chunk.arrival_ns):
            if isinstance(item, Hello):
                self._greet(item)
            elif isinstance(item, RawRecord):
                # A line of text is printed as it happens; other records may have been kept long.
                if self.hello is None and isinstance(item.record, Reading):
                    self._note_ticks(item.record.ticks, chunk.arrival_ns)
            elif isinstance(item, Status):
                self.statuses.append(item)
                self._note_ticks(item.ticks, chunk.arrival_ns)
                if self.clock is not None:
                    self.clock.feed(item.ticks, chunk.arrival_ns)
            elif isinstance(item, ClockReply):
                asked_ns = self._asked_ns.pop(item.token, None)
                if asked_ns is not None and self.clock is not None:
                    self.clock.feed_exchange(
                        asked_ns, item.received_ticks, item.sent_ticks, chunk.arrival_ns
                    )
        return chunk

    def _note_ticks(self, ticks: int | None, arrival_ns: int) -> None:
        if ticks is not None:
            self.ticks_told.append((ticks, arrival_ns / 1e9))

    async def write(self, data: bytes) -> None:
        """Send; see `Link.write`."""
        self.note_sent(Chunk(data, self._now_ns()))
        await self._link.write(data)

    async def say(self, message: HostMessage) -> None:
        """Send a message of the bench's own."""
        await self.write(encode_frame(encode(message)))

    async def close(self) -> None:
        """Close; see `Link.close`."""
        await self._link.close()

    def note_sent(self, chunk: Chunk) -> None:
        """Take note of when the clock was asked for."""
        for piece in self._said.feed(chunk.data):
            if isinstance(piece, Frame):
                message = parse(piece.body)
                if isinstance(message, AskClock):
                    self._asked_ns[message.token] = chunk.arrival_ns

    def _greet(self, hello: Hello) -> None:
        same = self.hello is not None and (self.hello.board_id, self.hello.boot_id) == (
            hello.board_id,
            hello.boot_id,
        )
        self.hello = hello
        if not same:
            self.boots += 1
            self.statuses.clear()
            self.ticks_told.clear()
            self.clock = ClockMap(hello.tick_hz)


_STATUS_S = 3.0
_LOOK_EVERY_S = 0.05


class BoardBench:
    """What comes from a board, kept in the data file and at hand; made by `open_bench`."""

    def __init__(
        self,
        recorder_store: Store,
        tap: TappedLink,
        clock: HostClock,
        *,
        replaying: bool,
        gate: BoardGate | None = None,
    ) -> None:
        self.tap = tap
        self.clock = clock
        self.replaying = replaying
        self.records: list[TimedRecord] = []
        """What was struck since the board greeted, in the order of the numbers."""
        self.identity: BoardIdentity | None = None
        self.damage: Counter[DamageKind] = Counter()
        self.recorder = BenchRecorder(
            recorder_store, clock, self.records.extend, all_are_new=replaying, gate=gate
        )
        self._frames_before = (0, 0)
        self._task: asyncio.Task[None] | None = None

    def start(self, connection: BoardConnection) -> None:
        """Run the connection beside whoever uses the bench."""
        self._task = asyncio.create_task(connection.run())

    def heard(self, event: CollectorEvent) -> None:
        """Take note of what the connection tells."""
        if isinstance(event, Greeted):
            self.identity = event.identity
            # What a port holds from before the greeting is no fault of the line.
            self._frames_before = (self.tap.counters.frames, self._bad_frames())
            self.damage.clear()
        elif isinstance(event, LineTrouble):
            self.damage[event.damage.kind] += 1

    # -- facts ------------------------------------------------------------------------------

    @property
    def hello(self) -> Hello | None:
        """The latest *hello*; None for a board that speaks text."""
        return self.tap.hello

    @property
    def sends_scans(self) -> bool:
        """Whether the cells themselves can be looked at."""
        return self.hello is not None and Ability.STRIKE_SCANS in self.hello.abilities

    @property
    def trigger_level(self) -> int:
        """Trigger in force, counts above rest."""
        if self.tap.statuses:
            return self.tap.statuses[-1].trigger_level
        return 0 if self.hello is None else self.hello.trigger_level

    @property
    def frames(self) -> tuple[int, int]:
        """Whole and damaged frames since the board greeted."""
        whole, bad = self._frames_before
        return self.tap.counters.frames - whole, self._bad_frames() - bad

    def _bad_frames(self) -> int:
        return sum(self.tap.counters.bad_frames.values())

    # -- waiting ----------------------------------------------------------------------------

    @property
    def over(self) -> bool:
        """Whether a capture was played to its end."""
        return self._task is not None and self._task.done()

    async def wait(self, seconds: float, until: Callable[[], bool] = lambda: False) -> bool:
        """Wait until something is so, for at most so long; return whether it is.

        A capture is waited for to its end.

        Raises
        ------
        LieboardError
            What ended the connection.
        """
        loop = asyncio.get_running_loop()
        end = loop.time() + seconds
        assert self._task is not None
        while not until():
            left = end - loop.time()
            if self._task.done():
                self._raise_what_ended_it()
                return until()
            if left <= 0 and not self.replaying:
                return False
            await asyncio.wait({self._task}, timeout=_LOOK_EVERY_S)
        return True

    def _raise_what_ended_it(self) -> None:
        assert self._task is not None
        error = self._task.exception()
        if error is not None and not (self.replaying and isinstance(error, LinkClosedError)):
            raise error

    async def greeting(self, seconds: float) -> BoardIdentity | None:
        """Wait until the board said who it is; None if it has not."""
        await self.wait(seconds, lambda: self.identity is not None)
        return self.identity

    async def require_greeting(self, seconds: float, say: Callable[[str], None]) -> BoardIdentity:
        """Wait for the board; a board that speaks text says nothing until it is pressed.

        Raises
        ------
        LinkTimeoutError
            If nothing came.
        """
        early = min(seconds, 4.0)
        identity = await self.greeting(early)
        if identity is None and not self.over:
            say("Nothing from the board yet. If it speaks text, press the strip once.")
            identity = await self.greeting(seconds - early)
        if identity is None:
            raise LinkTimeoutError(
                f"{self.tap.url}: no board answered. Check that this is its port, its supply and "
                "cable, and that --baud is its baud rate"
            )
        return identity

    async def next_records(self, seen: int, seconds: float) -> Sequence[TimedRecord]:
        """Wait for records beyond the first ``seen``; return those."""
        await self.wait(seconds, lambda: len(self.records) > seen)
        return self.records[seen:]

    async def set_trigger(self, level: int) -> int | None:
        """Ask for a trigger level; return the one then in force, None if the board is silent."""
        before = len(self.tap.statuses)
        await self.tap.say(SetTrigger(level))

        def answered() -> bool:
            # One status may have been under way before the question was heard.
            return len(self.tap.statuses) > before + 1 or any(
                status.trigger_level == level for status in self.tap.statuses[before:]
            )

        await self.wait(_STATUS_S, answered)
        new: list[Status] = self.tap.statuses[before:]
        return new[-1].trigger_level if new else None

    async def close(self) -> None:
        """End the connection."""
        if self._task is not None:
            self._task.cancel()
            with suppress(asyncio.CancelledError, LieboardError):
                await self._task


@asynccontextmanager
async def open_bench(
    store: Store, url: str, baud: int, *, accept: bool = False
) -> AsyncIterator[BoardBench]:
    """Connect to a board, or play a capture of one; with ``accept`` agree to whichever answers.

    Raises
    ------
    LieboardError
        If the link cannot be opened, or the fitter never agreed to use this board.
    """
    url, expected = need_agreement(store, url)
    link = link_from_url(url, baud)
    await link.open()
    try:
        clock = HostClock()
        replay = link if isinstance(link, ReplayLink) else None
        if replay is not None:
            played = replay
            clock = HostClock(lambda: played.now_ns, lambda: played.anchor.to_utc_ns(played.now_ns))
        tap = TappedLink(link, clock.monotonic_ns)
        gate = BoardGate(store, url, accept=accept)
        bench = BoardBench(store, tap, clock, replaying=replay is not None, gate=gate)
        agreed = ConnectionSettings(expect_board=expected)
        connection = BoardConnection(tap, bench.recorder, bench.heard, clock, agreed)
        if replay is not None:
            # A replay's questions are those of then; what is written now goes nowhere.
            def sent_then(chunk: Chunk) -> None:
                tap.note_sent(chunk)
                connection.note_sent(chunk)

            replay.on_sent = sent_then
            replay.before_step = connection.drained
        bench.start(connection)
        try:
            yield bench
        finally:
            await bench.close()
    finally:
        await link.close()
