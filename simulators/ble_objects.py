"""The objects that Linux's Bluetooth daemon shows on the bus, for one adapter and its boards."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, TypeAlias

from simulators.ble_gatt import CLIENT_CONFIGURATION, SERVICE, Characteristic, Service
from simulators.ble_peripheral import Peripheral

ADAPTER_PATH = "/org/bluez/hci0"
ADAPTER = "org.bluez.Adapter1"
DEVICE = "org.bluez.Device1"
GATT_SERVICE = "org.bluez.GattService1"
GATT_CHARACTERISTIC = "org.bluez.GattCharacteristic1"
GATT_DESCRIPTOR = "org.bluez.GattDescriptor1"

Props: TypeAlias = dict[str, tuple[str, Any]]
"""Property name to (D-Bus signature, value)."""
Interfaces: TypeAlias = dict[str, Props]


class RadioObjects:
    """Adapter, devices and what they offer, as paths, interfaces and properties."""

    def __init__(
        self, peripherals: list[Peripheral], *, central: bool, powered: bool, offers_acquire: bool
    ) -> None:
        self.peripherals = peripherals
        self.powered = powered
        self.present = True
        # Bus names of those who look for devices now.
        self.discoverers: set[str] = set()
        self._roles = ["central", "peripheral"] if central else ["peripheral"]
        self.offers_acquire = offers_acquire

    def objects(self) -> Iterator[tuple[str, Interfaces]]:
        """Give everything there is now."""
        if not self.present:
            return
        yield ADAPTER_PATH, {ADAPTER: self.adapter_props()}
        for peripheral in self.peripherals:
            if peripheral.known:
                yield self.path_of(peripheral), {DEVICE: self.device_props(peripheral)}
                if peripheral.resolved:
                    yield from self.gatt_objects(peripheral)

    def path_of(self, peripheral: Peripheral) -> str:
        """Object path of a device."""
        return f"{ADAPTER_PATH}/dev_{peripheral.address.replace(':', '_')}"

    def adapter_props(self) -> Props:
        """Give the properties of the adapter."""
        return {
            "Address": ("s", "00:00:5E:00:53:01"), "Name": ("s", "simulated"),
            "Alias": ("s", "simulated"), "Powered": ("b", self.powered),
            "Discovering": ("b", bool(self.discoverers)), "Roles": ("as", self._roles),
        }  # fmt: skip

    def device_props(self, peripheral: Peripheral) -> Props:
        """Give the properties of a board as a device."""
        uuids = [SERVICE]
        if peripheral.resolved:
            uuids = [service.uuid for service in peripheral.services]
        props: Props = {
            "Address": ("s", peripheral.address), "AddressType": ("s", "random"),
            "Name": ("s", peripheral.name), "Alias": ("s", peripheral.name),
            "Paired": ("b", peripheral.paired), "Trusted": ("b", peripheral.trusted),
            "Blocked": ("b", False), "Connected": ("b", peripheral.connected),
            "ServicesResolved": ("b", peripheral.resolved), "UUIDs": ("as", uuids),
            "Adapter": ("o", ADAPTER_PATH),
        }  # fmt: skip
        if peripheral.advertised_id is not None:
            from dbus_fast import Variant

            data = {SERVICE: Variant("ay", peripheral.advertised_id)}
            props["ServiceData"] = ("a{sv}", data)
        if self.discoverers and peripheral.advertises:
            props["RSSI"] = ("n", peripheral.rssi_dbm)
        return props

    def gatt_objects(self, peripheral: Peripheral) -> Iterator[tuple[str, Interfaces]]:
        """Give the services of a board and all below them."""
        device = self.path_of(peripheral)
        for service in peripheral.services:
            path = _service_path(device, service)
            yield path, {GATT_SERVICE: {"UUID": ("s", service.uuid), "Device": ("o", device),
                                        "Primary": ("b", True)}}  # fmt: skip
            for one in service.characteristics:
                yield (
                    _path(device, service, one),
                    {GATT_CHARACTERISTIC: self._characteristic_props(peripheral, path, one)},
                )
                if one.notifies:
                    here = _path(device, service, one)
                    props: Props = {"UUID": ("s", CLIENT_CONFIGURATION),
                                    "Characteristic": ("o", here)}  # fmt: skip
                    yield f"{here}/desc{one.handle + 1:04x}", {GATT_DESCRIPTOR: props}

    def _characteristic_props(
        self, peripheral: Peripheral, path: str, one: Characteristic
    ) -> Props:
        props: Props = {
            "UUID": ("s", one.uuid), "Service": ("o", path), "Flags": ("as", one.flags),
            "MTU": ("q", peripheral.mtu),
        }  # fmt: skip
        if one.notifies:
            ours = one is peripheral.board_to_host
            props["Notifying"] = ("b", ours and peripheral.subscribed)
            if self.offers_acquire:
                props["NotifyAcquired"] = ("b", ours and peripheral.acquired is not None)
        return props

    def find(self, path: str) -> tuple[Peripheral, Characteristic | None]:
        """Return the board at a path, and the characteristic if it is one; KeyError if none."""
        for peripheral in self.peripherals:
            device = self.path_of(peripheral)
            if path == device and peripheral.known:
                return peripheral, None
            if not peripheral.resolved:
                continue
            for service in peripheral.services:
                for one in service.characteristics:
                    if path == _path(device, service, one):
                        return peripheral, one
        raise KeyError(path)

    def path_in(self, peripheral: Peripheral, wanted: Characteristic) -> str:
        """Object path of a characteristic."""
        for service in peripheral.services:
            for one in service.characteristics:
                if one is wanted:
                    return _path(self.path_of(peripheral), service, one)
        raise KeyError(wanted.uuid)


def _service_path(device: str, service: Service) -> str:
    return f"{device}/service{service.handle:04x}"


def _path(device: str, service: Service, one: Characteristic) -> str:
    # A path carries the handle of the declaration, one below that of the value.
    return f"{_service_path(device, service)}/char{one.handle - 1:04x}"
