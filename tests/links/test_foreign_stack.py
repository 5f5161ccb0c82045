"""Our link against a Bluetooth stack that nobody here wrote: bumble, both ends, a virtual radio."""

from __future__ import annotations

import asyncio
import random

import pytest
from air_boards import BridgedBoard, CoreOnAir
from board_on_air import ASK_HELLO, link_to, read_until_closed, why_not

from logger.collector.reconnect import Pauses
from logger.links.ble_find import scan
from logger.links.ble_session import BleSettings
from logger.links.ble_thread import BLUETOOTH
from logger.protocol.decoding import Decoder
from logger.protocol.records import Hello
from simulators.ble_gatt import BOARD_TO_HOST

PAUSES = Pauses(first_s=0.01, growth=1, longest_s=0.01, jitter=0)
DROPS = 20


async def hello_over(link):
    """What the board answers, whole, and the longest notification that it took."""
    decoder = Decoder()
    longest = 0
    await link.write(ASK_HELLO)
    async with asyncio.timeout(5):
        while True:
            chunk = await link.read()
            longest = max(longest, len(chunk.data))
            for item in decoder.feed(chunk.data, chunk.arrival_ns):
                if isinstance(item, Hello):
                    return item, longest


@pytest.mark.parametrize("kind", [CoreOnAir, BridgedBoard])
async def test_a_board_is_heard_with_name_and_id(board, kind):
    await board(kind)
    heard = []
    boards = []
    # The bridge learns the id from the board first, within moments.
    for _ in range(4):
        boards = await BLUETOOTH.run(scan(0.5, heard.append))
        if boards and boards[0].board_id:
            break
    (seen,) = boards
    assert seen.board_id == "4c42000000000001"
    assert seen.name in ("strip", "strip 32")
    assert seen.url == "ble://4c42000000000001"


@pytest.mark.parametrize("kind", [CoreOnAir, BridgedBoard])
@pytest.mark.parametrize("mtu", [23, 247])
async def test_a_hello_comes_through_whole_whatever_fits_a_notification(board, kind, mtu):
    made = await board(kind, mtu=mtu)
    link = link_to(made, BleSettings(find_s=5))
    await link.open()
    hello, longest = await hello_over(link)
    await link.close()
    assert hello.board_id == "4c42000000000001"
    # A hello has 60 bytes: several notifications, or one from the bridge, which waits for its end.
    assert longest <= mtu - 3
    if kind is BridgedBoard and mtu > 23:
        assert longest > 50


async def test_a_system_that_asks_for_no_more_than_23_gets_no_more(air, board):
    air.host_mtu = 23
    made = await board(BridgedBoard)
    link = link_to(made, BleSettings(find_s=5))
    await link.open()
    hello, longest = await hello_over(link)
    await link.close()
    assert hello.board_id == "4c42000000000001"
    assert longest == 20


async def test_a_board_that_wants_pairing_is_paired_when_asked(board):
    made = await board(encrypted=True)
    assert "talks to paired computers only: add --pair" in await why_not(link_to(made))
    link = link_to(made, BleSettings(pair=True))
    await link.open()
    hello, _ = await hello_over(link)
    assert hello.board_id == "4c42000000000001"
    await link.close()


async def test_a_board_whose_button_is_not_held_refuses_in_one_line(board):
    made = await board(encrypted=True)
    made.radio.pairs = False
    text = await why_not(link_to(made, BleSettings(pair=True, connect_s=3)))
    assert "4c42000000000001" in text


async def test_a_hang_up_in_the_middle_of_a_frame_ends_the_link_and_spoils_nothing(board, desk):
    made = await board()
    async with desk(made.url, pauses=PAUSES, patient=True) as here:
        for cut in (1, 7, 60, 200):
            seen = here.greeted
            await BLUETOOTH.run(made.hang_up_after(cut))
            await BLUETOOTH.run(made.strike())
            await here.until(lambda seen=seen: here.greeted > seen)
        await here.until(lambda: len(here.sequences) == made.struck)
        assert here.sequences == list(range(made.struck))
        assert here.lost == 0


@pytest.mark.parametrize("kind", [CoreOnAir, BridgedBoard])
async def test_many_drops_lose_and_double_nothing(board, desk, kind):
    """At any moment, with records on their way too; 200 of them: tests/benchmarks/boards.py."""
    made = await board(kind)
    rng = random.Random(20)
    async with desk(made.url, pauses=PAUSES, patient=True) as here:
        for drop in range(DROPS):
            if drop % 5 == 0:
                # A connection of 60 ms carries less than a strike has bytes: now and then it lasts.
                await here.until(lambda: len(here.sequences) == made.struck)
            await BLUETOOTH.run(made.strike())
            await asyncio.sleep(rng.uniform(0, 0.12))
            seen = here.greeted
            await BLUETOOTH.run(made.hang_up())
            await here.until(lambda seen=seen: here.greeted > seen)
        await here.until(lambda: len(here.sequences) == made.struck)
        assert here.sequences == list(range(made.struck))
        assert here.lost == 0


async def test_the_end_says_what_it_means_and_the_board_is_there_again(board):
    made = await board()
    link = link_to(made)
    await link.open()
    await BLUETOOTH.run(made.hang_up())
    assert "out of reach or switched off" in await read_until_closed(link)
    await link.close()
    again = link_to(made)
    await again.open()
    await hello_over(again)
    await again.close()
    assert not made.radio.subscribed(BOARD_TO_HOST)
