"""What bleak does not tell of Linux's Bluetooth daemon, asked of the daemon itself."""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING, Any

from logger.links.gatt import BOARD_TO_HOST

if TYPE_CHECKING:
    from bleak.backends.device import BLEDevice

_DEVICE = "org.bluez.Device1"
_CHARACTERISTIC = "org.bluez.GattCharacteristic1"


class Held(Enum):
    """What a board is to this computer."""

    NOT_AT_ALL = "not at all"
    CONNECTED = "connected"
    """By a program that is gone: the daemon keeps a connection when its program crashes."""
    IN_USE = "in use"


async def held_here(device: BLEDevice) -> Held:
    """Ask the daemon whether it holds the board, and whether a program has its notifications.

    To be asked before connecting. bleak only remembers, and after the daemon died it remembers
    what is no longer so; connecting to what is connected does nothing; and giving up afterwards
    would end the other program's connection too.

    Raises
    ------
    BleakDBusError
        The daemon does not answer.
    """
    from bleak.exc import BleakDBusError
    from dbus_fast import BusType, Message, MessageType
    from dbus_fast.aio import MessageBus

    path = device.details["path"]
    bus = MessageBus(bus_type=BusType.SYSTEM)
    try:
        await bus.connect()
        reply = await bus.call(
            Message(
                destination="org.bluez",
                path="/",
                interface="org.freedesktop.DBus.ObjectManager",
                member="GetManagedObjects",
            )
        )
        if reply.message_type is not MessageType.METHOD_RETURN:
            raise BleakDBusError(reply.error_name or "", reply.body)
        objects: dict[str, dict[str, dict[str, Any]]] = reply.body[0]
    finally:
        bus.disconnect()
        if bus.unique_name:
            await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    known = objects.get(path, {}).get(_DEVICE, {})
    if "Connected" not in known or not known["Connected"].value:
        return Held.NOT_AT_ALL
    taken = any(
        _is_taken(interfaces.get(_CHARACTERISTIC, {}))
        for name, interfaces in objects.items()
        if name.startswith(f"{path}/")
    )
    return Held.IN_USE if taken else Held.CONNECTED


def _is_taken(props: dict[str, Any]) -> bool:
    if "UUID" not in props or props["UUID"].value != BOARD_TO_HOST:
        return False
    return any(name in props and props[name].value for name in ("Notifying", "NotifyAcquired"))
