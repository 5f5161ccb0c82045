"""Chunks that have come and were not read yet, and the end of the link behind them."""

from __future__ import annotations

import asyncio
from collections import deque

from logger.errors import LinkClosedError
from logger.links.base import Chunk


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
