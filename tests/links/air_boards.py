"""Whole boards on the virtual radio: the reference firmware's core, alone or behind the bridge."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import numpy as np
from bumble_air import Air, BoardRadio

from simulators.ble_gatt import (
    BOARD_TO_HOST,
    DEVICE_INFORMATION,
    HOST_TO_BOARD,
    SERIAL_NUMBER,
    SERVICE,
)
from simulators.core_board import CoreBoard, CoreOptions
from simulators.emulator.bridge import (
    CENTRAL_CONNECT,
    CENTRAL_DISCONNECT,
    MTU_EXCHANGED,
    MicroPythonBridge,
)

# As in the core specification, volume 3, part G, 3.3.1.1.
READ, WRITE_NO_RESPONSE, WRITE, NOTIFY = 2, 4, 8, 16
STEP_S = 0.002
# Of bytes: bumble's own queue has no end, a chip's has a few pieces.
QUEUE = 4


def uuid_bytes(text: str) -> bytes:
    return bytes(reversed(bytes.fromhex(text.replace("-", ""))))


def field(kind: int, value: bytes) -> bytes:
    return bytes([len(value) + 1, kind]) + value


class CoreOnAir:
    """The C core, its line straight into a radio: what a chip with a stack of its own would be."""

    def __init__(
        self,
        air: Air,
        library: Path,
        *,
        mtu: int = 247,
        encrypted: bool = False,
        name: str = "strip",
    ) -> None:
        self._air = air
        self._mtu_limit = mtu
        self._encrypted = encrypted
        self._name = name
        self.core = CoreBoard(library, CoreOptions())
        self.url = "ble://4c42000000000001"
        self.radio: BoardRadio
        self.struck = 0
        self._unsent = bytearray()
        self._cut_after: int | None = None
        self._mtu = 23
        self._tasks: list[asyncio.Task[None]] = []

    async def start(self, address: str = "C0:00:5E:00:53:20") -> None:
        self.radio = await self._air.board(address, self._mtu_limit)
        self.radio.on_connected = self._connected
        self.radio.on_disconnected = self._disconnected
        self.radio.on_mtu = self._agreed
        self.radio.on_write = self._written
        await self._go_on_air()
        self._tasks.append(asyncio.create_task(self._run()))

    async def _go_on_air(self) -> None:
        self.radio.register(
            [
                [SERVICE, [[BOARD_TO_HOST, NOTIFY], [HOST_TO_BOARD, WRITE | WRITE_NO_RESPONSE]]],
                [DEVICE_INFORMATION, [[SERIAL_NUMBER, READ]]],
            ],
            self._encrypted,
        )
        self.radio.set_value(SERIAL_NUMBER, b"4c42000000000001")
        await self._advertise()

    async def _advertise(self) -> None:
        service = uuid_bytes(SERVICE)
        await self.radio.advertise(
            field(1, b"\x06") + field(7, service) + field(8, self._name[:8].encode()),
            field(0x21, service + bytes.fromhex("4c42000000000001")),
        )

    def _connected(self) -> None:
        self._mtu = 23

    def _disconnected(self) -> None:
        self._unsent.clear()
        self._tasks.append(asyncio.get_running_loop().create_task(self._advertise()))

    def _agreed(self, mtu: int) -> None:
        self._mtu = mtu

    def _written(self, data: bytes) -> None:
        self.core.receive(data)

    async def _run(self) -> None:
        last_ns = time.monotonic_ns()
        while True:
            now_ns = time.monotonic_ns()
            self._heard_from_core(self.core.advance(now_ns - last_ns))
            last_ns = now_ns
            await self._pass_on()
            await asyncio.sleep(STEP_S)

    def _heard_from_core(self, data: bytes) -> None:
        if self.radio.subscribed(BOARD_TO_HOST):
            self._unsent += data

    async def _pass_on(self) -> None:
        while self._unsent and self.radio.subscribed(BOARD_TO_HOST):
            piece = bytes(self._unsent[: self._mtu - 3])
            if self._cut_after is not None and len(piece) > self._cut_after:
                piece = piece[: self._cut_after]
            del self._unsent[: len(piece)]
            await self.radio.notify(BOARD_TO_HOST, piece)
            if self._cut_after is not None:
                self._cut_after -= len(piece)
                if self._cut_after == 0:
                    self._cut_after = None
                    await self.radio.hang_up()

    async def strike(self) -> None:
        """A contact, a millisecond from now."""
        times = np.linspace(0, 1, 41)
        places = np.zeros((self.core.rows, self.core.cells))
        places[:, 5:10] = 100.0
        wave = np.sin(np.pi * times)[:, np.newaxis, np.newaxis] * places
        self.core.play(self.core.now_ns + 5_000_000, 20_000, wave.astype(np.float32))
        self.struck += 1

    async def hang_up(self) -> None:
        await self.radio.hang_up()

    async def hang_up_after(self, count: int) -> None:
        """End the connection when so many bytes more have gone out, wherever in a frame that is."""
        self._cut_after = count

    async def stop(self) -> None:
        for task in self._tasks:
            task.cancel()
        ended = await asyncio.gather(*self._tasks, return_exceptions=True)
        # A board that broke must not pass for one that is out of reach.
        broken = [one for one in ended if isinstance(one, Exception)]
        assert broken == []


class BridgedBoard(CoreOnAir):
    """The C core on a serial line, the MicroPython bridge at its other end."""

    def __init__(self, air: Air, library: Path, *, mtu: int = 247) -> None:
        super().__init__(air, library, mtu=mtu)
        self.bridge = MicroPythonBridge(by_hand=False)
        self.printed: list[str] = []
        self.overrun = 0
        self.notified_bytes = 0
        self._going_out: asyncio.Queue[bytes] = asyncio.Queue()
        self._number = 64

    async def _go_on_air(self) -> None:
        self.bridge.tell(room=QUEUE)
        asyncio.get_running_loop().add_reader(self.bridge.fileno(), self._heard_from_bridge)
        self._tasks.append(asyncio.create_task(self._notify()))
        for message in self.bridge.began:
            self._obey(message)

    def _heard_from_bridge(self) -> None:
        for message in self.bridge.read():
            self._obey(message)

    def _obey(self, message: dict) -> None:
        if "services" in message:
            self.radio.register([[_named(s), [[_named(c), bits] for c, bits in cs]]
                                 for s, cs in message["services"]])  # fmt: skip
        elif "value" in message:
            name, value = message["value"]
            self.radio.set_value(_named(name), bytes.fromhex(value))
        elif "advertise" in message:
            said = message["advertise"]
            work = self.radio.advertise(bytes.fromhex(said["adv"]), bytes.fromhex(said["resp"]))
            self._tasks.append(asyncio.get_running_loop().create_task(work))
        elif "notify" in message:
            self._going_out.put_nowait(bytes.fromhex(message["notify"]))
        elif "uart" in message:
            self.core.receive(bytes.fromhex(message["uart"]))
        elif "overrun" in message:
            self.overrun += message["overrun"]
        elif "print" in message:
            self.printed.append(message["print"])

    async def _notify(self) -> None:
        while True:
            data = await self._going_out.get()
            # MicroPython sends to a host whether it has subscribed or not.
            await self.radio.notify(BOARD_TO_HOST, data, force=True)
            self.notified_bytes += len(data)
            self.bridge.tell(more=1)

    def _connected(self) -> None:
        self._number += 1
        self.bridge.tell(event=[CENTRAL_CONNECT, self._number, 0, 0])

    def _disconnected(self) -> None:
        self.bridge.tell(event=[CENTRAL_DISCONNECT, self._number, 0, 0])

    def _agreed(self, mtu: int) -> None:
        self.bridge.tell(event=[MTU_EXCHANGED, self._number, mtu])

    def _written(self, data: bytes) -> None:
        self.bridge.tell(write=data.hex())

    def _heard_from_core(self, data: bytes) -> None:
        if data:
            self.bridge.tell(uart=data.hex())

    async def _pass_on(self) -> None:
        return

    async def stop(self) -> None:
        asyncio.get_running_loop().remove_reader(self.bridge.fileno())
        await super().stop()
        self.bridge.close()


def _named(text: str) -> str:
    """A UUID's digits as bumble wants them: four, or with hyphens."""
    if len(text) == 4:
        return f"0000{text}-0000-1000-8000-00805f9b34fb"
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))
