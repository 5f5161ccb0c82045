"""A board on a cable and one on the air, on one logger."""

import asyncio
import contextlib
import sqlite3

import pytest
from fault_bench import Books, more_than, settle, wait

from logger.links.ble_find import BoardFinder
from logger.links.ble_thread import BLUETOOTH

pytestmark = pytest.mark.filterwarnings(
    r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning"
)

BOTH = ("--player", "Robin Ashdown", "--player", "Mika Tarn")
PLAYERS_OF_BOARDS = """
SELECT DISTINCT boards.board_key, players.name FROM records
JOIN boots ON boots.id = records.boot JOIN boards ON boards.id = boots.board
JOIN sessions ON sessions.id = records.session JOIN sets ON sets.id = sessions."set"
JOIN players ON players.id = sets.player ORDER BY 1, 2
"""


def test_a_terminal_and_the_air_at_once_each_on_its_own_player(shop, board):
    wired = board(1, "--pty", rate_hz=4)
    radio = board(2, "--ble", "mtu=247", rate_hz=4)
    logger = shop.log(wired.url, radio.url, *BOTH)
    for one in (wired, radio):
        wait(more_than(shop, one, 4), "logging")
    settle(shop, [wired, radio])
    assert shop.end(logger) == ""
    books = Books()
    for one in (wired, radio):
        books.compare(shop, one)
    assert (books.lost, books.doubled, books.invented, books.wrong) == (0, 0, 0, [])
    with contextlib.closing(sqlite3.connect(f"file:{shop.db}?mode=ro", uri=True)) as file:
        found = file.execute(PLAYERS_OF_BOARDS).fetchall()
    assert found == [(wired.id, "Robin Ashdown"), (radio.id, "Mika Tarn")]


async def test_two_may_look_for_boards_at_once(board, monkeypatch):
    """The system's service refuses a second search of one program (BlueZ: InProgress)."""
    radio = board(2, "--ble", "mtu=247", rate_hz=0)
    for name, value in radio.env.items():
        monkeypatch.setenv(name, value)

    async def both():
        finders = (BoardFinder("board 2"), BoardFinder(radio.id), BoardFinder("not there"))
        return await asyncio.gather(*(one.find(3.0) for one in finders), return_exceptions=True)

    try:
        first, second, missing = await BLUETOOTH.run(both())
    finally:
        await asyncio.to_thread(BLUETOOTH.stop)
    assert first.board_id == second.board_id == radio.id
    assert "no board not there on the air; here are: board 2" in str(missing)
