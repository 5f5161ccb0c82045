"""Which serial ports are there, and what stands between us and them."""

from __future__ import annotations

import os
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

    Looked up and not tried: opening a port resets many boards.
    """
    if not sys.platform.startswith("linux"):
        return None
    real = os.path.realpath(device)
    for process in Path("/proc").iterdir():
        if not process.name.isdigit():
            continue
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
