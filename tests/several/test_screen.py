"""The screen of several bays, at a real terminal."""

import http.client
import json
import sys
import time

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
    reasons = []

    def contact_of(player):
        """Number of the last contact under the club that is up, in the session of a player."""

        def last():
            with Store.open(shop.db, read_only=True) as store:
                session = session_of(store, player)
                club = store.sessions.turns(session)[-1].club
                return [c.number for c in store.strikes.contacts(session, club=club) if c.used]

        wait(last, "a contact of the club that is up")
        # What is on the disk is on the screen a moment later.
        time.sleep(1)
        return last()[0]

    def session_of(store, player):
        return next(
            row.id for row in store.sessions.all() if store.sets.get(row.set).player.name == player
        )

    def fitters_word(player):
        with Store.open(shop.db, read_only=True) as store:
            contacts = store.strikes.contacts(session_of(store, player))
            return [c.reason for c in contacts if c.reason == "slipped"]

    try:
        at.expect("pick a bay")
        for one in boards:
            wait(more_than(shop, one, 1), "logging")
        at.send("2")
        at.expect("bay 2: session")
        at.send("n")
        at.expect("is up")
        # Typed words too: a note, and a contact set aside and brought in.
        at.send("t")
        at.expect("note: ")
        at.send("wind\r")
        at.expect("note kept")
        contact = contact_of("Mika Tarn")
        for how in ("set aside", "counts"):
            at.send("x")
            at.expect("number of the contact")
            at.send(f"{contact}\r")
            if how == "set aside":
                at.expect("why: ")
                at.send("slipped\r")
            # Written slanted: behind an escape sequence, and no part of another number.
            at.expect(rf"m{contact} {how}")
            reasons.append(fitters_word("Mika Tarn"))
            # The screen knows a moment later too.
            time.sleep(1)
        at.send("q")
        at.expect(pexpect.EOF)
    finally:
        at.close(force=True)
    assert at.exitstatus == 0
    with Store.open(shop.db, read_only=True) as store:
        sessions = {row.id: store.sets.get(row.set).player.name for row in store.sessions.all()}
        turns = {name: [t.cause for t in store.sessions.turns(n)] for n, name in sessions.items()}
        assert all(row.ended_utc_ns is not None for row in store.sessions.all())
        notes = {name: [n.text for n in store.sessions.notes(s)] for s, name in sessions.items()}
    assert turns == {"Robin Ashdown": ["start"], "Mika Tarn": ["start", "key"]}
    assert notes == {"Robin Ashdown": [], "Mika Tarn": ["wind"]}
    assert reasons == [["slipped"], []]


def act(address, what):
    """Ask for an act on a page as its own script does; return what was said."""
    host = address.removeprefix("http://").rstrip("/")
    connection = http.client.HTTPConnection(host, timeout=60)
    headers = {"Content-Type": "application/json", "Origin": f"http://{host}"}
    connection.request("POST", "/act", json.dumps(what), headers)
    words = json.loads(connection.getresponse().read())["words"]
    connection.close()
    return words


def test_each_bay_has_its_page(shop, board):
    """On ports one after the other; what a viewer does there is done in that bay's session."""
    boards = [board(1, "--pty", rate_hz=4), board(2, "--tcp", "0", rate_hz=4)]
    players = [word for player in PLAYERS for word in ("--player", player)]
    logger = shop.log(*(one.url for one in boards), *players, "--page", "--page-port", "0")
    found = {}
    try:
        wait(lambda: shop.words.read_text().count("page: http") == 2, "two pages")
        for line in shop.words.read_text().splitlines():
            if "page: http" in line:
                bay, _, address = line.partition(": page: ")
                found[bay] = address.strip()
        assert list(found) == ["bay 1", "bay 2"]
        for one in boards:
            wait(more_than(shop, one, 1), "logging")
        said = [act(address, {"act": "note", "text": bay}) for bay, address in found.items()]
        assert said == ["note kept", "note kept"]
    finally:
        shop.end(logger)
    with Store.open(shop.db, read_only=True) as store:
        notes = {
            store.sets.get(row.set).player.name: [n.text for n in store.sessions.notes(row.id)]
            for row in store.sessions.all()
        }
    assert notes == {"Robin Ashdown": ["bay 1"], "Mika Tarn": ["bay 2"]}
