"""A port of pyserial, with what pyserial leaves undone or must be told differently.

Its calls block; it may be read in one thread while another writes to it.
"""

from __future__ import annotations

import contextlib
import os
import select
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import serial

from logger.errors import LinkOpenError, UsageError
from logger.links.port_watch import MAX_CHUNK_BYTES
from logger.links.ports import explain_open_failure

if TYPE_CHECKING:
    from collections.abc import Callable

try:
    import fcntl
    import termios
except ImportError:  # Windows, where a COM port is exclusive anyway
    fcntl = termios = None  # type: ignore[assignment]

# How long a read may sit in the driver before it looks whether the link was closed. Only transports
# whose read cannot be cancelled (sockets) ever wait that long to close.
_POLL_S = 0.05

# The fastest rate of common USB serial chips is 12 Mbaud.
_MAX_BAUD = 20_000_000

# What pyserial raises when a port goes away under it: OSError covers SerialException and its
# timeouts; the other two come from its select() on a descriptor that is already None or -1.
GONE = (OSError, TypeError, ValueError)

# termios.error is no OSError.
_NOT_OPENED: tuple[type[Exception], ...] = (
    *GONE,
    LookupError,
    OverflowError,
    NotImplementedError,
    *((termios.error,) if termios else ()),
)


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """How to reach a board by pyserial.

    Raises
    ------
    UsageError
        If the baud rate or the time limit cannot be.
    """

    url: str
    """Device path, COMx, ``socket://host:port``, ``rfc2217://host:port``, ``loop://``, ..."""
    baud: int = 115_200
    write_timeout_s: float = 2.0

    def __post_init__(self) -> None:
        if not 50 <= self.baud <= _MAX_BAUD:
            raise UsageError(
                f"baud rate {self.baud} cannot be; give the one in the board's sketch, "
                "such as 115200"
            )
        if not 0 < self.write_timeout_s <= 60:
            raise UsageError("the time limit of a write must be above 0 and at most 60 seconds")


def open_port(settings: SerialSettings) -> OpenPort:
    """Open a port for this process alone.

    Raises
    ------
    LinkOpenError
        With what to do, in one line.
    """
    # pyserial's rfc2217:// has no time limit of its own here; its socket has one of 5 s.
    limit = None if settings.url.lower().startswith("rfc2217:") else settings.write_timeout_s
    port: serial.SerialBase | None = None
    try:
        port = serial.serial_for_url(
            settings.url,
            do_not_open=True,
            baudrate=settings.baud,
            timeout=_POLL_S,
            write_timeout=limit,
            exclusive=True,
        )
        if _is_socket(settings):
            # HACK: pyserial throws away what came before it got round to looking; a new TCP
            # connection holds nothing stale, only the board's first words.
            port.reset_input_buffer = lambda: None
        port.open()
    except _NOT_OPENED as error:
        _close_all_of(port)
        raise LinkOpenError(explain_open_failure(settings.url, settings.baud, error)) from error
    except BaseException:
        _close_all_of(port)
        raise
    _keep_others_out(port, True)
    return OpenPort(port, settings)


class OpenPort:
    """A port that `open_port` opened."""

    def __init__(self, port: serial.SerialBase, settings: SerialSettings) -> None:
        self._port = port
        self._write_timeout_s = settings.write_timeout_s
        self._is_socket = _is_socket(settings)
        # loop:// cancels through its own queue, which has no place while it is full of bytes.
        self._can_be_cancelled = not settings.url.lower().startswith("loop:")
        # Only where what pyserial opened is a descriptor that can be waited for.
        can_be_watched = isinstance(port, serial.Serial) and hasattr(port, "pipe_abort_read_r")
        self.fd: int | None = port.fileno() if can_be_watched else None
        """Descriptor that can be watched, if there is one."""

    def read_some(self) -> bytes:
        """Wait a little while for bytes; one of `GONE` if the port went away."""
        port = self._port
        data: bytes = port.read(1)
        if not data:
            return b""
        # What came before the end must not be lost with it: the next read meets the end again.
        with contextlib.suppress(*GONE):
            if self._is_socket:
                # pyserial cannot tell how much waits in a socket, only that something does.
                port.timeout = 0
                try:
                    data += port.read(MAX_CHUNK_BYTES)
                finally:
                    port.timeout = _POLL_S
                return data
            while (more := port.in_waiting) and len(data) < MAX_CHUNK_BYTES:
                data += port.read(min(more, MAX_CHUNK_BYTES))
        return data

    def write(self, data: bytes) -> int:
        """Write, and wait where the port is full; return less than all if cancelled meanwhile.

        Raises
        ------
        TimeoutError
            The port takes no more for too long. Any other of `GONE` if it went away.
        """
        if self.fd is not None:
            return self._write_watched(data)
        try:
            sent: int = self._port.write(data)
        except serial.SerialTimeoutException as error:
            raise TimeoutError(str(error)) from error
        return sent

    def _write_watched(self, data: bytes) -> int:
        # pyserial does not wait before its first piece but tries at full speed.
        port: Any = self._port
        fd, abort = port.fileno(), port.pipe_abort_write_r
        until_s = time.monotonic() + self._write_timeout_s
        sent = 0
        while sent < len(data):
            left_s = max(until_s - time.monotonic(), 0)
            closing, ready, _ = select.select([abort], [fd], [], left_s)
            if closing:
                break
            if not ready:
                raise TimeoutError
            with contextlib.suppress(BlockingIOError):
                sent += os.write(fd, data[sent:])
        return sent

    def cancel(self) -> None:
        """Let go of whoever reads or writes, from any thread."""
        for name in ("cancel_write", "cancel_read"):
            cancel: Callable[[], None] | None = getattr(self._port, name, None)
            if cancel is not None and self._can_be_cancelled:
                with contextlib.suppress(*GONE):
                    cancel()

    def close(self) -> None:
        """Give everything back, also what was closed before."""
        _close_all_of(self._port)


def _is_socket(settings: SerialSettings) -> bool:
    return settings.url.lower().startswith("socket:")


def _keep_others_out(port: serial.SerialBase, out: bool) -> None:
    # pyserial's lock is only a request that others may not ask for; with TIOCEXCL the kernel itself
    # refuses a second open. It must be taken back, because on a pty it outlives the descriptor.
    if fcntl is None or not isinstance(port, serial.Serial) or not port.is_open:
        return
    with contextlib.suppress(OSError):
        fcntl.ioctl(port.fileno(), termios.TIOCEXCL if out else termios.TIOCNXCL)


def _close_all_of(port: serial.SerialBase | None) -> None:
    if port is None:
        return
    _keep_others_out(port, False)
    # pyserial forgets its socket unclosed when the other end was first to go.
    left_over = getattr(port, "_socket", None)
    with contextlib.suppress(*GONE):
        port.close()
    if left_over is not None:
        left_over.close()
