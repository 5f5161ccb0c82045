"""What a board offers over Bluetooth LE: the table of ``firmware_notes/ble.md`` as objects."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

SERVICE = "720a8aa6-4ceb-490e-b463-69638404525d"
BOARD_TO_HOST = "720a8aa7-4ceb-490e-b463-69638404525d"
HOST_TO_BOARD = "720a8aa8-4ceb-490e-b463-69638404525d"

_STANDARD = "-0000-1000-8000-00805f9b34fb"
BATTERY, BATTERY_LEVEL = "0000180f" + _STANDARD, "00002a19" + _STANDARD
DEVICE_INFORMATION = "0000180a" + _STANDARD
MODEL_NUMBER, SERIAL_NUMBER = "00002a24" + _STANDARD, "00002a25" + _STANDARD
FIRMWARE_REVISION = "00002a26" + _STANDARD
CLIENT_CONFIGURATION = "00002902" + _STANDARD


@dataclass
class Characteristic:
    """One characteristic with its handle (of its value) and what reading it gives."""

    handle: int
    uuid: str
    flags: list[str]
    value: bytes = b""

    @property
    def notifies(self) -> bool:
        """Whether it has a client characteristic configuration descriptor."""
        return "notify" in self.flags


@dataclass
class Service:
    """One primary service."""

    handle: int
    uuid: str
    characteristics: list[Characteristic] = field(default_factory=list)


def board_services(*, board_id: bytes, name: str, battery: bool) -> list[Service]:
    """Make the services of a whole board."""
    made = [
        Service(0x000A, SERVICE, [
            Characteristic(0x000C, BOARD_TO_HOST, ["notify"]),
            Characteristic(0x0010, HOST_TO_BOARD, ["write", "write-without-response"]),
        ]),
        Service(0x0020, DEVICE_INFORMATION, [
            Characteristic(0x0022, MODEL_NUMBER, ["read"], name.encode("ascii")),
            Characteristic(0x0024, SERIAL_NUMBER, ["read"], board_id.hex().encode("ascii")),
            Characteristic(0x0026, FIRMWARE_REVISION, ["read"], b"1.0.0"),
        ]),
    ]  # fmt: skip
    if battery:
        level = Characteristic(0x0032, BATTERY_LEVEL, ["read", "notify"], bytes([87]))
        made.append(Service(0x0030, BATTERY, [level]))
    return made


def foreign_services() -> list[Service]:
    """Make what stands behind a device that only pretends: our service with nothing of ours."""
    odd = Characteristic(0x000C, "0000fff1" + _STANDARD, ["read"], b"\xff" * 20)
    return [Service(0x000A, SERVICE, [odd])]


def characteristics(services: list[Service]) -> Iterator[Characteristic]:
    """All of them, in the order of their handles."""
    for service in services:
        yield from service.characteristics
