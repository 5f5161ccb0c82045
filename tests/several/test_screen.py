"""The screen of several bays, at a real terminal."""

import sys

import pexpect
from fault_bench import PLAYERS, more_than, wait

from logger.store.store import Store


def test_keys_go_to_the_bay_that_is_picked(shop, board):
    boards = [board(1, "--pty", rate_hz=4), board(2, "--tcp", "0", rate_hz=4)]
    players = [word for player in PLAYERS for word in ("--player", player)]
    ports = [one.url for one in boards]
    at = pexpect.spawn(
        sys.executable,
        ["-m", "logger", "log", *ports, *players, "--accept", "--stance", "0",
         "--db", str(shop.db)],
        env={**shop.env, "TERM": "xterm-256color"}, dimensions=(40, 160), encoding="utf-8",
        timeout=60, maxread=1 << 16,
    )  # fmt: skip
    try:
        at.expect("pick a bay")
        for one in boards:
            wait(more_than(shop, one, 1), "logging")
        at.send("2")
        at.expect("bay 2: session")
        at.send("n")
        at.expect("is up")
        at.send("q")
        at.expect(pexpect.EOF)
    finally:
        at.close(force=True)
    assert at.exitstatus == 0
    with Store.open(shop.db, read_only=True) as store:
        sessions = {row.id: store.sets.get(row.set).player.name for row in store.sessions.all()}
        turns = {name: [t.cause for t in store.sessions.turns(n)] for n, name in sessions.items()}
        assert all(row.ended_utc_ns is not None for row in store.sessions.all())
    assert turns == {"Robin Ashdown": ["start"], "Mika Tarn": ["start", "key"]}
