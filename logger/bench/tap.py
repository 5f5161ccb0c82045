"""A link that listens along: what a bench check wants to know and a collector need not tell."""

from __future__ import annotations

from collections.abc import Callable

from logger.links.base import Chunk, Link
from logger.protocol.clock import ClockMap
from logger.protocol.decoding import Decoder
from logger.protocol.framing import Frame, FrameDecoder, encode_frame
from logger.protocol.records import AskClock, ClockReply, Hello, HostMessage, Status
from logger.protocol.wire import encode, parse


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
            elif isinstance(item, Status):
                self.statuses.append(item)
                if self.clock is not None:
                    self.clock.feed(item.ticks, chunk.arrival_ns)
            elif isinstance(item, ClockReply):
                asked_ns = self._asked_ns.pop(item.token, None)
                if asked_ns is not None and self.clock is not None:
                    self.clock.feed_exchange(
                        asked_ns, item.received_ticks, item.sent_ticks, chunk.arrival_ns
                    )
        return chunk

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
            self.clock = ClockMap(hello.tick_hz)
