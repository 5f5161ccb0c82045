"""Bluetooth LE by way of bleak, against a peripheral that speaks the daemon's public interface.

What is proved here is our side with bleak; a radio is not in it (``firmware_notes/ble.md``).
"""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from logger.errors import LinkClosedError, LinkOpenError, UsageError
from logger.framing import encode_frame
from logger.links.ble import BleLink
from logger.links.ble_find import BoardFinder, scan
from logger.links.ble_session import BleSettings
from logger.links.ble_thread import BLUETOOTH
from logger.links.ble_trouble import explain
from logger.links.open import LinkWish, link_from_url, link_maker
from logger.records import AskHello
from logger.wire import encode

ASK_HELLO = encode_frame(encode(AskHello()))
ADDRESS = "C0:00:5E:00:53:10"
QUICK = BleSettings(find_s=2, connect_s=2, subscribe_s=1, quiet_s=0.8, answer_s=1)


def _link(board, settings=QUICK, target=None):
    return BleLink(BoardFinder(target or board.url.removeprefix("ble://")), settings)


async def _why_not(link):
    with pytest.raises(LinkOpenError) as caught:
        await link.open()
    await link.close()
    text = str(caught.value)
    assert "\n" not in text
    return text


async def _read_until_closed(link, limit_s=8):
    async with asyncio.timeout(limit_s):
        while True:
            try:
                await link.read()
            except LinkClosedError as error:
                return str(error)


async def _works(board, **how):
    link = _link(board, **how)
    await link.open()
    try:
        await link.write(ASK_HELLO)
        return (await link.read()).data
    finally:
        await link.close()


async def _names_on_bus():
    """How many connections the message bus has, by its own count."""
    from dbus_fast import BusType, Message
    from dbus_fast.aio import MessageBus

    bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
    try:
        reply = await bus.call(
            Message(destination="org.freedesktop.DBus", path="/org/freedesktop/DBus",
                    interface="org.freedesktop.DBus", member="ListNames")
        )  # fmt: skip
        return sum(name.startswith(":") for name in reply.body[0])
    finally:
        bus.disconnect()
        await bus.wait_for_disconnect()


def _open_files():
    return len(list(Path("/proc/self/fd").iterdir()))


class TestWhichBoard:
    @pytest.mark.parametrize(
        "target",
        ["4c4200005a110001", "4C4200005A110001", "north bay", "North%20Bay", ADDRESS,
         ADDRESS.lower().replace(":", "-")],
    )  # fmt: skip
    async def test_by_id_name_or_address(self, on_the_air, target):
        on_the_air("", "--name", "North Bay")
        link = link_from_url(f"ble://{target}")
        await link.open()
        await link.close()

    async def test_a_name_without_an_id(self, on_the_air):
        board = on_the_air("id_in_advertisement=no")
        assert await _works(board, target="simulated")
        assert "no board 4c4200005a110001" in await _why_not(_link(board))

    async def test_two_of_one_name_are_told_apart_by_id(self, on_the_air):
        board = on_the_air("twins=1")
        text = await _why_not(_link(board, target="simulated"))
        assert "2 boards are called simulated" in text
        assert "ble://4c4200005a110001, ble://4c4200005a110002" in text
        assert await _works(board)

    async def test_a_name_keeps_to_the_board_that_it_first_meant(self, on_the_air):
        on_the_air("", "--name", "north")
        make = link_maker(LinkWish("ble://north"))
        first = make()
        await first.open()
        await first.close()
        second = make()
        began = time.monotonic()
        await second.open()
        await second.close()
        # No more waiting for a second one of that name.
        assert time.monotonic() - began < 1

    async def test_nobody_there_names_who_is(self, on_the_air):
        board = on_the_air()
        text = await _why_not(_link(board, target="south"))
        assert "no board south on the air; here are: simulated (4c4200005a110001)" in text
        board.ask("range off")
        text = await _why_not(_link(board))
        assert "switch it on and bring it closer" in text

    @pytest.mark.parametrize("url", ["ble://", "ble:"])
    def test_no_board_named(self, url):
        with pytest.raises(UsageError, match="lieboard boards"):
            link_from_url(url)

    async def test_scan_lists_the_nearest_first(self, on_the_air):
        on_the_air("twins=1,pretenders=1")
        heard = []
        found = await BLUETOOTH.run(scan(0.6, heard.append))
        assert [(seen.name, seen.board_id, seen.rssi_dbm) for seen in found] == [
            ("pretender 0", None, pytest.approx(-40, abs=1)),
            ("simulated", "4c4200005a110001", pytest.approx(-58, abs=1)),
            ("simulated", "4c4200005a110002", pytest.approx(-71, abs=1)),
        ]
        assert {seen.key for seen in heard} == {seen.key for seen in found}


class TestWhyItDoesNotOpen:
    async def test_our_service_with_nothing_behind_it(self, on_the_air):
        board = on_the_air("pretenders=1")
        text = await _why_not(_link(board, target="pretender 0"))
        assert "does not offer what one must" in text
        assert await _works(board)

    async def test_held_by_another_computer(self, on_the_air):
        board = on_the_air()
        board.ask("held on")
        assert "another computer or a phone holds" in await _why_not(_link(board))
        board.ask("held off")
        # Taken between its advertisement and our request.
        board.ask("refuse 1")
        assert "another computer or a phone may hold it" in await _why_not(_link(board))
        assert await _works(board)

    async def test_held_by_another_program_here(self, on_the_air):
        for acquire in ("yes", "no"):
            board = on_the_air(f"acquire={acquire}")
            first = _link(board)
            await first.open()
            assert "in use by another program on this computer" in await _why_not(_link(board))
            # The first one must not notice.
            await first.write(ASK_HELLO)
            assert await first.read()
            await first.close()
            assert await _works(board)
            BLUETOOTH.stop()

    async def test_left_over_from_a_program_that_was_killed(self, on_the_air):
        board = on_the_air()
        program = (
            "import asyncio, os, sys\n"
            "from logger.links.open import link_from_url\n"
            "async def main():\n"
            "    await link_from_url(sys.argv[1]).open()\n"
            "    print('open', flush=True)\n"
            "    await asyncio.sleep(60)\n"
            "asyncio.run(main())\n"
        )
        with subprocess.Popen(  # noqa: ASYNC220 - starting it takes no time
            [sys.executable, "-c", program, board.url], stdout=subprocess.PIPE
        ) as other:
            assert await asyncio.to_thread(other.stdout.readline) == b"open\n"
            other.kill()
        # The daemon goes on holding the board, which therefore does not advertise.
        assert await _works(board)

    @pytest.mark.parametrize(
        ("radio", "says"),
        [
            ("adapter=off", "Bluetooth is off"),
            ("adapter=absent", "no Bluetooth adapter"),
            ("adapter=absent-daemon", "Bluetooth service does not run: start it"),
            ("central=no", "cannot do Bluetooth LE"),
            ("permitted=no", "this user may not use Bluetooth"),
        ],
    )
    async def test_this_computer_cannot(self, on_the_air, radio, says):
        assert says in await _why_not(_link(on_the_air(radio)))

    async def test_no_message_bus(self, monkeypatch, tmp_path):
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/bus")
        text = await _why_not(BleLink(BoardFinder("any"), QUICK))
        assert "Bluetooth service cannot be reached" in text
        BLUETOOTH.stop()

    async def test_a_daemon_that_is_too_old(self, on_the_air, monkeypatch):
        from bleak.backends.bluezdbus.version import BlueZFeatures

        # bleak looks once in the life of a program.
        monkeypatch.setattr(BlueZFeatures, "checked_bluez_version", False)
        monkeypatch.setattr(BlueZFeatures, "supported_version", True)
        monkeypatch.setattr(BlueZFeatures, "_check_bluez_event", None)
        assert "update it to 5.55 or newer" in await _why_not(_link(on_the_air("version=5.50")))

    async def test_a_subscription_that_is_never_confirmed(self, on_the_air):
        for acquire in ("yes", "no"):
            board = on_the_air(f"acquire={acquire}")
            board.ask("answers off")
            assert "does not confirm that it will send" in await _why_not(_link(board))
            board.ask("answers on")
            assert await _works(board)
            BLUETOOTH.stop()

    async def test_services_that_take_their_time(self, on_the_air):
        board = on_the_air()
        board.ask("discovery 1.0")
        assert await _works(board)
        board.ask("discovery 30")
        assert "does not answer" in await _why_not(_link(board))
        board.ask("discovery 0.02")
        assert await _works(board)

    async def test_lost_while_services_are_sought(self, on_the_air):
        board = on_the_air()
        board.ask("discovery 30")
        opening = asyncio.create_task(_why_not(_link(board, replace(QUICK, connect_s=10))))
        await asyncio.sleep(0.5)
        board.ask("drop 0.1")
        assert "bring it closer" in await opening

    async def test_pairing(self, on_the_air):
        board = on_the_air("wants_pairing=yes")
        assert "add --pair" in await _why_not(_link(board))
        assert await _works(board, settings=replace(QUICK, pair=True))
        # Paired once is paired.
        assert await _works(board)

    async def test_pairing_that_is_refused(self, on_the_air):
        board = on_the_air("wants_pairing=yes,refuses_pairing=yes")
        assert "refused to pair" in await _why_not(_link(board, replace(QUICK, pair=True)))

    async def test_cancelled_while_it_opens_leaves_nothing(self, on_the_air):
        board = on_the_air()
        assert await _works(board)
        before = await _names_on_bus()
        board.ask("discovery 30")
        for wait_s in (0.02, 0.5):
            link = _link(board, replace(QUICK, connect_s=10))
            opening = asyncio.create_task(link.open())
            await asyncio.sleep(wait_s)
            opening.cancel()
            with pytest.raises(asyncio.CancelledError):
                await opening
            await link.close()
        link = _link(board, replace(QUICK, connect_s=10))
        opening = asyncio.create_task(link.open())
        await asyncio.sleep(0.5)
        await link.close()
        with pytest.raises(LinkOpenError, match="closed while it was opening"):
            await opening
        assert await _names_on_bus() == before
        board.ask("discovery 0.02")
        assert await _works(board)


class TestOtherSystems:
    """Words for systems that are not at hand; reasons as bleak 3.1 gives them."""

    @pytest.mark.parametrize(
        ("system", "reason", "says"),
        [
            ("darwin", "DENIED_BY_USER", "Privacy & Security, Bluetooth"),
            ("win32", "DENIED_BY_SYSTEM", "Settings, Privacy & security"),
            ("darwin", "POWERED_OFF", "System Settings, Bluetooth"),
            ("win32", "POWERED_OFF", "Bluetooth & devices"),
            ("linux", "POWERED_OFF", "rfkill"),
            ("win32", "NO_BLUETOOTH", "use the board by its cable"),
            ("darwin", "UNKNOWN", "cannot be used now"),
        ],
    )
    def test_not_available(self, system, reason, says):
        from bleak.exc import BleakBluetoothNotAvailableError, BleakBluetoothNotAvailableReason

        error = BleakBluetoothNotAvailableError("no", BleakBluetoothNotAvailableReason[reason])
        assert says in explain(error, "ble://x", system)

    def test_asked_to_pair_by_the_board(self):
        from bleak.exc import BleakGATTProtocolError

        # Core specification, volume 3, part F, table 3.4: 0x05 and 0x0F.
        for code in (0x05, 0x0F):
            assert "--pair" in explain(BleakGATTProtocolError(code), "ble://x")
        assert "Value Not Allowed" in explain(BleakGATTProtocolError(0x13), "ble://x")


class TestWhileOpen:
    async def test_the_end_says_what_it_means(self, on_the_air):
        board = on_the_air()
        link = _link(board)
        await link.open()
        board.ask("vanish 0.6")
        text = await _read_until_closed(link)
        assert "out of reach or switched off" in text
        await link.close()
        assert await _works(board)

    @pytest.mark.parametrize("acquire", ["yes", "no"])
    async def test_a_daemon_that_dies_says_nothing_and_is_noticed(self, on_the_air, acquire):
        board = on_the_air(f"acquire={acquire}")
        link = _link(board)
        await link.open()
        board.ask("daemon 2.0")
        text = await _read_until_closed(link)
        assert "Bluetooth service does not run" in text
        await link.close()
        assert "Bluetooth service does not run" in await _why_not(_link(board))
        await asyncio.sleep(2.0)
        assert await _works(board)

    async def test_a_daemon_that_hangs_is_noticed_and_let_go(self, on_the_air):
        board = on_the_air()
        link = _link(board)
        await link.open()
        os.kill(board.process.pid, signal.SIGSTOP)
        try:
            assert "out of reach" in await _read_until_closed(link)
            with pytest.raises(LinkClosedError):
                await link.write(b"x")
            async with asyncio.timeout(10):
                await link.close()
            async with asyncio.timeout(20):
                text = await _why_not(_link(board, replace(QUICK, find_s=1)))
            assert "Bluetooth service does not answer" in text
        finally:
            os.kill(board.process.pid, signal.SIGCONT)
        await asyncio.sleep(0.3)
        assert await _works(board)

    async def test_the_adapter_is_pulled_out(self, on_the_air):
        board = on_the_air()
        link = _link(board)
        await link.open()
        board.ask("adapter remove")
        await _read_until_closed(link)
        await link.close()
        assert "no Bluetooth adapter" in await _why_not(_link(board))
        board.ask("adapter on")
        await asyncio.sleep(0.2)
        assert await _works(board)

    async def test_the_adapter_is_switched_off(self, on_the_air):
        board = on_the_air()
        link = _link(board)
        await link.open()
        board.ask("adapter off")
        await _read_until_closed(link)
        await link.close()
        assert "Bluetooth is off" in await _why_not(_link(board))

    async def test_a_board_with_nothing_to_say_is_asked_and_stays(self, on_the_air):
        # A board that speaks text sends nothing until somebody swings.
        board = on_the_air("", "--form", "text")
        link = _link(board)
        await link.open()
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(link.read(), 4 * QUICK.quiet_s)
        board.ask('strike {"club": "7i"}')
        assert (await link.read()).data.startswith(b"LB1 ")
        board.ask("answers off")
        assert "out of reach" in await _read_until_closed(link)
        await link.close()

    async def test_the_board_id_in_the_standard_service(self, on_the_air):
        """Another client sees the same: plain bleak, no code of ours."""
        from bleak import BleakClient, BleakScanner

        on_the_air("", "--battery")
        device = await BleakScanner.find_device_by_address(ADDRESS, timeout=3)
        async with BleakClient(device) as client:
            # Assigned numbers 0x2A25 serial number string and 0x2A19 battery level.
            serial = await client.read_gatt_char("00002a25-0000-1000-8000-00805f9b34fb")
            level = await client.read_gatt_char("00002a19-0000-1000-8000-00805f9b34fb")
        assert bytes(serial) == b"4c4200005a110001"
        assert 0 <= level[0] <= 100


class TestWhatIsGivenBack:
    async def test_no_connection_to_the_bus_is_left_per_drop(self, on_the_air):
        for acquire in ("yes", "no"):
            board = on_the_air(f"acquire={acquire}")
            await _works(board)
            bus, files = await _names_on_bus(), _open_files()
            for _ in range(8):
                link = _link(board)
                await link.open()
                board.ask("drop 0.01")
                await _read_until_closed(link)
                await link.close()
            assert await _names_on_bus() == bus
            assert _open_files() == files
            BLUETOOTH.stop()

    async def test_that_count_would_show_a_leak(self, on_the_air):
        """What bleak leaves when nobody calls `disconnect` after the board dropped."""
        from bleak import BleakClient, BleakScanner

        board = on_the_air()
        device = await BleakScanner.find_device_by_address(ADDRESS, timeout=3)
        before = await _names_on_bus()
        clients = []
        for _ in range(3):
            gone = asyncio.Event()
            client = BleakClient(device, lambda _, gone=gone: gone.set())
            await client.connect()
            clients.append(client)
            board.ask("drop 0.01")
            await gone.wait()
        assert await _names_on_bus() == before + 3
        for client in clients:
            await client.disconnect()
        assert await _names_on_bus() == before

    def test_bleak_is_loaded_only_when_needed(self):
        program = (
            "import sys, logger.cli.app, logger.links.open as o\n"
            "logger.cli.app.build_app(); o.link_from_url('ble://some board')\n"
            "print([m for m in sys.modules if m.split('.')[0] in ('bleak', 'dbus_fast')])\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, check=True
        )
        assert done.stdout == "[]\n"


def test_one_table_of_names(request):
    """The page, the logger and the simulated board name the same things."""
    from logger.links import gatt
    from simulators import ble_gatt

    page = (request.config.rootpath / "firmware_notes" / "ble.md").read_text()
    for name in ("SERVICE", "BOARD_TO_HOST", "HOST_TO_BOARD"):
        assert getattr(gatt, name) == getattr(ble_gatt, name)
        assert page.count(getattr(gatt, name)) >= 1
