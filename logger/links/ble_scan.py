"""One search on the air that several can listen to.

A system's Bluetooth service lets a program search only once at a time: BlueZ answers a second
search with "Operation already in progress", and a logger with two boards out of reach looks for
both. All calls are made on the Bluetooth loop.
"""

from __future__ import annotations

import asyncio
import contextlib
import weakref
from collections.abc import AsyncIterator, Callable
from typing import TYPE_CHECKING

from logger.links.gatt import SERVICE

if TYPE_CHECKING:
    from bleak import BleakScanner
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

    Heard = tuple[BLEDevice, AdvertisementData]
    Hear = Callable[[BLEDevice, AdvertisementData], None]

# Boards advertise about once a second (firmware_notes/ble.md); one not heard for this long may be
# gone, and is not told to somebody who joins a search that goes on.
_STILL_THERE_S = 3.0
# A service that was restarted leaves a search deaf; begun again now and then it hears, also if
# there is always somebody who listens.
_ANEW_S = 30.0


class SharedScan:
    """A search that starts with the first who listens and stops with the last."""

    def __init__(self) -> None:
        self._listeners: list[Hear] = []
        self._scanner: BleakScanner | None = None
        self._began_s = 0.0
        self._changing = asyncio.Lock()
        self._heard: dict[str, tuple[float, Heard]] = {}

    @contextlib.asynccontextmanager
    async def listening(self, hear: Hear) -> AsyncIterator[None]:
        """Tell ``hear`` of every advertisement of a board, of those just heard too."""
        self._listeners.append(hear)
        try:
            await self._start()
            now_s = asyncio.get_running_loop().time()
            for heard_s, heard in list(self._heard.values()):
                if now_s - heard_s < _STILL_THERE_S:
                    hear(*heard)
            yield
        finally:
            self._listeners.remove(hear)
            await self._stop()

    async def _start(self) -> None:
        from bleak import BleakScanner

        async with self._changing:
            now_s = asyncio.get_running_loop().time()
            if self._scanner is not None and now_s - self._began_s > _ANEW_S:
                scanner, self._scanner = self._scanner, None
                with contextlib.suppress(Exception):
                    await scanner.stop()
            if self._scanner is None:
                scanner = BleakScanner(self._detected, [SERVICE])
                await scanner.start()
                self._scanner, self._began_s = scanner, now_s

    async def _stop(self) -> None:
        async with self._changing:
            if self._scanner is None or self._listeners:
                return
            scanner, self._scanner = self._scanner, None
            self._heard.clear()
            await scanner.stop()

    def _detected(self, device: BLEDevice, said: AdvertisementData) -> None:
        self._heard[device.address] = asyncio.get_running_loop().time(), (device, said)
        for hear in list(self._listeners):
            hear(device, said)


_SCANS: weakref.WeakKeyDictionary[asyncio.AbstractEventLoop, SharedScan] = (
    weakref.WeakKeyDictionary()
)


def shared_scan() -> SharedScan:
    """Return the one search of the running loop."""
    return _SCANS.setdefault(asyncio.get_running_loop(), SharedScan())
