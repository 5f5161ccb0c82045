"""A board over Bluetooth LE: the service of ``firmware_notes/ble.md``, by way of bleak.

bleak is imported only when a link opens, on the Bluetooth loop.
"""

from __future__ import annotations

import asyncio
from collections import deque
from typing import TYPE_CHECKING

from logger.errors import LinkClosedError, LinkOpenError
from logger.links.base import Chunk
from logger.links.ble_find import BoardFinder
from logger.links.ble_session import BleSession, BleSettings
from logger.links.ble_thread import BLUETOOTH, BluetoothThread

if TYPE_CHECKING:
    from collections.abc import Callable


class Arrivals:
    """Keeps the promises of `Link.read` for a link whose bytes come by callback.

    All calls are made on one event loop.

    Parameters
    ----------
    url
        For messages.
    most_bytes
        A link whose bytes nobody reads ends when this many wait: memory is not without end, and the
        board keeps what was not confirmed.
    """

    def __init__(self, url: str, most_bytes: int) -> None:
        self._url = url
        self._most_bytes = most_bytes
        self._bytes = 0
        self._chunks: deque[Chunk] = deque()
        self._waiter: asyncio.Future[None] | None = None
        self._open = False
        self.closed = False
        self.ended: LinkClosedError | None = None
        """Why nothing more comes; None while something may."""

    def opened(self) -> None:
        """Allow reading."""
        self._open = True

    def put(self, chunk: Chunk) -> None:
        """Take what came."""
        if self.ended is not None or not chunk.data:
            return
        self._chunks.append(chunk)
        self._bytes += len(chunk.data)
        if self._bytes > self._most_bytes:
            self.end(LinkClosedError(f"{self._url}: bytes come faster than they can be stored"))
        self._wake()

    def end(self, error: LinkClosedError) -> None:
        """Note that nothing more comes; the first reason counts."""
        self.ended = self.ended or error
        self._wake()

    def close(self) -> None:
        """End reading at once."""
        self.closed = True
        self._wake()

    async def read(self) -> Chunk:
        """Return the next chunk; see `Link.read`."""
        if self._waiter is not None:
            raise RuntimeError("one read at a time")
        while True:
            if self.closed:
                raise LinkClosedError(f"the link to {self._url} was closed")
            if self._chunks:
                chunk = self._chunks.popleft()
                self._bytes -= len(chunk.data)
                return chunk
            if self.ended is not None:
                raise LinkClosedError(str(self.ended)) from self.ended
            if not self._open:
                raise LinkClosedError(f"the link to {self._url} is not open")
            self._waiter = asyncio.get_running_loop().create_future()
            try:
                await self._waiter
            finally:
                self._waiter = None

    def _wake(self) -> None:
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)


# Minutes of the fastest that a radio brings.
_MAX_WAITING_BYTES = 4_194_304


class BleLink:
    """A `Link` over Bluetooth LE.

    Parameters
    ----------
    finder
        Says which board; shared by the links that follow each other to the same board.
    settings
        How to reach it.
    """

    def __init__(
        self,
        finder: BoardFinder,
        settings: BleSettings | None = None,
        thread: BluetoothThread = BLUETOOTH,
    ) -> None:
        self._finder = finder
        self._settings = settings or BleSettings()
        self._thread = thread
        self._arrivals = Arrivals(self.url, _MAX_WAITING_BYTES)
        self._session: BleSession | None = None
        self._close_task: asyncio.Task[None] | None = None

    @property
    def url(self) -> str:
        """What a person would type to get this link again."""
        return f"ble://{self._finder.target}"

    async def open(self) -> None:
        """Find the board, connect and subscribe; see `Link.open`."""
        if self._session is not None or self._arrivals.closed:
            raise LinkOpenError(f"the link to {self.url} was used before; make a new one")
        here = asyncio.get_running_loop()

        def pass_on(taken: Callable[..., None], what: Chunk | LinkClosedError) -> None:
            try:
                here.call_soon_threadsafe(taken, what)
            except RuntimeError:
                # The event loop ended without closing the link; nobody else will do it.
                self._thread.post(session.close())

        session = self._session = BleSession(
            self._finder,
            self.url,
            self._settings,
            lambda chunk: pass_on(self._arrivals.put, chunk),
            lambda error: pass_on(self._arrivals.end, error),
        )
        try:
            await self._thread.run(session.open())
        except asyncio.CancelledError:
            await asyncio.shield(self._thread.run(session.close()))
            raise
        if self._arrivals.closed:
            raise LinkOpenError(f"the link to {self.url} was closed while it was opening")
        self._arrivals.opened()

    async def read(self) -> Chunk:
        """Wait for a notification; see `Link.read`."""
        return await self._arrivals.read()

    async def write(self, data: bytes) -> None:
        """Send all of ``data``; see `Link.write`."""
        if self._arrivals.closed or self._session is None:
            raise LinkClosedError(f"the link to {self.url} is not open")
        if self._arrivals.ended is not None:
            raise LinkClosedError(str(self._arrivals.ended)) from self._arrivals.ended
        # Half a frame on the air would spoil the next one too, so a write goes on if its caller
        # no longer waits.
        await asyncio.shield(self._thread.run(self._session.write(bytes(data))))

    async def close(self) -> None:
        """Close; see `Link.close`. The thread stays: it is the program's."""
        self._arrivals.close()
        if self._session is None:
            return
        if self._close_task is None:
            closing = self._thread.run(self._session.close())
            self._close_task = asyncio.get_running_loop().create_task(closing)
        await asyncio.shield(self._close_task)
