"""The public D-Bus interface of Linux's Bluetooth daemon, with simulated boards on its radio.

Written from the published interface descriptions (``org.bluez.Adapter``, ``Device``,
``GattService``, ``GattCharacteristic``) and the D-Bus specification; of the daemon itself nothing
is in here. One adapter, raw messages. Names of errors that are not in those pages are from memory.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any, TypeAlias

from simulators.ble_gatt import Characteristic
from simulators.ble_objects import (
    ADAPTER,
    ADAPTER_PATH,
    DEVICE,
    GATT_CHARACTERISTIC,
    Interfaces,
    Props,
    RadioObjects,
)
from simulators.ble_peripheral import Peripheral

if TYPE_CHECKING:
    from dbus_fast import Message
    from dbus_fast.aio import MessageBus

MANAGER = "org.freedesktop.DBus.ObjectManager"
PROPERTIES = "org.freedesktop.DBus.Properties"
BUS = "org.freedesktop.DBus"

# dbus-fast takes a full socket for a broken one; an answered Ping shows that it is empty again.
PING_EVERY = 50
ADVERTISE_EVERY_S = 0.05

Answer: TypeAlias = tuple[str, list[Any], list[int]]
_NOTHING: Answer = ("", [], [])


class RefusedError(Exception):
    """A call that is answered with an error."""

    def __init__(self, name: str, text: str) -> None:
        super().__init__(text)
        self.name = name if "." in name else f"org.bluez.Error.{name}"


class BluetoothDaemon(RadioObjects):
    """The daemon's end of the bus, and the boards that its radio can hear."""

    def __init__(
        self, bus_address: str, peripherals: list[Peripheral], *, central: bool = True,
        powered: bool = True, offers_acquire: bool = True,
    ) -> None:  # fmt: skip
        super().__init__(
            peripherals, central=central, powered=powered, offers_acquire=offers_acquire
        )
        self._bus_address = bus_address
        self._bus: MessageBus | None = None
        self._advertising: asyncio.Task[None] | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._signals_since_ping = 0

    # -- life ----------------------------------------------------------------------------------

    async def open(self) -> None:
        """Come up on the bus under the daemon's name."""
        from dbus_fast.aio import MessageBus

        bus = MessageBus(bus_address=self._bus_address, negotiate_unix_fd=True)
        await bus.connect()
        bus.add_message_handler(self._heard)
        self._bus = bus
        await self._call_bus("AddMatch", "s", ["type='signal',member='NameOwnerChanged'"])
        await bus.request_name("org.bluez")

    async def close(self) -> None:
        """Be gone from the bus without a word, as a daemon that was killed."""
        bus, self._bus = self._bus, None
        for peripheral in self.peripherals:
            self._silently_gone(peripheral)
        self.discoverers.clear()
        for task in [*self._tasks, *([self._advertising] if self._advertising else [])]:
            task.cancel()
        self._advertising = None
        if bus is not None:
            bus.disconnect()
            with contextlib.suppress(Exception):
                await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    def _silently_gone(self, peripheral: Peripheral) -> None:
        was = peripheral.subscribed
        peripheral.end_sessions()
        peripheral.known = peripheral.connected = peripheral.resolved = False
        if was:
            peripheral.on_unsubscribed()

    async def _call_bus(
        self, member: str, signature: str = "", body: list[Any] | None = None
    ) -> None:
        from dbus_fast import Message

        assert self._bus is not None
        interface = "org.freedesktop.DBus.Peer" if member == "Ping" else BUS
        await self._bus.call(Message(destination=BUS, path="/org/freedesktop/DBus",
                                     interface=interface, member=member, signature=signature,
                                     body=body or []))  # fmt: skip

    def _start(self, work: Awaitable[None]) -> None:
        async def run() -> None:
            await work

        task = asyncio.create_task(run())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _find(self, path: str) -> tuple[Peripheral, Characteristic | None]:
        try:
            return self.find(path)
        except KeyError:
            raise RefusedError(f"{BUS}.Error.UnknownObject", f"no object at {path}") from None

    # -- what it says --------------------------------------------------------------------------

    def _send(self, message: Message) -> asyncio.Future[None] | None:
        if self._bus is None or not self._bus.connected:
            return None
        sent: asyncio.Future[None] = self._bus.send(message)
        sent.add_done_callback(lambda one: one.cancelled() or one.exception())
        return sent

    def _signal(
        self, path: str, interface: str, member: str, signature: str, body: list[Any]
    ) -> None:
        from dbus_fast import Message

        self._send(Message.new_signal(path, interface, member, signature, body))

    def _changed(
        self, path: str, interface: str, props: Props, gone: list[str] | None = None
    ) -> None:
        self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as",
                     [interface, _variants(props), gone or []])  # fmt: skip

    def _added(self, path: str, interfaces: Interfaces) -> None:
        self._signal("/", MANAGER, "InterfacesAdded", "oa{sa{sv}}",
                     [path, {name: _variants(props) for name, props in interfaces.items()}],
                     )  # fmt: skip

    def _removed(self, path: str, interfaces: Interfaces) -> None:
        self._signal("/", MANAGER, "InterfacesRemoved", "oas", [path, list(interfaces)])

    async def notify(self, peripheral: Peripheral, value: bytes) -> None:
        """Hand one notification to whoever subscribed; it is lost if nobody did."""
        end = peripheral.acquired
        if end is not None:
            with contextlib.suppress(OSError):
                await asyncio.get_running_loop().sock_sendall(end, value)
        elif peripheral.notified:
            assert peripheral.board_to_host is not None
            path = self.path_in(peripheral, peripheral.board_to_host)
            self._changed(path, GATT_CHARACTERISTIC, {"Value": ("ay", value)})
            self._signals_since_ping += 1
            if self._signals_since_ping >= PING_EVERY and self._bus is not None:
                self._signals_since_ping = 0
                with contextlib.suppress(Exception):
                    await self._call_bus("Ping")

    # -- what happens on the radio -------------------------------------------------------------

    async def _advertise(self) -> None:
        """Let every board in range be heard while somebody looks for them."""
        from itertools import count

        for turn in count():
            await asyncio.sleep(ADVERTISE_EVERY_S)
            for peripheral in self.peripherals:
                if not peripheral.advertises or not self.present:
                    continue
                path = self.path_of(peripheral)
                if not peripheral.known:
                    peripheral.known = True
                    self._added(path, {DEVICE: self.device_props(peripheral)})
                else:
                    # Received strength is never twice the same.
                    heard = peripheral.rssi_dbm - turn % 2
                    self._changed(path, DEVICE, {"RSSI": ("n", heard)})

    def link_lost(self, peripheral: Peripheral) -> None:
        """End a connection: the board went, or one side closed it."""
        if not peripheral.connected:
            return
        path = self.path_of(peripheral)
        was_subscribed, was_resolved = peripheral.subscribed, peripheral.resolved
        peripheral.end_sessions()
        peripheral.connected = peripheral.resolved = False
        self._changed(path, DEVICE, {"ServicesResolved": ("b", False), "Connected": ("b", False)})
        if was_resolved and not peripheral.paired:
            # What a device offers is remembered only for bonded ones.
            for gatt, interfaces in reversed(list(self.gatt_objects(peripheral))):
                self._removed(gatt, interfaces)
        peripheral.lost.set()
        if was_subscribed:
            peripheral.on_unsubscribed()

    def set_adapter(self, *, present: bool, powered: bool) -> None:
        """Pull the adapter out, switch its radio off, or bring it back."""
        if not (present and powered):
            for peripheral in self.peripherals:
                self.link_lost(peripheral)
        if self.present and not present:
            for path, interfaces in reversed(list(self.objects())):
                self._removed(path, interfaces)
            self.discoverers.clear()
            for peripheral in self.peripherals:
                peripheral.known = False
        came_back = present and not self.present
        self.present, self.powered = present, powered
        if came_back:
            self._added(ADAPTER_PATH, {ADAPTER: self.adapter_props()})
        elif present:
            self._changed(ADAPTER_PATH, ADAPTER, {"Powered": ("b", powered)})

    # -- what it hears -------------------------------------------------------------------------

    def _heard(self, message: Message) -> bool | None:
        from dbus_fast import MessageType

        if message.message_type is MessageType.SIGNAL:
            if message.member == "NameOwnerChanged" and not message.body[2]:
                self._client_gone(message.body[0])
            return None
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        self._start(self._answer(message))
        return True

    def _client_gone(self, name: str) -> None:
        self.discoverers.discard(name)
        for peripheral in self.peripherals:
            if name in peripheral.notified:
                peripheral.notified.discard(name)
                if not peripheral.subscribed:
                    peripheral.on_unsubscribed()

    async def _answer(self, call: Message) -> None:
        from dbus_fast import Message

        descriptors: list[int] = []
        try:
            doing = self._calls.get(f"{call.interface}.{call.member}")
            if doing is None:
                raise RefusedError(f"{BUS}.Error.UnknownMethod", f"no {call.member} here")
            signature, body, descriptors = await doing(self, call)
            reply = Message.new_method_return(call, signature, body, descriptors)
        except RefusedError as refused:
            reply = Message.new_error(call, refused.name, str(refused))
        except ConnectionError as error:
            reply = Message.new_error(call, "org.bluez.Error.Failed", str(error))
        sent = self._send(reply)
        if sent is not None and descriptors:
            with contextlib.suppress(Exception):
                await sent
        for descriptor in descriptors:
            os.close(descriptor)

    async def _managed(self, call: Message) -> Answer:
        found = {
            path: {name: _variants(props) for name, props in interfaces.items()}
            for path, interfaces in self.objects()
        }
        return "a{oa{sa{sv}}}", [found], []

    def _need_adapter(self) -> None:
        if not self.present:
            raise RefusedError(f"{BUS}.Error.UnknownObject", "no adapter")
        if not self.powered:
            raise RefusedError("NotReady", "Resource Not Ready")

    async def _set_filter(self, call: Message) -> Answer:
        self._need_adapter()
        return _NOTHING

    async def _start_discovery(self, call: Message) -> Answer:
        self._need_adapter()
        assert call.sender is not None
        if call.sender in self.discoverers:
            raise RefusedError("InProgress", "Operation already in progress")
        self.discoverers.add(call.sender)
        self._changed(ADAPTER_PATH, ADAPTER, {"Discovering": ("b", True)})
        if self._advertising is None or self._advertising.done():
            self._advertising = asyncio.create_task(self._advertise())
        return _NOTHING

    async def _stop_discovery(self, call: Message) -> Answer:
        self._need_adapter()
        if call.sender not in self.discoverers:
            raise RefusedError("Failed", "No discovery started")
        self.discoverers.discard(call.sender)
        if not self.discoverers:
            if self._advertising is not None:
                self._advertising.cancel()
            for peripheral in self.peripherals:
                if peripheral.known:
                    self._changed(self.path_of(peripheral), DEVICE, {}, ["RSSI"])
            self._changed(ADAPTER_PATH, ADAPTER, {"Discovering": ("b", False)})
        return _NOTHING

    async def _remove_device(self, call: Message) -> Answer:
        peripheral, _ = self._find(call.body[0])
        self.link_lost(peripheral)
        self._removed(self.path_of(peripheral), {DEVICE: {}})
        peripheral.known = peripheral.paired = False
        return _NOTHING

    async def _connect(self, call: Message) -> Answer:
        self._need_adapter()
        peripheral, _ = self._find(call.path or "")
        await self._reach(peripheral)
        return _NOTHING

    async def _pair(self, call: Message) -> Answer:
        self._need_adapter()
        peripheral, _ = self._find(call.path or "")
        if peripheral.paired:
            raise RefusedError("AlreadyExists", "Already Exists")
        await self._reach(peripheral)
        if peripheral.refuses_pairing:
            self.link_lost(peripheral)
            raise RefusedError("AuthenticationFailed", "Authentication Failed")
        peripheral.paired = True
        self._changed(self.path_of(peripheral), DEVICE, {"Paired": ("b", True)})
        return _NOTHING

    async def _reach(self, peripheral: Peripheral) -> None:
        """Connect: everything that follows is told before the call is answered."""
        if peripheral.connected:
            return
        path = self.path_of(peripheral)
        if peripheral.refusals > 0 or not peripheral.in_range or peripheral.held_by_another:
            peripheral.refusals = max(0, peripheral.refusals - 1)
            await asyncio.sleep(0.05)
            raise RefusedError("Failed", "le-connection-refused")
        peripheral.lost.clear()
        peripheral.connected = True
        self._changed(path, DEVICE, {"Connected": ("b", True)})
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(peripheral.lost.wait(), peripheral.discovery_s)
        if not peripheral.connected:
            raise RefusedError("Failed", "le-connection-abort-by-remote")
        peripheral.resolved = True
        for gatt, interfaces in self.gatt_objects(peripheral):
            self._added(gatt, interfaces)
        uuids = [service.uuid for service in peripheral.services]
        self._changed(path, DEVICE, {"UUIDs": ("as", uuids)})
        self._changed(path, DEVICE, {"ServicesResolved": ("b", True)})

    async def _disconnect(self, call: Message) -> Answer:
        peripheral, _ = self._find(call.path or "")
        self.link_lost(peripheral)
        return _NOTHING

    def _characteristic(self, call: Message) -> tuple[Peripheral, Characteristic]:
        peripheral, one = self._find(call.path or "")
        if one is None or not peripheral.connected:
            raise RefusedError("Failed", "Not connected")
        if peripheral.wants_pairing and not peripheral.paired:
            raise RefusedError("NotPermitted", "Not paired")
        return peripheral, one

    async def _read_value(self, call: Message) -> Answer:
        peripheral, one = self._characteristic(call)
        await peripheral.until_heard()
        if "read" not in one.flags:
            raise RefusedError("NotPermitted", "Read not permitted")
        return "ay", [one.value], []

    async def _write_value(self, call: Message) -> Answer:
        peripheral, one = self._characteristic(call)
        value, options = call.body
        kind = options["type"].value if "type" in options else "request"
        if kind == "command" and len(value) > peripheral.mtu - 3:
            # A radio cannot send it; the real daemon does not say so either.
            return _NOTHING
        if kind == "request":
            await peripheral.until_heard()
        if one is not peripheral.host_to_board:
            raise RefusedError("NotPermitted", "Write not permitted")
        if peripheral.in_range:
            peripheral.on_write(bytes(value))
        return _NOTHING

    async def _start_notify(self, call: Message) -> Answer:
        peripheral, one = self._characteristic(call)
        assert call.sender is not None
        await peripheral.until_heard()
        if not one.notifies:
            raise RefusedError("NotSupported", "Operation is not supported")
        if peripheral.acquired is not None:
            raise RefusedError("NotPermitted", "Notify acquired")
        if one is peripheral.board_to_host:
            was = peripheral.subscribed
            peripheral.notified.add(call.sender)
            self._changed(call.path or "", GATT_CHARACTERISTIC, {"Notifying": ("b", True)})
            if not was:
                peripheral.on_subscribed()
        return _NOTHING

    async def _stop_notify(self, call: Message) -> Answer:
        peripheral, _ = self._characteristic(call)
        if call.sender not in peripheral.notified:
            raise RefusedError("Failed", "No notify session started")
        self._client_gone(call.sender or "")
        return _NOTHING

    async def _acquire_notify(self, call: Message) -> Answer:
        peripheral, one = self._characteristic(call)
        await peripheral.until_heard()
        if not self.offers_acquire or one is not peripheral.board_to_host:
            raise RefusedError("NotSupported", "Operation is not supported")
        if peripheral.subscribed:
            raise RefusedError("NotPermitted", "Notify acquired")
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        theirs.setblocking(False)
        peripheral.acquired = ours
        asyncio.get_running_loop().add_reader(ours, self._released, peripheral)
        self._changed(call.path or "", GATT_CHARACTERISTIC, {"NotifyAcquired": ("b", True)})
        peripheral.on_subscribed()
        return "hq", [0, peripheral.mtu], [theirs.detach()]

    def _released(self, peripheral: Peripheral) -> None:
        """Notice that the host closed its end of an acquired notification."""
        if peripheral.subscribed:
            peripheral.end_sessions()
            peripheral.on_unsubscribed()

    async def _set_property(self, call: Message) -> Answer:
        peripheral, _ = self._find(call.path or "")
        interface, name, value = call.body
        if (interface, name) != (DEVICE, "Trusted"):
            raise RefusedError(f"{BUS}.Error.PropertyReadOnly", f"{name} cannot be set")
        peripheral.trusted = bool(value.value)
        self._changed(call.path or "", DEVICE, {"Trusted": ("b", peripheral.trusted)})
        return _NOTHING

    _calls: dict[str, Callable[[BluetoothDaemon, Message], Awaitable[Answer]]] = {  # noqa: RUF012
        f"{MANAGER}.GetManagedObjects": _managed,
        f"{ADAPTER}.SetDiscoveryFilter": _set_filter,
        f"{ADAPTER}.StartDiscovery": _start_discovery,
        f"{ADAPTER}.StopDiscovery": _stop_discovery,
        f"{ADAPTER}.RemoveDevice": _remove_device,
        f"{DEVICE}.Connect": _connect,
        f"{DEVICE}.Pair": _pair,
        f"{DEVICE}.Disconnect": _disconnect,
        f"{GATT_CHARACTERISTIC}.ReadValue": _read_value,
        f"{GATT_CHARACTERISTIC}.WriteValue": _write_value,
        f"{GATT_CHARACTERISTIC}.StartNotify": _start_notify,
        f"{GATT_CHARACTERISTIC}.StopNotify": _stop_notify,
        f"{GATT_CHARACTERISTIC}.AcquireNotify": _acquire_notify,
        f"{PROPERTIES}.Set": _set_property,
    }


def _variants(props: Props) -> dict[str, Any]:
    from dbus_fast import Variant

    return {name: Variant(signature, value) for name, (signature, value) in props.items()}
