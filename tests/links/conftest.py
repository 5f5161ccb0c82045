"""Boards and far ends that tests of links start, and what a link must leave behind: nothing."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import socket
import subprocess
import sys
import termios
import threading
import time
from pathlib import Path

import pytest
from far_ends import BoardEnd, MemoryEnd, PtyEnd, RadioEnd, Ser2netEnd, TcpEnd
from log_desk import Desk

from logger.links.ble_thread import BLUETOOTH
from logger.setfiles import load_set
from logger.store.store import Store
from simulators.ble_board import BleOptions
from simulators.core_board import BuildError, build_library

ROOT = Path(__file__).parents[2]

# The Bluetooth daemon whose interface these speak is Linux's.
collect_ignore = (
    []
    if sys.platform.startswith("linux")
    else ["test_air_commands.py", "test_ble.py", "test_ble_opening.py", "test_lossless.py"]
)

# Bluetooth LE with the daemon's interface that only Linux has: notifications of 244 bytes through a
# socket, and of 20 bytes over the message bus.
RADIOS = {"ble": BleOptions(), "ble-small": BleOptions(mtu=23, acquire=False)}
WITH_FAR_END = ["memory", "pty", "tcp", "rfc2217"] + list(RADIOS) * sys.platform.startswith("linux")
# Where a link needs no far end, a real board is one more transport.
REAL = ["--board-port", "--board-ble"]


def pytest_generate_tests(metafunc):
    if "far_end" in metafunc.fixturenames:
        metafunc.parametrize("far_end", WITH_FAR_END, indirect=True)
    elif "any_end" in metafunc.fixturenames:
        board = [option for option in REAL if metafunc.config.getoption(option)]
        metafunc.parametrize("any_end", WITH_FAR_END + board, indirect=True)


async def _make_end(transport, request, tmp_path):
    if transport == "memory":
        return MemoryEnd()
    if transport == "pty":
        return PtyEnd()
    if transport == "tcp":
        return await TcpEnd().start()
    if transport == "rfc2217":
        return await Ser2netEnd(tmp_path).start()
    if transport in RADIOS:
        return await RadioEnd(RADIOS[transport], request.getfixturevalue("monkeypatch")).start()
    url = request.config.getoption(transport)
    named = transport == "--board-ble" and not url.startswith("ble:")
    return BoardEnd(f"ble://{url}" if named else url)


@pytest.fixture
async def far_end(request, tmp_path):
    end = await _make_end(request.param, request, tmp_path)
    yield end
    await end.give_back()


@pytest.fixture
async def any_end(request, tmp_path):
    end = await _make_end(request.param, request, tmp_path)
    yield end
    await end.give_back()


class BoardProcess:
    """``python -m simulators``: a whole board in a process of its own."""

    def __init__(self, *arguments, module="simulators"):
        if module == "simulators":
            arguments = ("--stdin", "--noise-only", "--cell-faults", "none", *arguments)
        self.process = subprocess.Popen(
            [sys.executable, "-m", module, *arguments],
            cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        ready = json.loads(self.process.stdout.readline())
        self.url = ready["url"]
        self.env = ready.get("env", {})

    def ask(self, line):
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def close(self):
        self.process.send_signal(signal.SIGCONT)
        for stream in (self.process.stdin, self.process.stdout):
            with contextlib.suppress(BrokenPipeError):
                stream.close()
        self.process.wait(10)


@pytest.fixture
def board_process(monkeypatch):
    """Start boards; their environment becomes this process's."""
    started = []

    def start(*arguments, module="simulators"):
        board = BoardProcess(*arguments, module=module)
        started.append(board)
        for name, value in board.env.items():
            monkeypatch.setenv(name, value)
        return board

    yield start
    BLUETOOTH.stop()
    for board in started:
        board.close()


@pytest.fixture(scope="session")
def core_library(tmp_path_factory):
    """The reference firmware's core, compiled for this computer."""
    try:
        return build_library(tmp_path_factory.mktemp("core"), "strip16")
    except BuildError as error:
        pytest.fail(str(error), pytrace=False)


@pytest.fixture(scope="session")
def roomy_library(tmp_path_factory):
    """The same of a board that keeps some forty strikes."""
    try:
        return build_library(tmp_path_factory.mktemp("roomy"), "strip32")
    except BuildError as error:
        pytest.fail(str(error), pytrace=False)


@pytest.fixture
def on_the_air(board_process):
    """Start a board on the air: ``--ble`` with these words for the radio."""

    def start(spec="", *arguments):
        return board_process("--ble", spec, *arguments)

    return start


@pytest.fixture
async def pty_end():
    end = PtyEnd()
    yield end
    await end.give_back()


@pytest.fixture
async def tcp_end():
    end = await TcpEnd().start()
    yield end
    await end.give_back()


@pytest.fixture
async def ser2net_end(tmp_path):
    end = await Ser2netEnd(tmp_path).start()
    yield end
    await end.give_back()


def _link_threads():
    return [t.name for t in threading.enumerate() if t.name.startswith(("link-", "read-"))]


@pytest.fixture
def link_threads():
    """Names of threads that links hold now."""
    return _link_threads


@pytest.fixture(autouse=True)
def nothing_left_behind():
    """No link leaves a thread or an open file, whatever a test does with it."""
    files = set(Path("/proc/self/fd").iterdir()) if Path("/proc/self/fd").exists() else set()
    yield
    for _ in range(200):
        if not _link_threads():
            break
        time.sleep(0.01)
    assert _link_threads() == []
    if files:
        left = {
            str(file.readlink())
            for file in set(Path("/proc/self/fd").iterdir()) - files
            if file.exists()
        }
        assert not {name for name in left if "/dev/pts" in name or ".capture" in name}


@pytest.fixture
def free_tcp_port():
    """A port where nothing listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture
def is_exclusive():
    """Whether the kernel keeps others from opening a terminal (TIOCGEXCL of Linux)."""
    import fcntl
    import struct

    def ask(descriptor):
        tiocgexcl = getattr(termios, "TIOCGEXCL", 0x80045440)
        return struct.unpack("i", fcntl.ioctl(descriptor, tiocgexcl, b"\0" * 4))[0] != 0

    return ask


@pytest.fixture
def desk(tmp_path):
    """Log from a URL until the block ends."""

    @contextlib.asynccontextmanager
    async def open_desk(url, clock=None, **settings):
        with Store.open(tmp_path / "test.db") as store:
            if not store.sets.all():
                store.sets.import_file(load_set(ROOT / "logger/cli/demo_set.toml"), at_utc_ns=0)
            made = Desk(store, url, clock, **settings)
            running = asyncio.create_task(made.run.run())
            try:
                await made.until(lambda: made.greeted)
                yield made
            finally:
                running.cancel()
                await asyncio.gather(running, return_exceptions=True)

    return open_desk


@pytest.fixture
async def air(monkeypatch):
    """Two Bluetooth stacks on a virtual radio, one of them in place of this computer's."""
    from bumble_air import on_the_virtual_air

    async with on_the_virtual_air(monkeypatch) as made:
        yield made


@pytest.fixture
async def board(air, roomy_library):
    """Start a board on the virtual radio: ``await board(BridgedBoard, mtu=23)``."""
    from air_boards import CoreOnAir

    started = []

    async def start(kind=CoreOnAir, address="C0:00:5E:00:53:20", **settings):
        made = kind(air, roomy_library, **settings)
        await BLUETOOTH.run(made.start(address))
        started.append(made)
        return made

    yield start
    for made in started:
        await BLUETOOTH.run(made.stop())
