"""A Bluetooth LE link that is open, by way of bleak: how it ends, and what it gives back.

The peripheral speaks the daemon's public interface: what is proved is our side with bleak; a radio
is not in it (``firmware_notes/ble.md``).
"""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from board_on_air import (
    ADDRESS,
    QUICK,
    link_to,
    names_on_bus,
    read_until_closed,
    why_not,
    works,
)

from logger.errors import LinkClosedError
from logger.links.ble_thread import BLUETOOTH


def _open_files():
    return len(list(Path("/proc/self/fd").iterdir()))


class TestWhileOpen:
    async def test_the_end_says_what_it_means(self, on_the_air):
        board = on_the_air()
        link = link_to(board)
        await link.open()
        board.ask("vanish 0.6")
        text = await read_until_closed(link)
        assert "out of reach or switched off" in text
        await link.close()
        assert await works(board)

    @pytest.mark.parametrize("acquire", ["yes", "no"])
    async def test_a_daemon_that_dies_says_nothing_and_is_noticed(self, on_the_air, acquire):
        board = on_the_air(f"acquire={acquire}")
        link = link_to(board)
        await link.open()
        board.ask("daemon 2.0")
        text = await read_until_closed(link)
        assert "Bluetooth service does not run" in text
        await link.close()
        assert "Bluetooth service does not run" in await why_not(link_to(board))
        await asyncio.sleep(2.0)
        assert await works(board)

    async def test_a_daemon_that_hangs_is_noticed_and_let_go(self, on_the_air):
        board = on_the_air()
        link = link_to(board)
        await link.open()
        os.kill(board.process.pid, signal.SIGSTOP)
        try:
            assert "out of reach" in await read_until_closed(link)
            with pytest.raises(LinkClosedError):
                await link.write(b"x")
            async with asyncio.timeout(10):
                await link.close()
            async with asyncio.timeout(20):
                text = await why_not(link_to(board, replace(QUICK, find_s=1)))
            assert "Bluetooth service does not answer" in text
        finally:
            os.kill(board.process.pid, signal.SIGCONT)
        await asyncio.sleep(0.3)
        assert await works(board)

    async def test_the_adapter_is_pulled_out(self, on_the_air):
        board = on_the_air()
        link = link_to(board)
        await link.open()
        board.ask("adapter remove")
        await read_until_closed(link)
        await link.close()
        assert "no Bluetooth adapter" in await why_not(link_to(board))
        board.ask("adapter on")
        await asyncio.sleep(0.2)
        assert await works(board)

    async def test_the_adapter_is_switched_off(self, on_the_air):
        board = on_the_air()
        link = link_to(board)
        await link.open()
        board.ask("adapter off")
        await read_until_closed(link)
        await link.close()
        assert "Bluetooth is off" in await why_not(link_to(board))

    async def test_a_board_with_nothing_to_say_is_asked_and_stays(self, on_the_air):
        # A board that speaks text sends nothing until somebody swings.
        board = on_the_air("", "--form", "text")
        link = link_to(board)
        await link.open()
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(link.read(), 4 * QUICK.quiet_s)
        board.ask('strike {"club": "7i"}')
        assert (await link.read()).data.startswith(b"LB1 ")
        board.ask("answers off")
        assert "out of reach" in await read_until_closed(link)
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
            await works(board)
            bus, files = await names_on_bus(), _open_files()
            for _ in range(8):
                link = link_to(board)
                await link.open()
                board.ask("drop 0.01")
                await read_until_closed(link)
                await link.close()
            assert await names_on_bus() == bus
            assert _open_files() == files
            BLUETOOTH.stop()

    async def test_that_count_would_show_a_leak(self, on_the_air):
        """What bleak leaves when nobody calls `disconnect` after the board dropped."""
        from bleak import BleakClient, BleakScanner

        board = on_the_air()
        device = await BleakScanner.find_device_by_address(ADDRESS, timeout=3)
        before = await names_on_bus()
        clients = []
        for _ in range(3):
            gone = asyncio.Event()
            client = BleakClient(device, lambda _, gone=gone: gone.set())
            await client.connect()
            clients.append(client)
            board.ask("drop 0.01")
            await gone.wait()
        assert await names_on_bus() == before + 3
        for client in clients:
            await client.disconnect()
        assert await names_on_bus() == before

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
