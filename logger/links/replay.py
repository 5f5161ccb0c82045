"""A capture file in place of a board."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import LinkClosedError, LinkOpenError, StoreError, UsageError
from logger.links.base import Chunk
from logger.links.capture import UTC_NS, CaptureReader, RecordKind

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from logger.protocol.clock import UtcAnchor

# What a live connection gathers before it writes.
_STEP_NS = 15_000_000


class ReplayLink:
    """A `Link` that plays a capture: the same bytes, cut the same way, with the times of then.

    Parameters
    ----------
    path : Path
        Capture file.
    speed : float
        1 = as fast as it was, 10 = ten times that, 0 = as fast as possible.
    on_sent : callable, optional
        Gets each chunk that the host sent then, in its place among the board's, with the time it
        was sent. Someone who wants the questions to the answers needs it; what is written to this
        link now goes nowhere.
    """

    def __init__(
        self, path: Path, speed: float = 0.0, on_sent: Callable[[Chunk], None] | None = None
    ) -> None:
        if not 0 <= speed < float("inf"):
            raise UsageError("the speed of a replay must be 0 (as fast as possible) or above")
        self._path = path
        self._speed = speed
        self.on_sent = on_sent
        self.before_step: Callable[[], Awaitable[None]] | None = None
        """Waited for before the clock of then steps on: a reader that is still at work on what
        came before would take it for late."""
        self._reader: CaptureReader | None = None
        self._closed = asyncio.Event()
        self._start: tuple[int, float] | None = None
        self._due: Chunk | None = None
        self._last_ns: int | None = None
        self._stepped_ns = -(1 << 63)
        self._connections = 0
        self._end: str | None = None

    @property
    def url(self) -> str:
        """The ``capture:`` URL of this file."""
        return f"capture:{self._path}" + (f"?speed={self._speed:g}" if self._speed else "")

    @property
    def path(self) -> Path:
        """The capture file."""
        return self._path

    @property
    def anchor(self) -> UtcAnchor:
        """Turns the arrival times of the chunks into UTC; there once the link was opened."""
        if self._reader is None:
            raise LinkClosedError(f"the capture {self._path} is not open")
        return self._reader.anchor

    @property
    def now_ns(self) -> int:
        """Where the replay stands on the clock of then."""
        return self.anchor.monotonic_ns if self._last_ns is None else self._last_ns

    async def open(self) -> None:
        """Open the file; see `Link.open`."""
        if self._reader is not None or self._closed.is_set():
            raise LinkOpenError(f"the link to {self.url} was used before; make a new one")
        try:
            self._reader = CaptureReader(self._path)
        except StoreError as error:
            raise LinkOpenError(str(error)) from error

    async def read(self) -> Chunk:
        """Return the next chunk when its time has come; `LinkClosedError` at the end."""
        if self._reader is None or self._closed.is_set():
            raise LinkClosedError(f"the capture {self._path} is not open")
        if self._due is None:
            self._due = self._next_chunk(self._reader)
        if self._due is None:
            raise LinkClosedError(self._end or f"the capture {self._path} is at its end")
        await self._wait_until(self._due.arrival_ns)
        chunk, self._due = self._due, None
        if self.before_step is not None and chunk.arrival_ns - self._stepped_ns > _STEP_NS:
            await self.before_step()
            self._stepped_ns = chunk.arrival_ns
        self._last_ns = chunk.arrival_ns
        return chunk

    async def write(self, data: bytes) -> None:
        """Take ``data`` and drop it: the board of then does not listen."""
        if self._reader is None or self._closed.is_set():
            raise LinkClosedError(f"the capture {self._path} is not open")

    async def close(self) -> None:
        """Close the file; see `Link.close`."""
        self._closed.set()
        if self._reader is not None:
            self._reader.close()

    def _next_chunk(self, reader: CaptureReader) -> Chunk | None:
        if self._end is not None:
            return None
        try:
            for record in reader:
                if reader.anchor.to_utc_ns(record.at_ns) not in UTC_NS:
                    self._end = (
                        f"the capture {self._path} has a record that is centuries away; "
                        "what came before it is good"
                    )
                    return None
                chunk = Chunk(record.data, record.at_ns)
                if record.kind is RecordKind.FROM_BOARD:
                    return chunk
                if record.kind is RecordKind.TO_BOARD and self.on_sent is not None:
                    self.on_sent(chunk)
                if record.kind is RecordKind.OPENED:
                    self._connections += 1
                    if self._connections > 1:
                        # A frame that the earlier connection left unfinished must not swallow the
                        # first of this one; 0x00 ends any frame (firmware_notes/wire.md, 2.1).
                        return Chunk(b"\x00", record.at_ns)
        except StoreError as error:
            self._end = str(error)
            return None
        self._end = f"the capture {self._path} is at its end" + (
            ", where it was cut off" if reader.was_cut else ""
        )
        return None

    async def _wait_until(self, at_ns: int) -> None:
        wait_s = 0.0
        if self._speed:
            now_s = asyncio.get_running_loop().time()
            if self._start is None:
                self._start = (at_ns, now_s)
            first_ns, start_s = self._start
            wait_s = (at_ns - first_ns) / 1e9 / self._speed - (now_s - start_s)
        if wait_s <= 0:
            # Others get their turn even while a long file plays as fast as it can.
            await asyncio.sleep(0)
        else:
            try:
                await asyncio.wait_for(self._closed.wait(), wait_s)
            except TimeoutError:
                return
        if self._closed.is_set():
            raise LinkClosedError(f"the capture {self._path} was closed")


def capture_begin_utc_ns(url: str) -> int:
    """UTC of the moment at which the capture that ``url`` names was begun.

    Raises
    ------
    StoreError
        If it is no capture that can be read.
    """
    with CaptureReader(replay_from_url(url).path) as reader:
        return reader.anchor.utc_ns


def replay_from_url(url: str) -> ReplayLink:
    """Make the link for ``capture:PATH`` or ``capture:PATH?speed=NUMBER``."""
    rest = url.partition(":")[2]
    path, mark, speed_text = rest.rpartition("?speed=")
    if not mark:
        path, speed_text = rest, "0"
    try:
        speed = float(speed_text)
    except ValueError:
        raise UsageError(f"the speed of a replay is a number, not {speed_text!r}") from None
    if not path:
        raise UsageError("no capture given; write capture:PATH")
    return ReplayLink(Path(path), speed)
