"""Which serial ports are there, and one line that says why one did not open and what to do."""

from __future__ import annotations

import errno
import os
import re
import socket
import sys
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

try:
    import grp
except ImportError:  # Windows
    grp = None  # type: ignore[assignment]


@dataclass(frozen=True, slots=True)
class PortInfo:
    """One serial port of this machine."""

    device: str
    """What to give as the port."""
    description: str
    hwid: str
    manufacturer: str | None
    serial_number: str | None
    is_usb: bool
    used_by: str | None
    """Program and process id that hold it open, as far as this user may see (Linux only)."""
    permission_hint: str | None
    """What to do before this user may open it; None if nothing needs doing."""


def candidate_ports() -> list[PortInfo]:
    """Return the ports a board could be on, USB first."""
    found = [
        PortInfo(
            device=port.device,
            description=_text(port.description) or port.device,
            hwid=_text(port.hwid) or "",
            manufacturer=_text(port.manufacturer),
            serial_number=_text(port.serial_number),
            is_usb=port.vid is not None,
            used_by=used_by(port.device),
            permission_hint=permission_hint(port.device),
        )
        for port in list_ports.comports()
    ]
    return sorted(found, key=lambda port: (not port.is_usb, port.device))


def used_by(device: str) -> str | None:
    """Name who holds ``device`` open, as ``name (pid 123)``; None if nobody is seen.

    Another program is named before this one. Looked up and not tried: opening a port resets many
    boards.
    """
    if not sys.platform.startswith("linux"):
        return None
    real = os.path.realpath(device)
    processes = [process for process in Path("/proc").iterdir() if process.name.isdigit()]
    for process in sorted(processes, key=lambda process: int(process.name) == os.getpid()):
        try:
            for descriptor in (process / "fd").iterdir():
                if os.readlink(descriptor) == real:  # noqa: PTH115 - Path.readlink is no faster
                    name = (process / "comm").read_text().strip()
                    return f"{name} (pid {process.name})"
        except OSError:
            # It has ended meanwhile, or belongs to someone else.
            continue
    return None


def permission_hint(device: str) -> str | None:
    """Return what to do before this user may open ``device``; None if nothing needs doing."""
    path = Path(device)
    if os.name != "posix" or not path.exists() or os.access(path, os.R_OK | os.W_OK):
        return None
    status = path.stat()
    if grp is None or status.st_mode & 0o060 != 0o060 or status.st_gid == 0:
        return f"only its owner may use it: ask whoever runs this machine (ls -l {device})"
    try:
        group = grp.getgrgid(status.st_gid)
    except KeyError:
        return f"its group {status.st_gid} has no name: ask whoever runs this machine"
    user = os.environ.get("USER", "")
    if user in group.gr_mem:
        return f"you were put into the group {group.gr_name}: log out and in again"
    return f"run `sudo usermod -aG {group.gr_name} $USER`, then log out and in again"


def _text(value: str | None) -> str | None:
    return None if value in (None, "", "n/a") else value


# How many ports a line can name before nobody reads it any more.
_MAX_PORTS_NAMED = 8

_BUSY = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK}
_MISSING = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.ENOTDIR}
_NO_SERIAL = {errno.ENOTTY, errno.EINVAL, errno.EISDIR, errno.EIO}


def explain_open_failure(url: str, baud: int, error: BaseException) -> str:
    """Say in one line what to do after ``error`` from opening ``url`` with pyserial."""
    text = " ".join(str(error).split())
    if "://" in url:
        return _explain_url(url, error, text)
    return _explain_device(url, baud, error, text)


def ports_here() -> str:
    """Name the ports that are there, as the end of a sentence."""
    ports = candidate_ports()
    if not ports:
        return (
            "this machine has no serial port now: plug the board in, "
            "with a cable that carries data and not only charge"
        )
    named = [
        port.device if port.description == port.device else f"{port.device} ({port.description})"
        for port in ports[:_MAX_PORTS_NAMED]
    ]
    more = len(ports) - len(named)
    return "here are: " + ", ".join(named) + (f" and {more} more" if more else "")


def _explain_device(url: str, baud: int, error: BaseException, text: str) -> str:
    number = _errno_of(error, text)
    # pyserial on Windows keeps the system's error only as words in its own.
    if number in _MISSING or "FileNotFoundError" in text:
        return f"there is no port {url}; {ports_here()}"
    # Windows says "access denied" when another program has the COM port.
    if number in _BUSY or "PermissionError" in text:
        holder = used_by(url)
        who = f"by {holder}" if holder else "by another program (a serial monitor?)"
        return f"{url} is in use {who}; close that one and try again"
    if number in (errno.EACCES, errno.EPERM):
        hint = permission_hint(url) or "ask whoever runs this machine"
        return f"no permission to open {url}; {hint}"
    if "baud" in text.lower():
        return f"{url} cannot do {baud} baud; give the rate in the board's sketch, such as 115200"
    if number in _NO_SERIAL or Path(url).is_file():
        return f"{url} is not a serial port that answers; {ports_here()}"
    return f"{url} did not open: {text}"


def _explain_url(url: str, error: BaseException, text: str) -> str:
    scheme, _, rest = url.partition("://")
    host = rest.partition("?")[0]
    cause = error.__context__
    lower = text.lower()
    if "protocol" in lower and "not known" in lower:
        return (
            f"{scheme}:// is not known; give a port such as /dev/ttyACM0 or COM3, "
            "or socket://HOST:PORT or rfc2217://HOST:PORT"
        )
    if scheme.lower() == "hwgrep":
        return f"no port matches {rest!r}; {ports_here()}"
    # pyserial 3.5 trips over the braces in its own text about a malformed socket:// URL.
    if "expected a string in the form" in lower or isinstance(cause, KeyError):
        return f"{url} is not complete; write it as {scheme}://HOST:PORT, PORT a number"
    if isinstance(cause, socket.gaierror):
        return f"no host is called {host}; check its name, or give its address in numbers"
    if isinstance(cause, ConnectionRefusedError):
        return f"nothing listens at {host}; start the board's bridge there, or check the port"
    if isinstance(cause, TimeoutError):
        return f"{host} does not answer; check that it is switched on and in the same network"
    if isinstance(cause, OSError) and cause.errno in (errno.ENETUNREACH, errno.EHOSTUNREACH):
        return f"there is no way to {host}; check this machine's network"
    if "does not seem to support rfc2217" in lower:
        return f"{host} does not speak RFC 2217; for a plain TCP bridge use socket://{host}"
    if "timeout while waiting for option 'control'" in lower:
        return (
            f"{host} does not answer about control lines; add ?ign_set_control to the URL: "
            f"rfc2217://{host}?ign_set_control"
        )
    if "does not accept parameter change" in lower:
        return f"{host} does not accept the line settings; check the baud rate"
    return f"{url} did not open: {text}"


def _errno_of(error: BaseException, text: str) -> int | None:
    number = getattr(error, "errno", None)
    if isinstance(number, int):
        return number
    # termios.error is no OSError but has the same arguments; pyserial puts it into words.
    if error.args and isinstance(error.args[0], int):
        return error.args[0]
    in_words = re.search(r"\((\d+), '", text)
    return int(in_words.group(1)) if in_words else None
