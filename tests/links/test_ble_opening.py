"""Which board a Bluetooth LE link opens, and what it says when it does not.

The peripheral speaks the daemon's public interface: what is proved is our side with bleak; a radio
is not in it (``firmware_notes/ble.md``).
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
import time
from dataclasses import replace

import pytest
from board_on_air import ADDRESS, ASK_HELLO, QUICK, link_to, names_on_bus, why_not, works

from logger.errors import LinkOpenError, UsageError
from logger.links.ble import BleLink
from logger.links.ble_find import BoardFinder, scan
from logger.links.ble_thread import BLUETOOTH
from logger.links.ble_trouble import explain
from logger.links.open import LinkWish, link_from_url, link_maker


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
        assert await works(board, target="simulated")
        assert "no board 4c4200005a110001" in await why_not(link_to(board))

    async def test_two_of_one_name_are_told_apart_by_id(self, on_the_air):
        board = on_the_air("twins=1")
        text = await why_not(link_to(board, target="simulated"))
        assert "2 boards are called simulated" in text
        assert "ble://4c4200005a110001, ble://4c4200005a110002" in text
        assert await works(board)

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
        text = await why_not(link_to(board, target="south"))
        assert "no board south on the air; here are: simulated (4c4200005a110001)" in text
        board.ask("range off")
        text = await why_not(link_to(board))
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
        text = await why_not(link_to(board, target="pretender 0"))
        assert "does not offer what one must" in text
        assert await works(board)

    async def test_held_by_another_computer(self, on_the_air):
        board = on_the_air()
        board.ask("held on")
        assert "another computer or a phone holds" in await why_not(link_to(board))
        board.ask("held off")
        # Taken between its advertisement and our request.
        board.ask("refuse 1")
        assert "another computer or a phone may hold it" in await why_not(link_to(board))
        assert await works(board)

    async def test_held_by_another_program_here(self, on_the_air):
        for acquire in ("yes", "no"):
            board = on_the_air(f"acquire={acquire}")
            first = link_to(board)
            await first.open()
            assert "in use by another program on this computer" in await why_not(link_to(board))
            # The first one must not notice.
            await first.write(ASK_HELLO)
            assert await first.read()
            await first.close()
            assert await works(board)
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
        assert await works(board)

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
        assert says in await why_not(link_to(on_the_air(radio)))

    async def test_no_message_bus(self, monkeypatch, tmp_path):
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/bus")
        text = await why_not(BleLink(BoardFinder("any"), QUICK))
        assert "Bluetooth service cannot be reached" in text
        BLUETOOTH.stop()

    async def test_a_daemon_that_is_too_old(self, on_the_air, monkeypatch):
        from bleak.backends.bluezdbus.version import BlueZFeatures

        # bleak looks once in the life of a program.
        monkeypatch.setattr(BlueZFeatures, "checked_bluez_version", False)
        monkeypatch.setattr(BlueZFeatures, "supported_version", True)
        monkeypatch.setattr(BlueZFeatures, "_check_bluez_event", None)
        assert "update it to 5.55 or newer" in await why_not(link_to(on_the_air("version=5.50")))

    async def test_a_subscription_that_is_never_confirmed(self, on_the_air):
        for acquire in ("yes", "no"):
            board = on_the_air(f"acquire={acquire}")
            board.ask("answers off")
            assert "does not confirm that it will send" in await why_not(link_to(board))
            board.ask("answers on")
            assert await works(board)
            BLUETOOTH.stop()

    async def test_services_that_take_their_time(self, on_the_air):
        board = on_the_air()
        board.ask("discovery 1.0")
        assert await works(board)
        board.ask("discovery 30")
        assert "does not answer" in await why_not(link_to(board))
        board.ask("discovery 0.02")
        assert await works(board)

    async def test_lost_while_services_are_sought(self, on_the_air):
        board = on_the_air()
        board.ask("discovery 30")
        opening = asyncio.create_task(why_not(link_to(board, replace(QUICK, connect_s=10))))
        await asyncio.sleep(0.5)
        board.ask("drop 0.1")
        assert "bring it closer" in await opening

    async def test_pairing(self, on_the_air):
        board = on_the_air("wants_pairing=yes")
        assert "add --pair" in await why_not(link_to(board))
        assert await works(board, settings=replace(QUICK, pair=True))
        # Paired once is paired.
        assert await works(board)

    async def test_pairing_that_is_refused(self, on_the_air):
        board = on_the_air("wants_pairing=yes,refuses_pairing=yes")
        assert "refused to pair" in await why_not(link_to(board, replace(QUICK, pair=True)))

    async def test_cancelled_while_it_opens_leaves_nothing(self, on_the_air):
        board = on_the_air()
        assert await works(board)
        before = await names_on_bus()
        board.ask("discovery 30")
        for wait_s in (0.02, 0.5):
            link = link_to(board, replace(QUICK, connect_s=10))
            opening = asyncio.create_task(link.open())
            await asyncio.sleep(wait_s)
            opening.cancel()
            with pytest.raises(asyncio.CancelledError):
                await opening
            await link.close()
        link = link_to(board, replace(QUICK, connect_s=10))
        opening = asyncio.create_task(link.open())
        await asyncio.sleep(0.5)
        await link.close()
        with pytest.raises(LinkOpenError, match="closed while it was opening"):
            await opening
        assert await names_on_bus() == before
        board.ask("discovery 0.02")
        assert await works(board)


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
