"""One logger, several boards: each on its own player, and none in the way of another."""

import random
import sqlite3
import time

import pytest
from fault_bench import Books, add_player, more_than, settle, wait

from simulators import encode

BOTH = ("--player", "Robin Ashdown", "--player", "Mika Tarn")


def rows(shop, sql):
    file = sqlite3.connect(f"file:{shop.db}?mode=ro", uri=True, timeout=30)
    try:
        return file.execute(sql).fetchall()
    finally:
        file.close()


def test_what_is_mad_silent_or_starts_all_the_time_holds_nobody_up(shop, board, talker):
    """Beside them a board that works has its records on the disk as if it were alone."""
    chance = random.Random(3)
    names = ("good", "flood", "mute", "restless")
    good = board(1, "--pty", rate_hz=10)
    restless = board(2, "--tcp", "0", rate_hz=10)
    # Some 400 kB/s, 35 times what a line of 115 200 baud brings.
    flood = talker(chance.randbytes(4000), pause_s=0.01)
    ports = (good.url, flood.url, talker().url, restless.url)
    file = shop.db.with_name("bays.toml")
    players = ("Robin Ashdown", "Ann", "Ben", "Mika Tarn")
    for player in players[1:3]:
        add_player(shop, player)
    file.write_text(
        "".join(
            f'[[bay]]\nname = "{name}"\nport = "{port}"\nplayer = "{player}"\n'
            for name, port, player in zip(names, ports, players, strict=True)
        )
    )
    logger = shop.log("--bays", str(file))
    wait(more_than(shop, good, 0), "logging")
    for _ in range(4):
        restless.ask("restart cold")
        before = good.tell()["next_sequence"]
        # All that it had made by now, however long the others take.
        wait(lambda n=before: good.tell()["oldest_kept"] >= n, "the good board waits")
        time.sleep(0.2)
    # A device that is no board is given its time first, longer than all this took.
    wait(lambda: "flood: ended, the others go on: " in shop.words.read_text(), "refused")
    assert "none is lie-board protocol 1" in shop.words.read_text()
    # And the others do go on.
    before = good.tell()["next_sequence"]
    wait(lambda: good.tell()["oldest_kept"] > before, "the good board waits")
    settle(shop, [good, restless])
    assert logger.poll() is None
    shop.end(logger)
    books = Books()
    books.compare(shop, good)
    books.compare(shop, restless)
    assert (books.lost, books.doubled, books.invented, books.wrong) == (0, 0, 0, [])


def test_the_same_board_on_two_ports_is_refused_in_one_line_and_the_first_goes_on(shop, board):
    # Either may be the first to say who it is.
    both = [board(1, "--pty", rate_hz=8), board(1, "--tcp", "0", rate_hz=8)]
    logger = shop.log(*(one.url for one in both), *BOTH)
    wait(lambda: "are the same board" in shop.words.read_text(), "refused")
    count = shop.count()
    wait(lambda: shop.count() > count, "the other goes on")
    settle(shop, [one for one in both if one.tell()["oldest_kept"]])
    shop.end(logger)
    (line,) = [line for line in shop.words.read_text().splitlines() if "same board" in line]
    assert line.endswith("board 1: leave one of them out")
    assert "bay 1" in line
    assert "bay 2" in line


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("/dev/null", "/dev/../dev/null", *BOTH), "bay 1 and bay 2 have the same port"),
        (("a", "b", "--player", "Mika Tarn", "--player", "Mika Tarn"), "both log Mika Tarn"),
        (("a", "b", "c", *BOTH), "--player: 2 given for 3 ports"),
        (("a", "--player", "x", "--player", "y"), "--player: 2 given for one port"),
        (("a", "capture:b", *BOTH), "a recording is played back alone"),
        ((), "no port given"),
    ],
)
def test_what_cannot_be_is_one_clear_line(shop, warm_commands, arguments, words):
    done = warm_commands.run(
        "log", *arguments, "--accept", "--db", str(shop.db), environment=shop.env
    )
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert words in done.stderr
    assert rows(shop, "SELECT COUNT(*) FROM sessions") == [(0,)]


def hello_with(**over):
    fields = {
        "board_id": bytes(8), "boot_id": 7, "firmware": (1, 0, 0), "tick_hz": 1_000_000, "rows": 1,
        "cells": 16, "pitch_um": 4000, "row_distance_um": 0, "scan_order": 0, "scan_ticks": 52,
        "full_scale": 1023, "trigger_level": 24, "oldest_kept": 0, "next_sequence": 0,
        "abilities": 3, "name": "odd",
    }  # fmt: skip
    return encode.Hello(**(fields | over)).encode()


@pytest.mark.parametrize("over", [{"full_scale": 0}, {"pitch_um": 0}, {"cells": 0}])
def test_a_hello_that_cannot_be_ends_its_bay_in_one_line(shop, board, talker, over):
    good = board(1, "--pty", rate_hz=10)
    odd = talker(hello_with(**over), pause_s=0.3)
    logger = shop.log(good.url, odd.url, *BOTH)
    wait(lambda: "bay 2: ended, the others go on: " in shop.words.read_text(), "refused")
    (name,) = over
    assert f"the board's hello: {name} is 0" in shop.words.read_text()
    count = shop.count()
    wait(lambda: shop.count() > count, "the other goes on")
    settle(shop, [good])
    shop.end(logger)
    assert "Traceback" not in shop.words.read_text()


def test_a_hello_that_cannot_be_is_one_line_and_exit_3(shop, talker, warm_commands):
    odd = talker(hello_with(full_scale=0), pause_s=0.3)
    done = warm_commands.run(
        "log", odd.url, "--player", "Robin Ashdown", "--accept", "--db", str(shop.db),
        environment=shop.env,
    )  # fmt: skip
    assert done.returncode == 3
    assert done.stderr.count("\n") == 1
    assert "full_scale is 0, must be at least 1" in done.stderr
