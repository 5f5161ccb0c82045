"""One thread that reads all open ports of this process, where the system can wait for many at once.

A thread for each port wakes, takes the interpreter from the others and gives it back for every few
bytes: with sixteen boards that costs more than all that is done with the bytes.
"""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
from typing import TYPE_CHECKING, Protocol

from logger.links.base import Chunk

if TYPE_CHECKING:
    import asyncio

# How long the thread waits before it looks whether an event loop ended without closing its ports.
_POLL_S = 0.05
# A strike with all its scans is at most 32 frames of 516 bytes; more than that in one chunk
# only makes its arrival time coarser.
MAX_CHUNK_BYTES = 16_384
# Looking at a port costs about as much as what is done with one record. So many looks a second are
# allowed: one board that streams is looked at whenever something comes, sixteen in turns, and then
# what has come meanwhile is taken together. At most `_LONGEST_REST_S` of delay is made by it.
_S_PER_CHUNK = 0.002
_LONGEST_REST_S = 0.025


class WatchedPort(Protocol):
    """A port that is read for its owner; all calls are made in the watching thread."""

    @property
    def loop(self) -> asyncio.AbstractEventLoop:
        """Where the owner lives."""
        ...

    @property
    def has_room(self) -> bool:
        """Whether more may come; `PortWatch.look_again` once it may again."""
        ...

    def came(self, chunk: Chunk) -> None:
        """Take what came."""
        ...

    def deliver(self) -> None:
        """Look at what came. In the event loop, once for all that a round of looks brought."""
        ...

    def ended(self, error: OSError | None) -> None:
        """Take note of the end; it is not watched any more. No error: the event loop has ended."""
        ...


class PortWatch:
    """Watches ports; its thread starts with the first and ends with the last of them."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._ports: dict[int, WatchedPort] = {}
        self._thread: threading.Thread | None = None
        self._leaving: dict[int, threading.Event] = {}
        # The thread waits for this too.
        self._bell: tuple[int, int] | None = None

    def add(self, fd: int, port: WatchedPort) -> None:
        """Read this descriptor from now on."""
        with self._lock:
            self._ports[fd] = port
            if self._bell is None:
                self._bell = os.pipe()
                self._thread = threading.Thread(
                    target=self._run, args=(self._bell[0],), name="read-ports", daemon=True
                )
                self._thread.start()
            else:
                self._ring()

    def remove(self, fd: int, port: WatchedPort) -> None:
        """Stop reading; the descriptor is not in use any more when this returns."""
        left = None
        with self._lock:
            if self._ports.get(fd) is port:
                left = self._leaving.setdefault(fd, threading.Event())
                self._ring()
        if left is not None:
            left.wait()
        # Nor is the thread there any more that the last of them had.
        while (thread := self._thread) is not None and thread.is_alive() and not self._ports:
            thread.join(_POLL_S)

    def look_again(self) -> None:
        """Look at a port again that had no room."""
        with self._lock:
            self._ring()

    def _ring(self) -> None:
        if self._bell is not None:
            os.write(self._bell[1], b"!")

    # -- in the thread ----------------------------------------------------------------------

    def _run(self, bell: int) -> None:
        looked_s = time.monotonic()
        while (ports := self._to_look_at(bell)) is not None:
            fds = [fd for fd, port in ports.items() if port.has_room]
            try:
                ready, _, _ = select.select([bell, *fds], [], [], _POLL_S)
            except (OSError, ValueError):
                self._end_unusable(ports)
                continue
            if bell in ready:
                os.read(bell, 4096)
                ready.remove(bell)
            if ready:
                self._look([(fd, ports[fd]) for fd in ready])
                rest_s = min(len(ready) * _S_PER_CHUNK, _LONGEST_REST_S)
                rest_s -= time.monotonic() - looked_s
                # Whoever wants to close must not wait for the end of the rest.
                if rest_s > 0:
                    select.select([bell], [], [], rest_s)
            else:
                self._look_for_ended_loops(ports)
            looked_s = time.monotonic()

    def _to_look_at(self, bell: int) -> dict[int, WatchedPort] | None:
        """Let go of ports that leave; None ends the thread."""
        with self._lock:
            for fd, left in self._leaving.items():
                self._ports.pop(fd, None)
                left.set()
            self._leaving.clear()
            if self._ports:
                return dict(self._ports)
            assert self._bell is not None
            os.close(bell)
            os.close(self._bell[1])
            self._bell = None
            return None

    def _look(self, ready: list[tuple[int, WatchedPort]]) -> None:
        """Read each port that has something once; tell each event loop once."""
        news: dict[asyncio.AbstractEventLoop, list[WatchedPort]] = {}
        for fd, port in ready:
            try:
                data = os.read(fd, MAX_CHUNK_BYTES)
                if not data:
                    # Ready and nothing there: the other end has hung up.
                    raise OSError("hung up")
            except BlockingIOError:
                continue
            except OSError as error:
                self._end(fd, port, error)
                continue
            port.came(Chunk(data, time.monotonic_ns()))
            news.setdefault(port.loop, []).append(port)
        for loop, ports in news.items():
            # A loop that has ended is noticed by the next look that finds nothing.
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(_deliver, ports)

    def _end_unusable(self, ports: dict[int, WatchedPort]) -> None:
        """End the ports that cannot be waited for, so that the others can."""
        for fd, port in ports.items():
            try:
                select.select([fd], [], [], 0)
            except (OSError, ValueError) as error:
                self._end(fd, port, OSError(str(error)))

    def _look_for_ended_loops(self, ports: dict[int, WatchedPort]) -> None:
        for fd, port in ports.items():
            if port.loop.is_closed():
                self._end(fd, port, None)

    def _end(self, fd: int, port: WatchedPort, error: OSError | None) -> None:
        with self._lock:
            self._ports.pop(fd, None)
            left = self._leaving.pop(fd, None)
        port.ended(error)
        if left is not None:
            left.set()


WATCH = PortWatch()


def _deliver(ports: list[WatchedPort]) -> None:
    for port in ports:
        port.deliver()
