"""A board on a serial port, or on anything pyserial can reach by URL.

pyserial blocks, so a thread of the link opens, closes and writes what does not go out at once.
Bytes are stamped in a thread that reads, before the event loop has any say in when it looks: one
for all ports where the system can wait for many (`logger.links.port_watch`), else one of the link.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import threading
import time
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from logger.errors import LinkClosedError, LinkOpenError, LinkTimeoutError
from logger.links.base import Chunk
from logger.links.port_watch import WATCH
from logger.links.pyserial_port import GONE, OpenPort, SerialSettings, open_port

if TYPE_CHECKING:
    from concurrent.futures import Future

_log = logging.getLogger(__name__)

# About six minutes of a 115 200 baud line that never rests. Beyond that the reading thread
# leaves the bytes to the driver and the other end, rather than fill the memory.
_MAX_WAITING_BYTES = 4_194_304


class SerialLink:
    """A `Link` through pyserial."""

    def __init__(self, settings: SerialSettings) -> None:
        self._settings = settings
        # Of a port that is watched; never changes while it is open.
        self._fd: int | None = None
        self._writing = 0
        self._port: OpenPort | None = None
        self._worker: ThreadPoolExecutor | None = None
        self._reader: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._chunks: deque[Chunk] = deque()
        self._waiter: asyncio.Future[None] | None = None
        self._ended: LinkClosedError | None = None
        self._closing = threading.Event()
        self._close_task: asyncio.Task[None] | None = None
        self._given_back: Future[None] | None = None
        self._room = threading.Condition()
        # Between the threads, under the lock of the condition.
        self._arrived: list[Chunk] = []
        self._woken = False
        self._waiting_bytes = 0
        self._opened = False

    @property
    def url(self) -> str:
        """What a person would type to get this link again."""
        return self._settings.url

    async def open(self) -> None:
        """Open the port; see `Link.open`."""
        if self._worker is not None or self._closing.is_set():
            raise LinkOpenError(f"the link to {self.url} was used before; make a new one")
        self._loop = asyncio.get_running_loop()
        self._worker = ThreadPoolExecutor(1, thread_name_prefix=f"link-{self.url}")
        try:
            await self._loop.run_in_executor(self._worker, self._open_port)
            if self._closing.is_set():
                raise LinkOpenError(f"the link to {self.url} was closed while it was opening")
        except BaseException:
            self._closing.set()
            self._give_back()
            self._worker.shutdown(wait=False)
            raise
        self._opened = True
        if self._fd is not None:
            WATCH.add(self._fd, self)
            return
        self._reader = threading.Thread(
            target=self._read_until_gone, name=f"read-{self.url}", daemon=True
        )
        self._reader.start()

    async def read(self) -> Chunk:
        """Wait for bytes; see `Link.read`."""
        if self._waiter is not None:
            raise RuntimeError("one read at a time")
        while True:
            if self._closing.is_set():
                raise LinkClosedError(f"the link to {self.url} was closed")
            if self._chunks:
                chunk = self._chunks.popleft()
                with self._room:
                    was_full = self._waiting_bytes > _MAX_WAITING_BYTES
                    self._waiting_bytes -= len(chunk.data)
                    self._room.notify()
                if was_full and self.has_room:
                    WATCH.look_again()
                return chunk
            if self._ended is not None:
                raise LinkClosedError(str(self._ended)) from self._ended
            if not self._opened:
                raise LinkClosedError(f"the link to {self.url} is not open")
            self._waiter = asyncio.get_running_loop().create_future()
            try:
                await self._waiter
            finally:
                self._waiter = None

    async def write(self, data: bytes) -> None:
        """Send all of ``data``; see `Link.write`."""
        # Nor one that failed to open: its descriptor may be somebody else's file by now.
        if self._closing.is_set() or not self._opened:
            raise LinkClosedError(f"the link to {self.url} is not open")
        if self._ended is not None:
            raise LinkClosedError(str(self._ended)) from self._ended
        rest = self._write_at_once(data) if self._fd is not None and not self._writing else data
        if not rest:
            # Somebody who writes without end lets others have their turn all the same.
            await asyncio.sleep(0)
            return
        assert self._worker is not None
        with self._room:
            self._writing += 1
        written = self._worker.submit(self._write_to_port, bytes(rest))
        # When the thread is done with it, which may be after whoever waits for it was cancelled.
        written.add_done_callback(self._wrote)
        await asyncio.wrap_future(written)

    def _wrote(self, _written: Future[None]) -> None:
        with self._room:
            self._writing -= 1

    def _write_at_once(self, data: bytes) -> bytes:
        """Write what the port takes without waiting; return the rest.

        A confirmation is 15 bytes: handing it to another thread takes longer than writing it.
        """
        assert self._fd is not None
        try:
            return data[os.write(self._fd, data) :]
        except OSError:
            # Full, or gone: the thread finds out which.
            return data

    async def close(self) -> None:
        """Close; see `Link.close`."""
        self._closing.set()
        self._wake()
        if self._worker is None:
            return
        if self._close_task is None:
            self._close_task = asyncio.get_running_loop().create_task(self._close())
        await asyncio.shield(self._close_task)

    async def _close(self) -> None:
        with self._room:
            self._room.notify()
        # The worker may be taking it away meanwhile.
        if (port := self._port) is not None:
            port.cancel()
        await asyncio.wrap_future(self._give_back())
        if self._worker is not None:
            # It is idle by now, so this only waits for its thread to return.
            self._worker.shutdown(wait=True)

    def _give_back(self) -> Future[None]:
        # Queued behind whatever the worker does now, so a port that is still opening is closed too.
        if self._given_back is None:
            assert self._worker is not None
            self._given_back = self._worker.submit(self._close_port)
        return self._given_back

    # --- in the worker thread ---------------------------------------------------------------

    def _open_port(self) -> None:
        port = open_port(self._settings)
        self._fd = port.fd
        self._port = port

    def _write_to_port(self, data: bytes) -> None:
        if self._closing.is_set() or self._port is None:
            raise LinkClosedError(f"the link to {self.url} was closed")
        try:
            sent = self._port.write(data)
        except TimeoutError as error:
            raise LinkTimeoutError(
                f"{self.url} takes no more bytes: the board hangs or is not the one that is meant; "
                "press its reset button"
            ) from error
        except GONE as error:
            raise LinkClosedError(self._gone_text()) from error
        if sent != len(data):
            raise LinkClosedError(f"the link to {self.url} was closed while it was writing")

    def _close_port(self) -> None:
        if self._fd is not None:
            WATCH.remove(self._fd, self)
        if self._reader is not None:
            self._reader.join()
        port, self._port = self._port, None
        if port is not None:
            port.close()

    # --- in the reading thread --------------------------------------------------------------

    def _read_until_gone(self) -> None:
        loop, port = self._loop, self._port
        assert loop is not None
        assert port is not None
        end = LinkClosedError(f"the link to {self.url} was closed")
        try:
            while not self._closing.is_set() and not loop.is_closed():
                data = port.read_some()
                if data:
                    self._hand_over(loop, Chunk(data, time.monotonic_ns()))
        except GONE as error:
            _log.info("%s: %s", self.url, error)
            end = LinkClosedError(self._gone_text())
            end.__cause__ = error
        finally:
            try:
                loop.call_soon_threadsafe(self._take_end, end)
            except RuntimeError:
                # The event loop ended without closing the link; nobody else will do it.
                port.close()

    def _hand_over(self, loop: asyncio.AbstractEventLoop, chunk: Chunk) -> None:
        with self._room:
            self._waiting_bytes += len(chunk.data)
            self._room.wait_for(
                lambda: self._waiting_bytes <= _MAX_WAITING_BYTES or self._closing.is_set()
            )
            self._arrived.append(chunk)
            # The loop, once woken, takes all that has come by then.
            already_woken, self._woken = self._woken, True
        if not already_woken:
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(self._take)

    # --- in the thread that reads all ports -------------------------------------------------

    @property
    def loop(self) -> asyncio.AbstractEventLoop:
        """Where this link is used."""
        assert self._loop is not None
        return self._loop

    @property
    def has_room(self) -> bool:
        """Whether more may come."""
        return self._waiting_bytes <= _MAX_WAITING_BYTES

    def came(self, chunk: Chunk) -> None:
        """Take what came."""
        with self._room:
            self._waiting_bytes += len(chunk.data)
            self._arrived.append(chunk)

    def deliver(self) -> None:
        """Hand what came to whoever reads; in the event loop."""
        self._take()

    def ended(self, error: OSError | None) -> None:
        """Take note that the port is gone, or that the event loop is."""
        end = LinkClosedError(self._gone_text())
        end.__cause__ = error
        try:
            self.loop.call_soon_threadsafe(self._take_end, end)
        except RuntimeError:
            # The event loop ended without closing the link; nobody else will do it.
            if (port := self._port) is not None:
                port.close()

    # --- in the event loop ------------------------------------------------------------------

    def _take(self) -> None:
        with self._room:
            self._chunks += self._arrived
            self._arrived.clear()
            self._woken = False
        self._wake()

    def _take_end(self, end: LinkClosedError) -> None:
        self._take()
        self._ended = end
        self._wake()

    def _wake(self) -> None:
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)

    def _gone_text(self) -> str:
        if "://" in self.url:
            return f"{self.url} is gone: the other end closed the connection"
        return f"{self.url} is gone: the board was unplugged or lost power; plug it in again"
