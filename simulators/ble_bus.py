"""A message bus of our own for a Bluetooth daemon that is not there.

The real ``dbus-daemon`` runs as a child with the limits that it has by default (256 connections of
one user), so that a host that leaks connections meets the end it would meet on a real machine.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import tempfile
from pathlib import Path

_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>system</type>
  <listen>unix:path={folder}/bus</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow send_destination="*" eavesdrop="true"/>
    <allow eavesdrop="true"/>
    <allow own="*"/>
  </policy>
  {denied}
</busconfig>
"""
# As the Bluetooth daemon's own policy file denies it to whoever is not at the console.
_DENIED = '<policy context="mandatory"><deny send_destination="org.bluez"/></policy>'
# What bleak asks for the daemon's version.
_VERSION_PROBE = "#!/bin/sh\necho 'bluetoothctl: {version}'\n"
# However its parent ends, the bus ends with it: the pipe that it holds is closed then.
_UNTIL_INPUT_ENDS = '"$@" & cat >/dev/null; kill $!; wait $!'


class PrivateBus:
    """A running ``dbus-daemon`` and what has to be in a host's environment to find it."""

    def __init__(self, *, version: str, denied: bool) -> None:
        self._version = version
        self._denied = denied
        self._folder = Path(tempfile.mkdtemp(prefix="board-bus-"))
        self._process: asyncio.subprocess.Process | None = None
        self.address = f"unix:path={self._folder}/bus"

    @property
    def env(self) -> dict[str, str]:
        """Variables that a host needs beside its own."""
        return {
            "DBUS_SYSTEM_BUS_ADDRESS": self.address,
            "PATH": f"{self._folder}{os.pathsep}{os.environ.get('PATH', os.defpath)}",
        }

    async def open(self) -> None:
        """Start the bus; raises OSError if there is no ``dbus-daemon``."""
        program = shutil.which("dbus-daemon")
        if program is None:
            raise FileNotFoundError("dbus-daemon is not installed: apt-get install dbus")
        config = self._folder / "bus.conf"
        config.write_text(
            _CONFIG.format(folder=self._folder, denied=_DENIED if self._denied else "")
        )
        probe = self._folder / "bluetoothctl"
        probe.write_text(_VERSION_PROBE.format(version=self._version))
        probe.chmod(0o755)
        # Another user may be the host in a test of permissions.
        self._folder.chmod(0o755)
        # It grumbles of limits that only root may raise; what it says counts only if it fails.
        words = self._folder / "bus.log"
        with words.open("wb") as log:
            self._process = await asyncio.create_subprocess_exec(
                "/bin/sh", "-c", _UNTIL_INPUT_ENDS, "sh",
                program, f"--config-file={config}", "--nofork", "--nopidfile", "--print-address",
                stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, stderr=log,
            )  # fmt: skip
        assert self._process.stdout is not None
        if not await self._process.stdout.readline():
            raise OSError(f"dbus-daemon did not start: {words.read_text().strip()}")

    async def close(self) -> None:
        """Stop the bus and leave nothing behind."""
        if self._process is not None:
            assert self._process.stdin is not None
            self._process.stdin.close()
            await self._process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)
