"""The list of ports, against pyserial's own and against what this process itself does."""

from __future__ import annotations

import os
import sys

from serial.tools import list_ports

from logger.links.ports import candidate_ports, permission_hint, used_by


def test_lists_what_is_there():
    theirs = {port.device: port for port in list_ports.comports()}
    ours = candidate_ports()
    assert {port.device for port in ours} == set(theirs)
    for port in ours:
        assert port.description
        assert port.is_usb == (theirs[port.device].vid is not None)
    assert [port.is_usb for port in ours] == sorted((p.is_usb for p in ours), reverse=True)


async def test_who_uses_a_port(pty_end):
    assert used_by(pty_end.name) is None
    link = pty_end.make_link()
    await link.open()
    try:
        # Only Linux shows who has a file open.
        holder = f"(pid {os.getpid()})" if sys.platform.startswith("linux") else None
        assert (used_by(pty_end.name) or "").endswith(holder or "")
    finally:
        await link.close()
    assert used_by(pty_end.name) is None


def test_no_hint_where_none_is_needed(pty_end, tmp_path):
    assert permission_hint(pty_end.name) is None
    assert permission_hint(str(tmp_path / "missing")) is None
