"""The Bluetooth daemon's end of the message bus: what it says there, as raw messages."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from simulators.ble_objects import Interfaces, Props

if TYPE_CHECKING:
    from dbus_fast import Message
    from dbus_fast.aio import MessageBus

MANAGER = "org.freedesktop.DBus.ObjectManager"
PROPERTIES = "org.freedesktop.DBus.Properties"
BUS = "org.freedesktop.DBus"

# dbus-fast takes a full socket for a broken one; an answered Ping shows that it is empty again.
PING_EVERY = 50


class BusEnd:
    """A connection to the bus, which may be closed and opened again.

    Parameters
    ----------
    address
        Of the bus.
    """

    def __init__(self, address: str) -> None:
        self._address = address
        self._bus: MessageBus | None = None
        self._mute = True
        self._signals_since_ping = 0

    async def open(self, name: str, heard: Callable[[Message], bool | None]) -> None:
        """Come up on the bus under a name; hand on whatever comes."""
        from dbus_fast.aio import MessageBus

        bus = MessageBus(bus_address=self._address, negotiate_unix_fd=True)
        await bus.connect()
        bus.add_message_handler(heard)
        self._bus, self._mute = bus, False
        await self._call_bus("AddMatch", "s", ["type='signal',member='NameOwnerChanged'"])
        await bus.request_name(name)

    def mute(self) -> None:
        """Say nothing any more."""
        self._mute = True

    async def close(self) -> None:
        """Be gone from the bus."""
        bus, self._bus = self._bus, None
        self._mute = True
        if bus is not None:
            bus.disconnect()
            with contextlib.suppress(Exception):
                await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    async def _call_bus(
        self, member: str, signature: str = "", body: list[Any] | None = None
    ) -> None:
        from dbus_fast import Message

        assert self._bus is not None
        interface = "org.freedesktop.DBus.Peer" if member == "Ping" else BUS
        await self._bus.call(Message(destination=BUS, path="/org/freedesktop/DBus",
                                     interface=interface, member=member, signature=signature,
                                     body=body or []))  # fmt: skip

    def send(self, message: Message) -> asyncio.Future[None] | None:
        """Send; the future is done once it is out, and None if there is no bus to send to."""
        if self._bus is None or self._mute or not self._bus.connected:
            return None
        sent: asyncio.Future[None] = self._bus.send(message)
        sent.add_done_callback(lambda one: one.cancelled() or one.exception())
        return sent

    def _signal(
        self, path: str, interface: str, member: str, signature: str, body: list[Any]
    ) -> None:
        from dbus_fast import Message

        self.send(Message.new_signal(path, interface, member, signature, body))

    def changed(
        self, path: str, interface: str, props: Props, gone: list[str] | None = None
    ) -> None:
        """Tell of properties that have other values now, or none."""
        self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as",
                     [interface, variants(props), gone or []])  # fmt: skip

    def added(self, path: str, interfaces: Interfaces) -> None:
        """Tell of a new object."""
        self._signal("/", MANAGER, "InterfacesAdded", "oa{sa{sv}}",
                     [path, {name: variants(props) for name, props in interfaces.items()}],
                     )  # fmt: skip

    def removed(self, path: str, interfaces: Interfaces) -> None:
        """Tell that an object is gone."""
        self._signal("/", MANAGER, "InterfacesRemoved", "oas", [path, list(interfaces)])

    async def keep_up(self) -> None:
        """After each of many signals: wait for the bus now and then."""
        self._signals_since_ping += 1
        if self._signals_since_ping >= PING_EVERY and not self._mute:
            self._signals_since_ping = 0
            with contextlib.suppress(Exception):
                await self._call_bus("Ping")


def variants(props: Props) -> dict[str, Any]:
    """Properties as the bus wants them."""
    from dbus_fast import Variant

    return {name: Variant(signature, value) for name, (signature, value) in props.items()}
