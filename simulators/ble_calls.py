"""What a client may call of the Bluetooth daemon, with its answers.

Written from the same pages as `simulators.ble_daemon`; names of errors that they do not give are
from memory.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any, TypeAlias

from simulators.ble_bus_end import BUS, MANAGER, PROPERTIES, variants
from simulators.ble_gatt import Characteristic
from simulators.ble_objects import ADAPTER, DEVICE, GATT_CHARACTERISTIC
from simulators.ble_peripheral import Peripheral
from simulators.ble_radio import Radio

if TYPE_CHECKING:
    from dbus_fast import Message

Answer: TypeAlias = tuple[str, list[Any], list[int]]
"""Signature, values, and descriptors that go with them."""
_NOTHING: Answer = ("", [], [])


class RefusedError(Exception):
    """A call that is answered with an error."""

    def __init__(self, name: str, text: str) -> None:
        super().__init__(text)
        self.name = name if "." in name else f"org.bluez.Error.{name}"


def _find(radio: Radio, path: str) -> tuple[Peripheral, Characteristic | None]:
    try:
        return radio.find(path)
    except KeyError:
        raise RefusedError(f"{BUS}.Error.UnknownObject", f"no object at {path}") from None


async def _managed(radio: Radio, call: Message) -> Answer:
    found = {
        path: {name: variants(props) for name, props in interfaces.items()}
        for path, interfaces in radio.objects()
    }
    return "a{oa{sa{sv}}}", [found], []


def _need_adapter(radio: Radio) -> None:
    if not radio.present:
        raise RefusedError(f"{BUS}.Error.UnknownObject", "no adapter")
    if not radio.powered:
        raise RefusedError("NotReady", "Resource Not Ready")


async def _set_filter(radio: Radio, call: Message) -> Answer:
    _need_adapter(radio)
    return _NOTHING


async def _start_discovery(radio: Radio, call: Message) -> Answer:
    _need_adapter(radio)
    assert call.sender is not None
    if call.sender in radio.discoverers:
        raise RefusedError("InProgress", "Operation already in progress")
    radio.discover(call.sender)
    return _NOTHING


async def _stop_discovery(radio: Radio, call: Message) -> Answer:
    _need_adapter(radio)
    if call.sender is None or call.sender not in radio.discoverers:
        raise RefusedError("Failed", "No discovery started")
    radio.stop_discovering(call.sender)
    return _NOTHING


async def _remove_device(radio: Radio, call: Message) -> Answer:
    peripheral, _ = _find(radio, call.body[0])
    radio.link_lost(peripheral)
    radio.bus.removed(radio.path_of(peripheral), {DEVICE: {}})
    peripheral.known = peripheral.paired = False
    return _NOTHING


async def _connect(radio: Radio, call: Message) -> Answer:
    _need_adapter(radio)
    peripheral, _ = _find(radio, call.path or "")
    await _reach(radio, peripheral)
    return _NOTHING


async def _pair(radio: Radio, call: Message) -> Answer:
    _need_adapter(radio)
    peripheral, _ = _find(radio, call.path or "")
    if peripheral.paired:
        raise RefusedError("AlreadyExists", "Already Exists")
    await _reach(radio, peripheral)
    if peripheral.refuses_pairing:
        radio.link_lost(peripheral)
        raise RefusedError("AuthenticationFailed", "Authentication Failed")
    peripheral.paired = True
    radio.bus.changed(radio.path_of(peripheral), DEVICE, {"Paired": ("b", True)})
    return _NOTHING


async def _reach(radio: Radio, peripheral: Peripheral) -> None:
    """Connect: everything that follows is told before the call is answered."""
    if peripheral.connected:
        return
    path = radio.path_of(peripheral)
    if peripheral.refusals > 0 or not peripheral.in_range or peripheral.held_by_another:
        peripheral.refusals = max(0, peripheral.refusals - 1)
        await asyncio.sleep(0.05)
        raise RefusedError("Failed", "le-connection-refused")
    peripheral.lost.clear()
    peripheral.connected = True
    radio.bus.changed(path, DEVICE, {"Connected": ("b", True)})
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(peripheral.lost.wait(), peripheral.discovery_s)
    if not peripheral.connected:
        raise RefusedError("Failed", "le-connection-abort-by-remote")
    peripheral.resolved = True
    for gatt, interfaces in radio.gatt_objects(peripheral):
        radio.bus.added(gatt, interfaces)
    uuids = [service.uuid for service in peripheral.services]
    radio.bus.changed(path, DEVICE, {"UUIDs": ("as", uuids)})
    radio.bus.changed(path, DEVICE, {"ServicesResolved": ("b", True)})


async def _disconnect(radio: Radio, call: Message) -> Answer:
    peripheral, _ = _find(radio, call.path or "")
    radio.link_lost(peripheral)
    return _NOTHING


def _characteristic(radio: Radio, call: Message) -> tuple[Peripheral, Characteristic]:
    peripheral, one = _find(radio, call.path or "")
    if one is None or not peripheral.connected:
        raise RefusedError("Failed", "Not connected")
    if peripheral.wants_pairing and not peripheral.paired:
        raise RefusedError("NotPermitted", "Not paired")
    return peripheral, one


async def _read_value(radio: Radio, call: Message) -> Answer:
    peripheral, one = _characteristic(radio, call)
    await peripheral.until_heard()
    if "read" not in one.flags:
        raise RefusedError("NotPermitted", "Read not permitted")
    return "ay", [one.value], []


async def _write_value(radio: Radio, call: Message) -> Answer:
    peripheral, one = _characteristic(radio, call)
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


async def _start_notify(radio: Radio, call: Message) -> Answer:
    peripheral, one = _characteristic(radio, call)
    assert call.sender is not None
    await peripheral.until_heard()
    if not one.notifies:
        raise RefusedError("NotSupported", "Operation is not supported")
    if peripheral.acquired is not None:
        raise RefusedError("NotPermitted", "Notify acquired")
    if one is peripheral.board_to_host:
        was = peripheral.subscribed
        peripheral.notified.add(call.sender)
        radio.bus.changed(call.path or "", GATT_CHARACTERISTIC, {"Notifying": ("b", True)})
        if not was:
            peripheral.on_subscribed()
    return _NOTHING


async def _stop_notify(radio: Radio, call: Message) -> Answer:
    peripheral, _ = _characteristic(radio, call)
    if call.sender not in peripheral.notified:
        raise RefusedError("Failed", "No notify session started")
    radio.client_gone(call.sender or "")
    return _NOTHING


async def _acquire_notify(radio: Radio, call: Message) -> Answer:
    peripheral, one = _characteristic(radio, call)
    await peripheral.until_heard()
    if not radio.offers_acquire or one is not peripheral.board_to_host:
        raise RefusedError("NotSupported", "Operation is not supported")
    if peripheral.subscribed:
        raise RefusedError("NotPermitted", "Notify acquired")
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    ours.setblocking(False)
    theirs.setblocking(False)
    peripheral.acquired = ours
    asyncio.get_running_loop().add_reader(ours, _released, peripheral)
    radio.bus.changed(call.path or "", GATT_CHARACTERISTIC, {"NotifyAcquired": ("b", True)})
    peripheral.on_subscribed()
    return "hq", [0, peripheral.mtu], [theirs.detach()]


def _released(peripheral: Peripheral) -> None:
    """Notice that the host closed its end of an acquired notification."""
    if peripheral.subscribed:
        peripheral.end_sessions()
        peripheral.on_unsubscribed()


async def _set_property(radio: Radio, call: Message) -> Answer:
    peripheral, _ = _find(radio, call.path or "")
    interface, name, value = call.body
    if (interface, name) != (DEVICE, "Trusted"):
        raise RefusedError(f"{BUS}.Error.PropertyReadOnly", f"{name} cannot be set")
    peripheral.trusted = bool(value.value)
    radio.bus.changed(call.path or "", DEVICE, {"Trusted": ("b", peripheral.trusted)})
    return _NOTHING


CALLS: dict[str, Callable[[Radio, Message], Awaitable[Answer]]] = {
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
"""By interface and member."""
