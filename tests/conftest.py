"""Options of the whole test run."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# How long a case takes says nothing of whether it is right: machines are shared.
settings.register_profile(
    "lieboard", deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile("lieboard")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--board-port",
        metavar="URL",
        default=None,
        help="run the link tests on a real board too: /dev/ttyACM0, COM3, socket://HOST:PORT, ...",
    )
    parser.addoption(
        "--board-ble",
        metavar="NAME",
        default=None,
        help="run the link tests on a real board over Bluetooth LE too: its name, address or id",
    )


class WarmCommands:
    """Runs ``lieboard`` commands to their end, each in a process of its own (warm_commands.py)."""

    def __init__(self) -> None:
        self._socket, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            self._server = subprocess.Popen(
                [
                    sys.executable,
                    Path(__file__).with_name("warm_commands.py"),
                    str(theirs.fileno()),
                ],
                pass_fds=[theirs.fileno()],
                # A forked process has no threads for its matrices.
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
            )

    def run(
        self,
        *arguments: str,
        environment: Mapping[str, str],
        within_s: float = 60.0,
    ) -> subprocess.CompletedProcess[str]:
        """As ``subprocess.run`` of ``lieboard``, with nothing on its standard input."""
        request = {
            "arguments": arguments,
            "environment": dict(environment),
            "folder": str(Path.cwd()),
        }
        self._socket.settimeout(within_s)
        with (
            Path(os.devnull).open() as nothing,
            tempfile.TemporaryFile("w+") as out,
            tempfile.TemporaryFile("w+") as err,
        ):
            streams = [nothing.fileno(), out.fileno(), err.fileno()]
            socket.send_fds(self._socket, [json.dumps(request).encode()], streams)
            code = int(self._socket.recv(16))
            out.seek(0)
            err.seek(0)
            return subprocess.CompletedProcess(arguments, code, out.read(), err.read())

    def close(self) -> None:
        self._socket.close()
        try:
            self._server.wait(10)
        except subprocess.TimeoutExpired:
            self._server.kill()
            self._server.wait()


@pytest.fixture(scope="session")
def warm_commands() -> Iterator[WarmCommands]:
    commands = WarmCommands()
    yield commands
    commands.close()
