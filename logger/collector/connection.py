"""One connection to one board, used once: greet, listen, confirm, ask again.

`logger.collector.reconnect` decides whether there is a next one.
"""

from __future__ import annotations

import asyncio
import secrets
from collections import deque
from collections.abc import Coroutine, Sequence
from typing import Any

from logger.collector.boot import KeepingBoot, begin_boot
from logger.collector.lines import TextBoard
from logger.collector.recording import (
    BoardIdentity,
    BoardReport,
    Greeted,
    LineTrouble,
    Listener,
    Recorder,
)
from logger.collector.settings import ConnectionSettings, ConnectionState
from logger.errors import LinkClosedError, LinkError, LinkTimeoutError, ProtocolError
from logger.hostclock import HostClock
from logger.links.base import Chunk, Link
from logger.protocol.decoding import ENDS_WITH_CR, Damage, Decoded, Decoder, is_bad_hello
from logger.protocol.framing import Frame, FrameDecoder, encode_frame
from logger.protocol.records import (
    AskClock,
    AskHello,
    ClockReply,
    Confirm,
    Hello,
    HostMessage,
    RawRecord,
    SendAgain,
    SetTrigger,
    Status,
)
from logger.protocol.wire import encode, parse

# More than a real line brings between two looks at it.
_MUCH_BYTES = 4096
# Between two statuses no more comes from a board that sends nothing else.
_STATUS_ONLY_BYTES = 128
_OPEN_QUESTIONS = 16
# Memory that was never written, and what a board sends whose id was forgotten.
NO_IDS = ("00" * 8, "ff" * 8)


class BoardConnection:
    """Runs one connection until it ends.

    Parameters
    ----------
    link
        Open.
    recorder
        Where records go.
    listener
        Told what happens; must return at once and must not raise.
    clock
        The host's clocks.
    """

    def __init__(
        self,
        link: Link,
        recorder: Recorder,
        listener: Listener,
        clock: HostClock,
        settings: ConnectionSettings | None = None,
    ) -> None:
        self._link = link
        self._recorder = recorder
        self._tell = listener
        self._clock = clock
        self._settings = settings or ConnectionSettings()
        self._decoder = Decoder()
        self._sent_then = FrameDecoder()
        # What was read and not taken yet, and what tells of it.
        self._queue: deque[tuple[Decoded, int]] = deque()
        self._news = asyncio.Event()
        self._taken = asyncio.Event()
        self._taking = False
        self._state = ConnectionState.GREETING
        self._boot: KeepingBoot | None = None
        self._text: TextBoard | None = None
        self._before_hello: list[RawRecord] = []
        self._left_out = 0
        self._asked_clock: dict[int, int] = {}
        self._exchanges = 0
        self._bytes_in = 0
        self._good = 0
        self._first_bytes_ns: int | None = None
        self._heard_ns = 0
        self._asked_again: tuple[int, int] | None = None
        self._confirmed: int | None = None
        # When a board that was greeted was asked who it is, until it says so.
        self._asked_hello_ns: int | None = None
        # What was missing at a status, how many bytes had come by then, and when that was.
        self._missing_then: tuple[int, int, int] | None = None

    @property
    def in_hand(self) -> bool:
        """Whether something was read that is not on disk yet."""
        return self._taking or bool(self._queue)

    @property
    def state(self) -> ConnectionState:
        """Where the connection stands."""
        return self._state

    async def run(self) -> None:
        """Run until the link closes or something fatal happens; the link is closed then.

        Raises
        ------
        LinkError
            The link is gone, or has gone quiet.
        ProtocolError
            What speaks there is no board of this protocol.
        StoreError
            The recorder could not write; nothing unwritten was confirmed.
        """
        try:
            self._heard_ns = self._clock.monotonic_ns()
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._read())
                tasks.create_task(self._work())
                tasks.create_task(self._watch())
        except BaseExceptionGroup as group:
            error = first_fatal(group)
            if isinstance(error, LinkError):
                await self._write_held()
            raise error from None
        finally:
            self._state = ConnectionState.CLOSED
            await self._link.close()

    @property
    def left_out(self) -> int:
        """Records that came and could not be stored, as no hello said whose they are."""
        return self._left_out + (len(self._before_hello) if self._boot is None else 0)

    async def drained(self) -> None:
        """Return when all that was read is taken."""
        while self.in_hand:
            self._taken.clear()
            await self._taken.wait()

    def note_sent(self, chunk: Chunk) -> None:
        """Take note of what a host said when a capture was recorded.

        A replay asks nothing of its own: the answers in it belong to the questions of then.
        """
        for piece in self._sent_then.feed(chunk.data):
            if isinstance(piece, Frame):
                message = parse(piece.body)
                if isinstance(message, AskClock):
                    self._note_asked(message.token, chunk.arrival_ns)

    async def _read(self) -> None:
        since_turn = 0
        try:
            while True:
                chunk = await self._link.read()
                if self._first_bytes_ns is None:
                    self._first_bytes_ns = self._clock.monotonic_ns()
                self._bytes_in += len(chunk.data)
                self._heard_ns = chunk.arrival_ns
                items = self._decoder.feed(chunk.data, chunk.arrival_ns)
                if items:
                    # Here, not when it is taken: bytes and what they say are judged together.
                    self._good += sum(not isinstance(item, Damage) for item in items)
                    self._queue += [(item, chunk.arrival_ns) for item in items]
                    self._news.set()
                while len(self._queue) > self._settings.queue_items:
                    self._taken.clear()
                    await self._taken.wait()
                since_turn += len(chunk.data)
                if since_turn > _MUCH_BYTES:
                    # A board that floods the line, in pieces of any size, must let the others
                    # have their turn, and the watch too: what has come already is read at once.
                    since_turn = 0
                    await asyncio.sleep(0)
        except LinkClosedError:
            # What was read before the drop must reach the disk before the connection ends.
            await self.drained()
            raise

    async def _write_held(self) -> None:
        """Write what was held back, for a hello or for the clock, as well as can be.

        A board whose cable was pulled may not have it any more.
        """
        if self._boot is None:
            return
        # Very likely of the start that was greeted.
        held, self._before_hello = self._before_hello, []
        await to_its_end(self._boot.take(held))
        await to_its_end(self._boot.end())

    async def _work(self) -> None:
        loop = asyncio.get_running_loop()
        most = self._settings.batch_records
        begun_s = -self._settings.gather_s
        while True:
            await self._news.wait()
            pause_s = begun_s + self._settings.gather_s - loop.time()
            # The clock of a replay stands still until what was read is taken.
            if pause_s > 0 and not self._settings.replayed:
                await asyncio.sleep(pause_s)
            begun_s = loop.time()
            batch = [self._queue.popleft() for _ in range(min(most, len(self._queue)))]
            if not self._queue:
                self._news.clear()
            self._taking = True
            try:
                await to_its_end(self._take(batch))
            except LinkClosedError:
                # Saying something back failed; reading on finds the end of the link, and what
                # was read before it still goes to disk.
                pass
            finally:
                self._taking = False
                self._taken.set()

    async def _take(self, batch: Sequence[tuple[Decoded, int]]) -> None:
        records: list[RawRecord] = []
        for item, arrival_ns in batch:
            if isinstance(item, Damage):
                if is_bad_hello(item):
                    raise ProtocolError(
                        f"{self._link.url}: the board's {item.reason}. Nothing of it was stored: "
                        "mend its firmware (firmware_notes/wire.md, 2.4)"
                    )
                self._tell(LineTrouble(item))
                if self._boot is not None and item.sequence is not None:
                    await self._boot.damaged(item.sequence, item.reason, item.ask_again)
                continue
            if isinstance(item, RawRecord):
                records.append(item)
                continue
            # Records before a hello belong to the boot that was before it.
            await self._take_records(records)
            records = []
            if isinstance(item, Hello):
                await self._greet(item)
            elif isinstance(item, Status):
                await self._take_status(item, arrival_ns)
            else:
                await self._take_clock_reply(item, arrival_ns)
        await self._take_records(records)
        await self._confirm()

    async def _greet(self, hello: Hello) -> None:
        if hello.board_id in NO_IDS:
            raise ProtocolError(
                f"{self._link.url}: the board calls itself {hello.board_id}, which is no id: two "
                "such boards would pass for one. Give it an id of its own (make flash BOARD_ID=...)"
            )
        expected = self._settings.expect_board
        if expected is not None and hello.board_id != expected:
            raise ProtocolError(
                f"{self._link.url} is board {hello.board_id} ({hello.name}) and not the agreed "
                f"{expected}: nothing of it was stored"
            )
        self._asked_hello_ns = None
        held, self._before_hello = self._before_hello, []
        boot = self._boot
        is_new = boot is None or boot.is_another(hello)
        if boot is not None and is_new:
            # What this start cannot have made is of the one before; the rest it sends again.
            first = hello.next_sequence
            await boot.take([raw for raw in held if (raw.record.sequence or 0) >= first])
            await boot.finish()
            held = []
        if boot is None or is_new:
            name = hello.name or f"board {hello.board_id[-4:]}"
            identity = BoardIdentity(hello.board_id, f"{hello.boot_id:08x}", name, hello)
            identity, known = await begin_boot(self._recorder, identity, hello)
            boot = KeepingBoot(identity, known, self._recorder, self._tell, self._clock)
            self._boot = boot
            self._exchanges = 0
            self._confirmed = None
            self._asked_again = self._missing_then = None
            self._state = ConnectionState.STREAMING
        await boot.take(held)
        await boot.announced(hello.oldest_kept, hello.next_sequence)
        if is_new:
            self._tell(Greeted(boot.identity, boot.waiting))
            if self._settings.trigger_level is not None:
                await self._send(SetTrigger(self._settings.trigger_level))
            # A board that starts (opening a port resets many) says hello by itself and then waits
            # to be asked: what was asked before its start it never heard.
            await self._ask_hello()
            # Before the records that the board kept: their age needs the clock.
            await self._ask_clock()
        await self._ask_again(boot)

    async def _take_status(self, status: Status, arrival_ns: int) -> None:
        boot = self._boot
        # Until it has said who it is now, it may be speaking of another start.
        if boot is None or self._asked_hello_ns is not None:
            return
        if boot.is_over(status):
            # The hello with which the board started again never came, and until it is asked it says
            # nothing but this.
            await self._ask_hello()
            return
        boot.ticks.feed(status.ticks, arrival_ns)
        await boot.take(())
        await boot.announced(status.oldest_kept, status.next_sequence)
        self._tell(BoardReport(status, boot.waiting))
        if self._confirmed is not None and status.oldest_kept <= self._confirmed:
            # It was not heard, or not yet: said again, as nothing else may come to confirm.
            self._confirmed = None
        await self._ask_who(boot.first_missing, arrival_ns)

    async def _ask_who(self, first: int | None, now_ns: int) -> None:
        """Ask a board that sends nothing of what it was asked for who it is.

        Maybe this is another start of it, or it started and never heard that it was asked. A board
        that is just sending a long strike is left alone: it would begin it again.
        """
        then = self._missing_then
        if first is None:
            self._missing_then = None
        elif then is None or then[0] != first or self._bytes_in - then[1] >= _STATUS_ONLY_BYTES:
            self._missing_then = (first, self._bytes_in, now_ns)
        elif now_ns - then[2] >= self._settings.answers_within_s * 1e9:
            self._missing_then = None
            await self._ask_hello()

    async def _take_clock_reply(self, reply: ClockReply, arrival_ns: int) -> None:
        sent_ns = self._asked_clock.pop(reply.token, None)
        boot = self._boot
        if sent_ns is not None and boot is not None:
            boot.ticks.feed_exchange(sent_ns, reply.received_ticks, reply.sent_ticks, arrival_ns)
            await boot.take(())

    async def _take_records(self, raws: Sequence[RawRecord]) -> None:
        if not raws:
            return
        lines = [raw for raw in raws if raw.raw[0].startswith(b"LB")]
        framed = raws
        if lines:
            framed = [raw for raw in raws if not raw.raw[0].startswith(b"LB")]
            if self._text is None:
                self._text = TextBoard(self._link.url, self._recorder, self._tell, self._clock)
                self._state = ConnectionState.STREAMING
            await self._text.take(lines)
        if self._boot is not None and self._asked_hello_ns is None:
            await self._boot.take(framed)
        else:
            # Hold what came until hello says which start of the board it is from: records do not
            # tell. Bounded; what falls out is asked for again.
            held = [*self._before_hello, *framed]
            self._left_out += max(len(held) - self._settings.queue_items, 0)
            self._before_hello = held[-self._settings.queue_items :]

    async def _confirm(self) -> None:
        boot = self._boot
        if boot is None or boot.confirmable is None or boot.confirmable == self._confirmed:
            return
        self._confirmed = boot.confirmable
        await self._send(Confirm(boot.hello.boot_id, boot.confirmable))

    async def _ask_hello(self) -> None:
        """Ask a board that was greeted who it is now; what it sends meanwhile is held back."""
        # In a replay nobody answers but to what was asked then.
        if not self._settings.replayed:
            self._asked_hello_ns = self._clock.monotonic_ns()
        await self._send(AskHello())

    async def _ask_again(self, boot: KeepingBoot) -> None:
        first = boot.first_missing
        if first is None:
            self._asked_again = None
            return
        now = self._clock.monotonic_ns()
        asked = self._asked_again
        if asked is not None and asked[0] != first:
            # The board is sending what was asked for: asking in between would start it over.
            self._asked_again = (first, now)
        elif asked is None or now - asked[1] >= self._settings.ask_again_every_s * 1e9:
            self._asked_again = (first, now)
            await self._send(SendAgain(boot.hello.boot_id, first))

    async def _ask_clock(self) -> None:
        self._exchanges += 1
        if self._settings.replayed:
            # The answers in a recording belong to the questions of then.
            return
        token = secrets.randbits(32)
        self._note_asked(token, self._clock.monotonic_ns())
        await self._send(AskClock(token))

    def _note_asked(self, token: int, sent_ns: int) -> None:
        # Unanswered questions are forgotten, so that a board without a clock costs nothing.
        while len(self._asked_clock) > _OPEN_QUESTIONS:
            del self._asked_clock[next(iter(self._asked_clock))]
        self._asked_clock[token] = sent_ns

    async def _send(self, message: HostMessage) -> None:
        await self._link.write(encode_frame(encode(message)))

    async def _watch(self) -> None:
        """Ask what has to be asked again and again, and notice what has gone quiet."""
        settings = self._settings
        asked_hello_ns: int | None = None
        asked_clock_ns = 0
        listens = True
        while True:
            now = self._clock.monotonic_ns()
            boot = self._boot
            if self._clock.slept() and boot is not None:
                # The host slept and the board did not: the line through their clocks broke.
                boot.ticks.start_segment()
                self._exchanges = 0
            if boot is None and self._text is None:
                self._refuse_foreign(now)
                every_ns = settings.ask_hello_every_s * 1e9
                if asked_hello_ns is None or (listens and now - asked_hello_ns >= every_ns):
                    asked_hello_ns = now
                    try:
                        await self._send(AskHello())
                    except LinkTimeoutError:
                        # Nobody reads there. A first sketch need not, and it must not lose its line
                        # for it; nor may another device hide behind a line that is full.
                        listens = False
            if boot is not None:
                self._refuse_silence(now)
                hello_ns = self._asked_hello_ns
                if hello_ns is not None and now - hello_ns >= settings.ask_again_every_s * 1e9:
                    await self._ask_hello()
                early = self._exchanges < settings.first_exchanges
                wait_s = settings.first_exchange_every_s if early else settings.exchange_every_s
                if now - asked_clock_ns >= wait_s * 1e9:
                    asked_clock_ns = now
                    await self._ask_clock()
                if boot.waits_for_clock:
                    await to_its_end(boot.take(()))
                await self._ask_again(boot)
                if boot.waits_behind_hole(now, settings.release_after_s):
                    await to_its_end(boot.release_past_holes())
            await asyncio.sleep(0.05)

    def _refuse_foreign(self, now_ns: int) -> None:
        settings = self._settings
        # From the first bytes, not from the opening: a board that starts slowly gets its time.
        since_ns = self._first_bytes_ns
        early = since_ns is None or now_ns - since_ns < settings.foreign_after_s * 1e9
        if early or self._good or self._bytes_in < settings.foreign_bytes:
            return
        url = self._link.url
        hint = "Check that this is the board's port, and that --baud is the board's baud rate."
        if url.startswith("ble:"):
            hint = "It is no lie board, or its firmware is not done: see firmware_notes/ble.md."
        if self._decoder.lines_end_with_cr:
            hint = f"Its {ENDS_WITH_CR}."
        text = f"{url}: {self._bytes_in} bytes came and none is lie-board protocol 1. {hint}"
        raise (LinkClosedError if settings.seen_before else ProtocolError)(text)

    def _refuse_silence(self, now_ns: int) -> None:
        if now_ns - self._heard_ns > self._settings.silent_after_s * 1e9:
            raise LinkTimeoutError(
                f"{self._link.url}: nothing from the board for "
                f"{self._settings.silent_after_s:.0f} s. Check its supply and cable."
            )


async def to_its_end(work: Coroutine[Any, Any, None]) -> None:
    """Run ``work`` to its end even if the connection ends meanwhile.

    A record that is on disk must be filed too: nobody will ask for it again.
    """
    task = asyncio.ensure_future(work)
    try:
        await asyncio.shield(task)
    except asyncio.CancelledError:
        await asyncio.wait({task})
        error = None if task.cancelled() else task.exception()
        if error is not None and not isinstance(error, LinkError):
            raise error from None
        raise


def first_fatal(group: BaseExceptionGroup[BaseException]) -> BaseException:
    """Pick the error that ended a connection: one that is not a mere consequence of the end."""
    leaves: list[BaseException] = []

    def collect(error: BaseException) -> None:
        if isinstance(error, BaseExceptionGroup):
            for inner in error.exceptions:
                collect(inner)
        else:
            leaves.append(error)

    collect(group)
    causes = [error for error in leaves if not isinstance(error, LinkClosedError)]
    return (causes or leaves)[0]
