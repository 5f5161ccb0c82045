"""The radio of a Bluetooth adapter: what happens on it, told on the message bus as it happens."""

from __future__ import annotations

import asyncio
import contextlib
from itertools import count

from simulators.ble_bus_end import BusEnd
from simulators.ble_objects import (
    ADAPTER,
    ADAPTER_PATH,
    DEVICE,
    GATT_CHARACTERISTIC,
    RadioObjects,
)
from simulators.ble_peripheral import Peripheral

ADVERTISE_EVERY_S = 0.05


class Radio(RadioObjects):
    """Boards that come and go, are connected and notify."""

    def __init__(
        self, bus: BusEnd, peripherals: list[Peripheral], *, central: bool, powered: bool,
        offers_acquire: bool,
    ) -> None:  # fmt: skip
        super().__init__(
            peripherals, central=central, powered=powered, offers_acquire=offers_acquire
        )
        self.bus = bus
        self._advertising: asyncio.Task[None] | None = None

    async def notify(self, peripheral: Peripheral, value: bytes) -> None:
        """Hand one notification to whoever subscribed; it is lost if nobody did."""
        end = peripheral.acquired
        if end is not None:
            with contextlib.suppress(OSError):
                await asyncio.get_running_loop().sock_sendall(end, value)
        elif peripheral.notified:
            assert peripheral.board_to_host is not None
            path = self.path_in(peripheral, peripheral.board_to_host)
            self.bus.changed(path, GATT_CHARACTERISTIC, {"Value": ("ay", value)})
            await self.bus.keep_up()

    def discover(self, client: str) -> None:
        """Look for boards on a client's behalf."""
        self.discoverers.add(client)
        self.bus.changed(ADAPTER_PATH, ADAPTER, {"Discovering": ("b", True)})
        if self._advertising is None or self._advertising.done():
            self._advertising = asyncio.create_task(self._advertise())

    def stop_discovering(self, client: str) -> None:
        """Look no more, unless another client wants it."""
        self.discoverers.discard(client)
        if not self.discoverers:
            if self._advertising is not None:
                self._advertising.cancel()
            for peripheral in self.peripherals:
                if peripheral.known:
                    self.bus.changed(self.path_of(peripheral), DEVICE, {}, ["RSSI"])
            self.bus.changed(ADAPTER_PATH, ADAPTER, {"Discovering": ("b", False)})

    async def _advertise(self) -> None:
        """Let every board in range be heard while somebody looks for them."""
        for turn in count():
            await asyncio.sleep(ADVERTISE_EVERY_S)
            for peripheral in self.peripherals:
                if not peripheral.advertises or not self.present:
                    continue
                path = self.path_of(peripheral)
                if not peripheral.known:
                    peripheral.known = True
                    self.bus.added(path, {DEVICE: self.device_props(peripheral)})
                else:
                    # Received strength is never twice the same.
                    heard = peripheral.rssi_dbm - turn % 2
                    self.bus.changed(path, DEVICE, {"RSSI": ("n", heard)})

    def link_lost(self, peripheral: Peripheral) -> None:
        """End a connection: the board went, or one side closed it."""
        if not peripheral.connected:
            return
        path = self.path_of(peripheral)
        was_subscribed, was_resolved = peripheral.subscribed, peripheral.resolved
        peripheral.end_sessions()
        peripheral.connected = peripheral.resolved = False
        self.bus.changed(
            path, DEVICE, {"ServicesResolved": ("b", False), "Connected": ("b", False)}
        )
        if was_resolved and not peripheral.paired:
            # What a device offers is remembered only for bonded ones.
            for gatt, interfaces in reversed(list(self.gatt_objects(peripheral))):
                self.bus.removed(gatt, interfaces)
        peripheral.lost.set()
        if was_subscribed:
            peripheral.on_unsubscribed()

    def client_gone(self, name: str) -> None:
        """End what a client had asked for that left the bus."""
        self.discoverers.discard(name)
        for peripheral in self.peripherals:
            if name in peripheral.notified:
                peripheral.notified.discard(name)
                if not peripheral.subscribed:
                    peripheral.on_unsubscribed()

    def set_adapter(self, *, present: bool, powered: bool) -> None:
        """Pull the adapter out, switch its radio off, or bring it back."""
        if not (present and powered):
            for peripheral in self.peripherals:
                self.link_lost(peripheral)
        if self.present and not present:
            for path, interfaces in reversed(list(self.objects())):
                self.bus.removed(path, interfaces)
            self.discoverers.clear()
            for peripheral in self.peripherals:
                peripheral.known = False
        came_back = present and not self.present
        self.present, self.powered = present, powered
        if came_back:
            self.bus.added(ADAPTER_PATH, {ADAPTER: self.adapter_props()})
        elif present:
            self.bus.changed(ADAPTER_PATH, ADAPTER, {"Powered": ("b", powered)})

    def forget_all(self) -> None:
        """Have no board and no client any more, without a word."""
        for peripheral in self.peripherals:
            was = peripheral.subscribed
            peripheral.end_sessions()
            peripheral.known = peripheral.connected = peripheral.resolved = False
            if was:
                peripheral.on_unsubscribed()
        self.discoverers.clear()
        if self._advertising is not None:
            self._advertising.cancel()
        self._advertising = None
