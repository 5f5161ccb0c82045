"""The public D-Bus interface of Linux's Bluetooth daemon, with simulated boards on its radio.

Written from the published interface descriptions (``org.bluez.Adapter``, ``Device``,
``GattService``, ``GattCharacteristic``) and the D-Bus specification; of the daemon itself nothing
is in here. One adapter, raw messages.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import Awaitable
from typing import TYPE_CHECKING

from simulators.ble_bus_end import BUS, BusEnd
from simulators.ble_calls import CALLS, RefusedError
from simulators.ble_peripheral import Peripheral
from simulators.ble_radio import Radio

if TYPE_CHECKING:
    from dbus_fast import Message


class BluetoothDaemon(Radio):
    """The daemon on the bus, and the boards that its radio can hear."""

    def __init__(
        self, bus_address: str, peripherals: list[Peripheral], *, central: bool = True,
        powered: bool = True, offers_acquire: bool = True,
    ) -> None:  # fmt: skip
        super().__init__(
            BusEnd(bus_address), peripherals, central=central, powered=powered,
            offers_acquire=offers_acquire,
        )  # fmt: skip
        self._tasks: set[asyncio.Task[None]] = set()

    async def open(self) -> None:
        """Come up on the bus under the daemon's name."""
        await self.bus.open("org.bluez", self._heard)

    async def close(self) -> None:
        """Be gone from the bus without a word, as a daemon that was killed."""
        self.bus.mute()
        self.forget_all()
        for task in self._tasks:
            task.cancel()
        await self.bus.close()

    def _start(self, work: Awaitable[None]) -> None:
        async def run() -> None:
            await work

        task = asyncio.create_task(run())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _heard(self, message: Message) -> bool | None:
        from dbus_fast import MessageType

        if message.message_type is MessageType.SIGNAL:
            if message.member == "NameOwnerChanged" and not message.body[2]:
                self.client_gone(message.body[0])
            return None
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        self._start(self._answer(message))
        return True

    async def _answer(self, call: Message) -> None:
        from dbus_fast import Message

        descriptors: list[int] = []
        try:
            doing = CALLS.get(f"{call.interface}.{call.member}")
            if doing is None:
                raise RefusedError(f"{BUS}.Error.UnknownMethod", f"no {call.member} here")
            signature, body, descriptors = await doing(self, call)
            reply = Message.new_method_return(call, signature, body, descriptors)
        except RefusedError as refused:
            reply = Message.new_error(call, refused.name, str(refused))
        except ConnectionError as error:
            reply = Message.new_error(call, "org.bluez.Error.Failed", str(error))
        sent = self.bus.send(reply)
        if sent is not None and descriptors:
            with contextlib.suppress(Exception):
                await sent
        for descriptor in descriptors:
            os.close(descriptor)
