"""The live page beside real processes: a board, a logger, and somebody who looks on."""

import contextlib
import http.client
import json
import os
import select
import signal
import subprocess
import sys
import threading

import pexpect
import pytest

from logger.hostclock import HostClock
from logger.page.acts import perform
from logger.session.corrections.acts import Said
from logger.session.corrections.strikes import turn_strike
from logger.session.logging.fitting import FittingSession
from logger.store.store import Store

SLOW = (
    "--form",
    "readings",
    "--cell-faults",
    "none",
    "--only-strikes",
    "--wait-for-host",
    "--battery",
)


class Watcher:
    """Keeps what one page tells, from another thread."""

    def __init__(self, port):
        self.port = port
        self._connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        self._connection.request("GET", "/events")
        self._answer = self._connection.getresponse()
        self._changed = threading.Condition()
        self._state = {}
        self._strikes = {}
        self.gone = None
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self):
        kind = ""
        while line := self._answer.readline():
            field, _, value = line.decode().strip().partition(": ")
            if field == "event":
                kind = value
            elif field == "data":
                self._take(kind, json.loads(value))
        self._answer.close()
        self._connection.close()

    def _take(self, kind, message):
        with self._changed:
            if kind == "state":
                self._state = message
            elif kind == "gone":
                self.gone = message["words"]
            else:
                if message["reset"]:
                    self._strikes.clear()
                self._strikes.update({s["id"]: s for s in message["strikes"]})
            self._changed.notify_all()

    def until(self, wanted):
        """Wait until ``wanted(state, strikes)`` holds; return both."""
        with self._changed:
            found = self._changed.wait_for(lambda: wanted(self._state, self._strikes), 60)
            assert found, (self._state, self._strikes)
            return self._state, dict(self._strikes)

    def act(self, **act):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        with contextlib.closing(connection):
            headers = {
                "Content-Type": "application/json",
                "Origin": f"http://127.0.0.1:{self.port}",
            }
            connection.request("POST", "/act", json.dumps(act), headers)
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read())["words"]

    def ended(self):
        self._thread.join(60)
        return not self._thread.is_alive()


@pytest.fixture
def watch(lieboard):
    """Run a command that shows a page; look on."""
    watchers = []

    def begin(*command):
        process = lieboard.start(*command)
        while True:
            ready, _, _ = select.select([process.stdout], [], [], 60)
            assert ready, "no address was printed"
            line = process.stdout.readline()
            assert line, process.communicate()
            if line.startswith("page: "):
                break
        port = int(line.split("http://127.0.0.1:")[1].split("/")[0])
        watchers.append(Watcher(port))
        return process, watchers[-1]

    yield begin
    # The processes end with the fixture ``lieboard``; nobody waits for them here.
    for process in lieboard._running:
        if process.poll() is None:
            process.kill()
    for watcher in watchers:
        assert watcher.ended()


def test_two_pages_of_two_processes_on_one_session(board, lieboard, watch, stopping):
    # More swings than the test can need: it ends with the logging, and not with them.
    simulated = board(
        "--pty", *SLOW, "--pace", "0.7", "--strikes-per-club", "2000", "--clubs", "7i"
    )
    watching, beside = watch("watch", "--port", "0")
    assert "lieboard log" in beside.until(lambda s, _: s)[0]["hints"][0]
    logging, within = watch("log", simulated.url, "--page", "--page-port", "0")
    for page in (within, beside):
        state, strikes = page.until(
            lambda s, k: sum(one["used"] for one in k.values()) >= 3 and s.get("session")
        )
        assert state["session"]["player"] == "Robin Ashdown"
        assert {one["club"] for one in strikes.values()} == {"7i"}
    # Set aside on the page of the one process: the other, and the one that logs, notice.
    first = min(strikes)
    assert beside.act(act="set_aside", strike=first, reason="heard the shaft")[0] == 200
    _, strikes = within.until(lambda _, k: k[first]["reason"] == "heard the shaft")
    assert not strikes[first]["used"]
    # Chosen on the page of the logging process: what is struck from now on stands under it.
    assert within.act(act="choose_club", club="9i") == (200, "9i is up")
    beside.until(lambda s, _: s["current_club"] == "9i")
    beside.until(lambda _, k: any(one["club"] == "9i" for one in k.values()))
    for page in (within, beside):
        state, _ = page.until(lambda s, _: s["boards"] and s["boards"][0]["kept"] is not None)
        (told,) = state["boards"]
        assert told["link"] == "up"
        assert 2 < told["battery_volts"] < 10
        assert told["clock_u_ms"] > 0

    out, err = stopping(logging)
    assert (logging.returncode, err) == (0, "")
    assert "stopped; the session stays open" in out
    assert within.ended()
    assert within.gone
    beside.until(lambda s, _: s["boards"][0]["link"] == "ended")
    # What is shown is what is stored.
    rows = lieboard.rows(
        "SELECT contacts.id, clubs.label, contacts.set_aside IS NULL FROM contacts"
        " JOIN clubs ON clubs.id = contacts.club"
    )
    stored = {number: (club, bool(used)) for number, club, used in rows}
    assert not stored[first][1]
    beside.until(lambda _, k: {n: (s["club"], s["used"]) for n, s in k.items()} == stored)
    # The other page goes on, and ends as quickly with a viewer connected.
    assert beside.gone is None
    watching.send_signal(signal.SIGINT)
    with contextlib.suppress(subprocess.TimeoutExpired):
        watching.wait(20)
    assert (watching.returncode, watching.communicate()[1]) == (0, "")
    assert beside.ended()
    assert beside.gone


def test_the_logging_screen_notices_what_another_program_decides(board, lieboard):
    """Also while nobody swings: a strike set aside, a club chosen, in the file by somebody else."""
    simulated = board("--pty", *SLOW, "--pace", "0.2", "--strikes-per-club", "4", "--clubs", "7i")
    command = ["-m", "logger", "log", simulated.url, "--stance", "0", "--accept"]
    screen = pexpect.spawn(
        sys.executable,
        command,
        env={**os.environ, "LIEBOARD_DB": str(lieboard.db), "TERM": "xterm"},
        dimensions=(40, 120),
        timeout=60,
        encoding="utf-8",
    )
    try:
        screen.expect("4 used")
        with Store.open(lieboard.db) as store:
            other = FittingSession(store, 1)
            first = store.strikes.contacts(1)[0]
            turn_strike(store, first, Said(1, "desk"), aside=True, reason="heard the shaft")
            screen.expect("heard the shaft")
            perform(other, {"act": "choose_club", "club": "9i"}, HostClock().utc_ns)
            screen.expect("9i   heel")
        screen.send("q")
        screen.expect(pexpect.EOF)
    finally:
        screen.close()
    assert screen.exitstatus == 0
