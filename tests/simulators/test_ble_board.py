"""The board on the air as the bus sees it, with dbus-fast alone: no bleak, no code of the logger.

Order and names are those of the published descriptions (``org.bluez.Device``,
``org.bluez.GattCharacteristic``, D-Bus specification).
"""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from simulators.ble_board import parse_ble
from simulators.own_process import BoardProcess

ROOT = Path(__file__).parents[2]
DEVICE = "/org/bluez/hci0/dev_C0_00_5E_00_53_10"
STREAM = f"{DEVICE}/service000a/char000b"
BUS = "org.freedesktop.DBus"
ADDRESS = "DBUS_SYSTEM_BUS_ADDRESS"


@pytest.fixture
def board():
    with BoardProcess("--ble", "mtu=23", "--noise-only") as process:
        yield process


@asynccontextmanager
async def client(board):
    """A connection to the bus that notes every signal of the daemon."""
    from dbus_fast import Message, MessageType
    from dbus_fast.aio import MessageBus

    bus = await MessageBus(bus_address=board.env[ADDRESS]).connect()
    heard = []

    def note(message):
        if message.message_type is MessageType.SIGNAL and message.path != "/org/freedesktop/DBus":
            heard.append(message)

    async def call(path, interface, member, signature="", body=()):
        reply = await bus.call(
            Message(destination="org.bluez" if interface != BUS else BUS, path=path,
                    interface=interface, member=member, signature=signature, body=list(body))
        )  # fmt: skip
        return reply

    bus.add_message_handler(note)
    await call("/org/freedesktop/DBus", BUS, "AddMatch", "s", ["type='signal',sender='org.bluez'"])
    try:
        yield call, heard
    finally:
        bus.disconnect()
        await bus.wait_for_disconnect()


async def _until(so):
    while not so():  # noqa: ASYNC110 - what is waited for is a list that grows
        await asyncio.sleep(0.01)


async def _connected(call, heard):
    await call("/org/bluez/hci0", "org.bluez.Adapter1", "StartDiscovery")
    async with asyncio.timeout(5):
        await _until(lambda: any(m.member == "InterfacesAdded" for m in heard))
    await call("/org/bluez/hci0", "org.bluez.Adapter1", "StopDiscovery")
    heard.clear()
    return await call(DEVICE, "org.bluez.Device1", "Connect")


async def test_connect_is_answered_after_all_that_follows_from_it(board):
    async with client(board) as (call, heard):
        reply = await _connected(call, heard)
        assert reply.error_name is None
        told = [m.body[0].removeprefix(DEVICE) for m in heard if m.member == "InterfacesAdded"]
        changed = [
            (name, value.value)
            for m in heard
            if m.member == "PropertiesChanged" and m.path == DEVICE
            for name, value in m.body[1].items()
            if name in ("Connected", "ServicesResolved")
        ]
        assert changed == [("Connected", True), ("ServicesResolved", True)]
        assert told[:3] == [
            "/service000a",
            "/service000a/char000b",
            "/service000a/char000b/desc000d",
        ]
        members = [m.member for m in heard]
        assert members.index("InterfacesAdded") > 0
        assert members[-1] == "PropertiesChanged"


async def test_nothing_is_notified_before_it_is_asked_for_and_never_more_than_fits(board):
    async with client(board) as (call, heard):
        await _connected(call, heard)
        heard.clear()
        # A status is due each second.
        await asyncio.sleep(1.3)
        assert not [m for m in heard if m.path == STREAM]
        characteristic = "org.bluez.GattCharacteristic1"
        assert (await call(STREAM, characteristic, "StartNotify")).error_name is None
        async with asyncio.timeout(5):
            await _until(lambda: sum(m.path == STREAM and "Value" in m.body[1] for m in heard) > 1)
        sizes = [len(m.body[1]["Value"].value) for m in heard if "Value" in m.body[1]]
        # ATT_MTU 23 leaves 20 (core specification, volume 3, part F, 3.4.7).
        assert max(sizes) == 20


async def test_what_cannot_be_done_has_the_published_error(board):
    async with client(board) as (call, _):
        reply = await call(DEVICE, "org.bluez.Device1", "Connect")
        assert reply.error_name == "org.freedesktop.DBus.Error.UnknownObject"
        reply = await call("/org/bluez/hci0", "org.bluez.Adapter1", "StopDiscovery")
        assert reply.error_name == "org.bluez.Error.Failed"
        reply = await call("/org/bluez/hci0", "org.bluez.Adapter1", "Dance")
        assert reply.error_name == "org.freedesktop.DBus.Error.UnknownMethod"


def test_requests_that_make_no_sense_are_refused_and_change_nothing(board):
    for line in ("mtu 7", "spoil eggs 1", "held maybe", "adapter sideways", "daemon soon", "dance"):
        board.ask(line)
        assert "refused" in board.line()


def test_the_bus_ends_with_a_board_that_is_killed(board):
    place = Path(board.env[ADDRESS].partition("=")[2])
    assert place.exists()
    os.kill(board.pid, signal.SIGKILL)
    look = f"ps ax -o args | grep -v grep | grep -q {place.parent}"
    waiting = f"for i in $(seq 100); do {look} || exit 0; sleep 0.05; done; exit 1"
    assert subprocess.run(["/bin/sh", "-c", waiting], check=False).returncode == 0


@pytest.mark.parametrize("spec", ["mtu", "mtu=many", "acquire=perhaps", "colour=red"])
def test_radio_that_cannot_be(spec):
    with pytest.raises(ValueError, match="cannot read"):
        parse_ble(spec)


def test_radio():
    radio = parse_ble("mtu=23, acquire=no,twins=2,event_s=0.03")
    assert (radio.mtu, radio.acquire, radio.twins, radio.event_s) == (23, False, 2, 0.03)
