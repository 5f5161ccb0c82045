"""What every link to a board offers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as they came, with the host's monotonic clock at that moment."""

    data: bytes
    arrival_ns: int


class Link(Protocol):
    """One connection to one board, used once: open, read and write, close.

    A link never reconnects by itself; `logger.reconnect` makes the next one.
    """

    @property
    def url(self) -> str:
        """What a person would type to get this link again."""
        ...

    async def open(self) -> None:
        """Open the way to the board.

        Must raise `LinkOpenError` with one line that says what to do, and leave nothing
        behind, when the port is missing, busy or not permitted.
        """
        ...

    async def read(self) -> Chunk:
        """Wait for at least one byte and return all that is there.

        Must raise `LinkClosedError` once the other end is gone or `close` was called, also
        when it is called while a read waits. Must not block the event loop.
        """
        ...

    async def write(self, data: bytes) -> None:
        """Send all of ``data``. Must raise `LinkClosedError` if it cannot."""
        ...

    async def close(self) -> None:
        """Close; may be called at any time and more than once, and never raises."""
        ...
