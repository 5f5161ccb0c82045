"""What every link to a board offers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as they came, with the host's monotonic clock at the moment the last of them was in."""

    data: bytes
    arrival_ns: int


class Link(Protocol):
    """One connection to one board, used once: open, read and write, close.

    A link never reconnects by itself; `logger.collector.reconnect` makes the next one.
    """

    @property
    def url(self) -> str:
        """What a person would type to get this link again."""
        ...

    async def open(self) -> None:
        """Open the way to the board.

        Must raise `LinkOpenError` with one line that says what to do, and leave nothing
        behind, when the port is missing, busy or not permitted, and when this link was opened or
        closed before. Must leave nothing behind when it is cancelled.
        """
        ...

    async def read(self) -> Chunk:
        """Wait for at least one byte and return what came together.

        Chunks come in the order of the bytes and are never merged, so that each keeps its own
        arrival time. Bytes that came before the other end went must be returned first; then
        `LinkClosedError` must be raised, each time. It must be raised at once when `close` is
        or was called, also while a read waits. Must not block the event loop. A cancelled read must
        lose nothing. One read at a time.
        """
        ...

    async def write(self, data: bytes) -> None:
        """Send all of ``data``; writes from several tasks go out whole, in the order of the calls.

        Must raise `LinkClosedError` once the link is closed or the other end is known to be gone,
        and `LinkTimeoutError` if the other end does not take the bytes in time. Must not block the
        event loop.
        """
        ...

    async def close(self) -> None:
        """Close; may be called at any time and more than once, and never raises.

        When it returns, threads, sockets and ports are given back.
        """
        ...
