"""Two whole Bluetooth LE stacks that nobody here wrote, on a virtual radio: bumble (Google).

One is the computer's: a bleak backend over it takes the place of the system's. The other is a
board's: what its firmware would ask of a stack it asks of `BoardRadio`. Both run on the Bluetooth
loop of the logger, as bleak does.
"""

from __future__ import annotations

import asyncio
import contextlib
import uuid
from collections.abc import Callable

from bleak.backends import BleakBackend
from bleak.backends.adapter import BaseBleakAdapter
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakError, BleakGATTProtocolError
from bumble import att
from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData, ProtocolError
from bumble.device import Connection, Device, Peer
from bumble.gatt import (
    GATT_CLIENT_CHARACTERISTIC_CONFIGURATION_DESCRIPTOR,
    Characteristic,
    CharacteristicValue,
    Descriptor,
    Service,
)
from bumble.hci import Address
from bumble.host import Host
from bumble.link import LocalLink
from bumble.pairing import PairingConfig, PairingDelegate
from bumble.transport.common import AsyncPipeSink

from logger.links.ble_thread import BLUETOOTH

MTU = 247
PROPERTIES = {
    "read": Characteristic.Properties.READ,
    "write-without-response": Characteristic.Properties.WRITE_WITHOUT_RESPONSE,
    "write": Characteristic.Properties.WRITE,
    "notify": Characteristic.Properties.NOTIFY,
}


class BoardRadio:
    """A board's stack. Its firmware sets the four functions, registers services, and notifies."""

    def __init__(self, device: Device, mtu: int) -> None:
        self._device = device
        self._mtu = mtu
        self._characteristics: dict[str, Characteristic] = {}
        self._values: dict[str, bytes] = {}
        self._connection: Connection | None = None
        self.pairs = True
        self.on_connected: Callable[[], None] = lambda: None
        self.on_disconnected: Callable[[], None] = lambda: None
        self.on_mtu: Callable[[int], None] = lambda _: None
        self.on_write: Callable[[bytes], None] = lambda _: None
        device.on("connection", self._connected)
        device.gatt_server.max_mtu = mtu

    def register(self, services: list, encrypted: bool = False) -> None:
        """Offer services: [[uuid, [[uuid, properties], ...]], ...], bits as the specification's."""
        allowed = att.Attribute.Permissions
        for service, characteristics in services:
            made = []
            for name, bits in characteristics:
                value = CharacteristicValue(
                    read=lambda _, name=name: self._values.get(name, b""),
                    write=lambda _, data: self.on_write(bytes(data)),
                )
                one = Characteristic(
                    UUID(name),
                    Characteristic.Properties(bits),
                    allowed.READABLE | allowed.WRITEABLE,
                    value,
                )
                if encrypted and bits & Characteristic.Properties.NOTIFY:
                    # Subscribing needs a paired host.
                    one.descriptors = (
                        Descriptor(
                            GATT_CLIENT_CHARACTERISTIC_CONFIGURATION_DESCRIPTOR,
                            allowed.READABLE
                            | allowed.WRITEABLE
                            | allowed.WRITE_REQUIRES_ENCRYPTION,
                            self._device.gatt_server.make_descriptor_value(one),
                        ),
                    )
                self._characteristics[name] = one
                made.append(one)
            self._device.add_service(Service(UUID(service), made))

    def set_value(self, name: str, value: bytes) -> None:
        self._values[name] = value

    async def advertise(self, adv: bytes, resp: bytes) -> None:
        if self._connection is None:
            # bumble's virtual controller has no scan responses: both packets travel as one.
            assert len(adv) <= 31
            assert len(resp) <= 31
            await self._device.start_advertising(
                advertising_data=adv + resp,
                advertising_interval_min=30.0,
                advertising_interval_max=40.0,
            )

    async def silence(self) -> None:
        await self._device.stop_advertising()

    async def notify(self, name: str, data: bytes, force: bool = False) -> None:
        if self._connection is not None:
            await self._device.notify_subscriber(
                self._connection, self._characteristics[name], data, force
            )

    async def hang_up(self) -> None:
        if self._connection is not None:
            with contextlib.suppress(ProtocolError):
                await self._connection.disconnect()

    def subscribed(self, name: str) -> bool:
        """Whether the host has switched this one's notifications on."""
        if self._connection is None:
            return False
        subscribers = self._device.gatt_server.subscribers.get(self._connection, {})
        return subscribers.get(self._characteristics[name].handle, b"\0\0")[0] & 1 == 1

    def _connected(self, connection: Connection) -> None:
        self._connection = connection
        connection.on("disconnection", self._disconnected)
        connection.on("connection_att_mtu_update", lambda: self.on_mtu(connection.att_mtu))
        self.on_connected()

    def _disconnected(self, _: int) -> None:
        self._connection = None
        self.on_disconnected()


class Air:
    """The virtual radio, the computer's stack, and boards' stacks."""

    def __init__(self) -> None:
        self._link = LocalLink()
        self._count = 0
        self.host: Device
        self.notifications = 0
        self.host_mtu = MTU

    async def start(self) -> None:
        self.host = await self._device("C0:00:00:00:00:01")
        self.host.pairing_config_factory = lambda _: PairingConfig(
            sc=True, mitm=False, bonding=True, delegate=PairingDelegate()
        )

    async def board(self, address: str = "C0:00:5E:00:53:20", mtu: int = MTU) -> BoardRadio:
        device = await self._device(address)
        radio = BoardRadio(device, mtu)

        class ButtonHeld(PairingDelegate):
            async def accept(self) -> bool:
                return radio.pairs

        device.pairing_config_factory = lambda _: PairingConfig(
            sc=True, mitm=False, bonding=True, delegate=ButtonHeld()
        )
        return radio

    async def _device(self, address: str) -> Device:
        self._count += 1
        controller = Controller(f"C{self._count}", link=self._link, public_address=address)
        device = Device(
            name=f"device {self._count}",
            address=Address(address),
            host=Host(controller, AsyncPipeSink(controller)),
        )
        await device.power_on()
        return device

    async def stop(self) -> None:
        for controller in list(self._link.controllers):
            self._link.remove_controller(controller)


_air: Air | None = None


def _here() -> Air:
    assert _air is not None
    return _air


class AirAdapter(BaseBleakAdapter):
    @classmethod
    async def get(cls, **_: object) -> AirAdapter:
        return cls()

    async def get_connected_devices(self, service_uuids: frozenset[str]) -> list[BLEDevice]:
        return []


class AirScanner(BaseBleakScanner):
    def __init__(self, detection_callback, service_uuids, scanning_mode="active", **_) -> None:
        super().__init__(detection_callback, service_uuids)

    async def start(self) -> None:
        self.seen_devices = {}
        _here().host.on("advertisement", self._heard)
        await _here().host.start_scanning(filter_duplicates=False)

    async def stop(self) -> None:
        _here().host.remove_listener("advertisement", self._heard)
        await _here().host.stop_scanning()

    def _heard(self, heard) -> None:
        names, services, data = [], [], {}
        for kind, value in heard.data.ad_structures:
            if kind in (AdvertisingData.COMPLETE_LOCAL_NAME, AdvertisingData.SHORTENED_LOCAL_NAME):
                names.append(value.decode())
            elif kind == AdvertisingData.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS:
                services += [
                    str(uuid.UUID(bytes=bytes(reversed(value[at : at + 16]))))
                    for at in range(0, len(value), 16)
                ]
            elif kind == AdvertisingData.SERVICE_DATA_128_BIT_UUID:
                data[str(uuid.UUID(bytes=bytes(reversed(value[:16]))))] = bytes(value[16:])
        said = AdvertisementData(names[0] if names else None, {}, data, services, None, -50, ())
        if not self.is_allowed_uuid(services):
            return
        address = heard.address.to_string(False)
        device = self.create_or_update_device(
            address, address, names[0] if names else None, heard.address, said
        )
        self.call_detection_callbacks(device, said)


class AirClient(BaseBleakClient):
    def __init__(self, address_or_ble_device, services=None, **settings) -> None:
        super().__init__(address_or_ble_device, **settings)
        self._device = address_or_ble_device
        self._connection: Connection | None = None

    @property
    def name(self) -> str:
        return self._device.name

    @property
    def mtu_size(self) -> int:
        return self._connection.att_mtu if self._connection else 23

    @property
    def is_connected(self) -> bool:
        return self._connection is not None

    async def connect(self, pair: bool, **_: object) -> None:
        try:
            connection = await _here().host.connect(self._device.details, timeout=self._timeout)
        except Exception as error:
            raise BleakError(f"failed to connect: {error!r}") from error
        self._connection = connection
        connection.on("disconnection", self._gone)
        peer = Peer(connection)
        with _as_bleak():
            if pair:
                await connection.pair()
            if _here().host_mtu > 23:
                await peer.request_mtu(_here().host_mtu)
            await peer.discover_services()
            await peer.discover_characteristics()
        self.services = BleakGATTServiceCollection()
        for service in peer.services:
            made = BleakGATTService(service, service.handle, _text(service.uuid))
            self.services.add_service(made)
            for one in service.characteristics:
                names = [name for name, bit in PROPERTIES.items() if one.properties & bit]
                self.services.add_characteristic(
                    BleakGATTCharacteristic(
                        one, one.handle, _text(one.uuid), names, lambda: self.mtu_size - 3, made
                    )
                )

    def _gone(self, _: int) -> None:
        self._connection = None
        if self._disconnected_callback is not None:
            self._disconnected_callback()

    async def disconnect(self) -> None:
        if self._connection is not None:
            with contextlib.suppress(ProtocolError):
                await self._connection.disconnect()

    async def pair(self, *_: object, **__: object) -> None:
        with _as_bleak():
            await self._connection.pair()

    async def unpair(self) -> None:
        raise NotImplementedError

    async def read_gatt_char(self, characteristic, **_: object) -> bytearray:
        with self._while_connected():
            return bytearray(await characteristic.obj.read_value())

    async def read_gatt_descriptor(self, descriptor, **_: object) -> bytearray:
        raise NotImplementedError

    async def write_gatt_char(self, characteristic, data, response) -> None:
        with self._while_connected():
            await characteristic.obj.write_value(bytes(data), with_response=response)

    async def write_gatt_descriptor(self, descriptor, data) -> None:
        raise NotImplementedError

    async def start_notify(self, characteristic, callback, **_: object) -> None:
        def heard(value: bytes) -> None:
            _here().notifications += 1
            callback(bytearray(value))

        with self._while_connected():
            await characteristic.obj.subscribe(heard)

    async def stop_notify(self, characteristic) -> None:
        with self._while_connected():
            await characteristic.obj.unsubscribe()

    @contextlib.contextmanager
    def _while_connected(self):
        if self._connection is None:
            raise BleakError("disconnected")
        with _as_bleak():
            yield


@contextlib.contextmanager
def _as_bleak():
    """What bumble raises, as bleak's users know it."""
    try:
        yield
    except att.ATT_Error as error:
        raise BleakGATTProtocolError(error.error_code) from error
    except (ProtocolError, asyncio.InvalidStateError) as error:
        raise BleakError(f"disconnected: {error!r}") from error
    except asyncio.CancelledError as error:
        # bumble cancels what waits for an answer when the connection goes.
        if asyncio.current_task().cancelling():
            raise
        raise BleakError("disconnected") from error


def _text(name: UUID) -> str:
    return str(uuid.UUID(bytes=bytes(reversed(name.to_bytes(force_128=True)))))


@contextlib.asynccontextmanager
async def on_the_virtual_air(monkeypatch):
    """The virtual radio in place of the system's Bluetooth, for bleak and so for the logger."""
    global _air
    import bleak

    _air = Air()
    own = BleakBackend.CORE_BLUETOOTH
    monkeypatch.setattr(bleak, "get_platform_client_backend_type", lambda: (AirClient, own))
    monkeypatch.setattr(bleak, "get_platform_scanner_backend_type", lambda: (AirScanner, own))
    monkeypatch.setattr(bleak, "get_platform_adapter_backend_type", lambda: (AirAdapter, own))
    await BLUETOOTH.run(_air.start())
    try:
        yield _air
    finally:
        await BLUETOOTH.run(_air.stop())
        BLUETOOTH.stop()
        _air = None
