"""The other end of a link over each transport: it plays the board, in raw bytes."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import socket
import subprocess
import time
import tty
from collections import deque

import numpy as np

from logger.errors import LinkClosedError, LinkOpenError
from logger.links.base import Chunk
from logger.links.ble_thread import BLUETOOTH
from logger.links.open import link_from_url
from simulators.ble_board import BleEnd
from simulators.line_ends import Events


class MemoryLink:
    """The contract with nothing below it: shows what the tests themselves ask for."""

    def __init__(self, far):
        self._far = far
        self._state = "new"
        self._news = asyncio.Event()

    url = "memory"

    async def open(self):
        if self._state != "new":
            raise LinkOpenError("used before")
        self._state = "open"
        self._far.link = self

    async def read(self):
        while True:
            if self._state != "open":
                raise LinkClosedError("closed")
            if self._far.to_host:
                return self._far.to_host.popleft()
            if self._far.gone:
                raise LinkClosedError("gone")
            self._news.clear()
            await self._news.wait()

    async def write(self, data):
        if self._state != "open" or self._far.gone:
            raise LinkClosedError("closed")
        self._far.to_board += data

    async def close(self):
        self._state = "closed"
        self._news.set()

    def wake(self):
        self._news.set()


class MemoryEnd:
    def __init__(self):
        self.to_host = deque()
        self.to_board = bytearray()
        self.gone = False
        self.link = None

    def make_link(self):
        return MemoryLink(self)

    async def send(self, data):
        self.to_host.append(Chunk(data, time.monotonic_ns()))
        self.link.wake()

    async def receive(self, count):
        async with asyncio.timeout(5):
            while len(self.to_board) < count:  # noqa: ASYNC110 - there is no event in plain bytes
                await asyncio.sleep(0)
        data = bytes(self.to_board[:count])
        del self.to_board[:count]
        return data

    async def hang_up(self):
        self.gone = True
        self.link.wake()

    async def give_back(self):
        pass


class PtyEnd:
    """A pseudo terminal: what the board's USB chip is on a machine that has none."""

    def __init__(self):
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self.master, False)

    def make_link(self, **settings):
        return link_from_url(self.name, **settings)

    async def send(self, data):
        while data:
            with contextlib.suppress(BlockingIOError):
                data = data[os.write(self.master, data) :]
            await asyncio.sleep(0.001)

    async def receive(self, count):
        data = b""
        while len(data) < count:
            with contextlib.suppress(BlockingIOError, OSError):
                data += os.read(self.master, count - len(data))
            await asyncio.sleep(0.001)
        return data

    async def hang_up(self):
        if self.master is not None:
            os.close(self.master)
            self.master = None

    async def give_back(self):
        await self.hang_up()


class TcpEnd:
    """A board behind a plain TCP bridge."""

    def __init__(self):
        self._server = None
        self._here = asyncio.Queue()
        self._peers = []

    async def start(self):
        self._server = await asyncio.start_server(self._arrived, "127.0.0.1", 0)
        host, port = self._server.sockets[0].getsockname()
        self.url = f"socket://{host}:{port}"
        return self

    async def _arrived(self, reader, writer):
        self._peers.append(writer)
        await self._here.put((reader, writer))

    def make_link(self, **settings):
        return link_from_url(self.url, **settings)

    async def _peer(self):
        reader, writer = await self._here.get()
        self._here.put_nowait((reader, writer))
        return reader, writer

    async def send(self, data):
        _, writer = await self._peer()
        writer.write(data)
        await writer.drain()

    async def receive(self, count):
        reader, _ = await self._peer()
        return await reader.readexactly(count)

    async def hang_up(self):
        _, writer = await self._peer()
        writer.close()
        await writer.wait_closed()

    async def give_back(self):
        self._server.close()
        for writer in self._peers:
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()
        await self._server.wait_closed()


class Ser2netEnd(PtyEnd):
    """A pty behind ser2net, spoken to by RFC 2217."""

    def __init__(self, folder):
        super().__init__()
        # ser2net opens the terminal for each client; holding it open keeps it from hanging up.
        self._held = os.open(self.name, os.O_RDWR | os.O_NOCTTY)
        program = shutil.which("ser2net") or shutil.which("ser2net", path="/usr/sbin:/sbin")
        assert program, "install ser2net (apt install ser2net) to test rfc2217://"
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        settings = folder / "ser2net.yaml"
        settings.write_text(
            "%YAML 1.1\n---\n"
            "connection: &board\n"
            f"  accepter: telnet(rfc2217),tcp,127.0.0.1,{self.port}\n"
            f"  connector: serialdev,{self.name},115200n81,local\n"
        )
        self._log = (folder / "ser2net.log").open("wb")
        self._process = subprocess.Popen(
            [program, "-n", "-u", "-c", str(settings)], stdout=self._log, stderr=self._log
        )
        self.url = f"rfc2217://127.0.0.1:{self.port}?ign_set_control"

    async def start(self):
        while True:
            assert self._process.poll() is None, "ser2net ended"
            with socket.socket() as probe:
                # Bound by somebody = listening; a connection of ours would be its only client.
                try:
                    probe.bind(("127.0.0.1", self.port))
                except OSError:
                    return self
            await asyncio.sleep(0.01)

    def make_link(self, **settings):
        return link_from_url(self.url, **settings)

    async def hang_up(self):
        self._process.terminate()
        await asyncio.to_thread(self._process.wait)

    async def give_back(self):
        await self.hang_up()
        self._log.close()
        os.close(self._held)
        await super().hang_up()


async def _until(so):
    while not so():  # noqa: ASYNC110 - the far end has no events of its own
        await asyncio.sleep(0.001)


class RadioEnd:
    """A peripheral on a message bus of its own, without a board's firmware: raw bytes both ways."""

    def __init__(self, options, monkeypatch):
        self.got = bytearray()
        heard = Events(self.got.extend, lambda: None, lambda: None)
        self.end = BleEnd(heard, options, board_id=bytes(range(8)), name="bare", battery=True,
                          rng=np.random.default_rng(0))  # fmt: skip
        self._monkeypatch = monkeypatch
        self.url = self.end.url

    async def start(self):
        await self.end.open()
        for name, value in self.end.env.items():
            self._monkeypatch.setenv(name, value)
        return self

    def make_link(self, **settings):
        return link_from_url(self.url, **settings)

    async def send(self, data):
        async with asyncio.timeout(5):
            await _until(lambda: self.end.connected)
            self.end.write(data)
            await _until(lambda: not self.end.unsent)

    async def receive(self, count):
        async with asyncio.timeout(5):
            await _until(lambda: len(self.got) >= count)
        data = bytes(self.got[:count])
        del self.got[:count]
        return data

    async def hang_up(self):
        await self.end.drop(0)

    async def give_back(self):
        BLUETOOTH.stop()
        await self.end.close()


class BoardEnd:
    """A real board, which sends what it likes."""

    def __init__(self, url):
        self.url = url

    def make_link(self, **settings):
        return link_from_url(self.url, **settings)

    async def give_back(self):
        pass
