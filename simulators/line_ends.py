"""The board's end of a real line: a pseudo-terminal or a TCP port, for one host at a time."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import shutil
import tempfile
import termios
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

# A host that reads nothing must not fill the memory: beyond this much the line drops bytes.
MAX_UNREAD_BYTES = 1 << 20
# How often a pseudo-terminal that nobody has open is looked at.
LOOK_S = 0.005


class LineEnd(Protocol):
    """What the runner needs of a line. `url` holds from `open` to `close`, over drops."""

    url: str
    connected: bool
    # What a host needs in its environment to find the line.
    env: dict[str, str]

    async def open(self) -> None:
        """Make the line; raises OSError if the system refuses."""

    def write(self, data: bytes) -> None:
        """Send; bytes are lost, as on a wire, if nobody is there to take them."""

    async def drop(self, length_s: float) -> None:
        """Really close the line, and bring it back under the same url after a while."""

    async def close(self) -> None:
        """End it for good and leave nothing behind."""

    def obey(self, word: str, rest: str) -> bool:
        """Do what a request asks of this kind of line; False if it is not of this kind."""


class Events:
    """What a line tells its owner."""

    def __init__(
        self,
        on_data: Callable[[bytes], None],
        on_connect: Callable[[], None],
        on_disconnect: Callable[[], None],
    ) -> None:
        self.on_data = on_data
        self.on_connect = on_connect
        self.on_disconnect = on_disconnect


class PtyEnd:
    """A pseudo-terminal in raw mode, under a name that stays the same when it is made again.

    Nobody holds the host's side open but the host. So the system says when the host comes and goes
    (POLLHUP), as a USB port does; what the board sends meanwhile is lost, and a host that opens the
    port gets nothing stale. Raw mode stays with the terminal as long as this end lives.
    """

    def __init__(self, events: Events) -> None:
        self.connected = False
        self.url = ""
        self.env: dict[str, str] = {}
        self._events = events
        self._folder = Path(tempfile.mkdtemp(prefix="board-"))
        self._link = self._folder / "tty"
        self._end = -1
        self._unsent = bytearray()
        self._watch: asyncio.Task[None] | None = None

    async def open(self) -> None:
        """Make the terminal and its name, and begin to look for a host."""
        self._make()
        self.url = str(self._link)
        self._watch = asyncio.create_task(self._look())

    def _make(self) -> None:
        self._end, other = os.openpty()
        name = os.ttyname(other)
        tty.setraw(other)
        os.close(other)
        os.set_blocking(self._end, False)
        self._link.symlink_to(name)

    def _hung_up(self) -> bool:
        poll = select.poll()
        poll.register(self._end, 0)
        return any(mask & select.POLLHUP for _, mask in poll.poll(0))

    async def _look(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            if self._end >= 0 and not self.connected and not self._hung_up():
                self.connected = True
                loop.add_reader(self._end, self._read)
                self._events.on_connect()
            await asyncio.sleep(LOOK_S)

    def _read(self) -> None:
        try:
            data = os.read(self._end, 65536)
        except BlockingIOError:
            return
        except OSError:
            # EIO: the host's side has been closed.
            data = b""
        if data:
            self._events.on_data(data)
        else:
            self._gone()

    def _gone(self) -> None:
        if not self.connected:
            return
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._end)
        loop.remove_writer(self._end)
        self._unsent.clear()
        self.connected = False
        self._forget_unread()
        self._events.on_disconnect()

    def _forget_unread(self) -> None:
        """Throw away what the host did not read; set raw mode again in case it was changed."""
        with contextlib.suppress(OSError, termios.error):
            other = os.open(self._link, os.O_RDWR | os.O_NOCTTY)
            termios.tcflush(other, termios.TCIFLUSH)
            tty.setraw(other)
            os.close(other)

    def write(self, data: bytes) -> None:
        """Send what the terminal takes now, and the rest when it can."""
        if not self.connected or len(self._unsent) > MAX_UNREAD_BYTES:
            return
        self._unsent += data
        self._flush()

    def _flush(self) -> None:
        loop = asyncio.get_running_loop()
        try:
            while self._unsent:
                del self._unsent[: os.write(self._end, self._unsent)]
        except BlockingIOError:
            loop.add_writer(self._end, self._flush)
            return
        except OSError:
            self._unsent.clear()
        loop.remove_writer(self._end)

    def _unmake(self) -> None:
        self._gone()
        if self._end >= 0:
            os.close(self._end)
        self._end = -1
        self._link.unlink(missing_ok=True)

    async def drop(self, length_s: float) -> None:
        """Close the terminal (the host's reads end) and make a new one under the same name."""
        self._unmake()
        await asyncio.sleep(length_s)
        self._make()

    async def close(self) -> None:
        """Close the terminal and take its name away."""
        if self._watch is not None:
            self._watch.cancel()
        self._unmake()
        shutil.rmtree(self._folder, ignore_errors=True)

    def obey(self, word: str, rest: str) -> bool:
        """Know no requests of its own."""
        return False


class TcpEnd:
    """A listening TCP port; a second host is turned away while there is one."""

    def __init__(self, events: Events, host: str, port: int) -> None:
        self.connected = False
        self.url = ""
        self.env: dict[str, str] = {}
        self._events = events
        self._host = host
        self._port = port
        self._server: asyncio.Server | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._serving: asyncio.Task[None] | None = None

    async def open(self) -> None:
        """Listen; port 0 takes a free one and stays with it."""
        self._server = await asyncio.start_server(self._serve, self._host, self._port)
        self._port = self._server.sockets[0].getsockname()[1]
        self.url = f"socket://{self._host}:{self._port}"

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._writer is not None:
            writer.close()
            return
        self._writer = writer
        self._serving = asyncio.current_task()
        self.connected = True
        self._events.on_connect()
        try:
            while data := await reader.read(65536):
                self._events.on_data(data)
        except OSError:
            # Reset by the host: the same as gone.
            pass
        finally:
            self._writer = None
            self.connected = False
            writer.close()
            self._events.on_disconnect()

    def write(self, data: bytes) -> None:
        """Send to the host that is there."""
        if self._writer is None or self._writer.transport.is_closing():
            return
        if self._writer.transport.get_write_buffer_size() <= MAX_UNREAD_BYTES:
            self._writer.write(data)

    async def drop(self, length_s: float) -> None:
        """Close the connection and the port, and listen again later."""
        await self.close()
        await asyncio.sleep(length_s)
        await self.open()

    async def close(self) -> None:
        """Close connection and port."""
        if self._server is not None:
            self._server.close()
        if self._writer is not None:
            self._writer.transport.abort()
        if self._serving is not None:
            # It has to see the end before the port is free again.
            await asyncio.wait([self._serving])

    def obey(self, word: str, rest: str) -> bool:
        """Know no requests of its own."""
        return False
