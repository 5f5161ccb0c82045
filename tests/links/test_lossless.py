"""Nothing lost, nothing twice, each strike under its own club: whole boards, whole sessions.

A board in a process of its own, the same over a terminal, a socket and Bluetooth LE: the simulated
one, and the reference firmware's C core; the logger's own run with its store on disk. The rules
are those of ``firmware_notes/wire.md``, section 2.7.
"""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path

import pytest
from log_desk import Desk

from logger.collector.reconnect import Reach, ReachState
from logger.collector.recording import BoardReport
from logger.hostclock import HostClock
from logger.setfiles import load_set
from logger.store.store import Store

pytestmark = pytest.mark.filterwarnings(
    r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning"
)

ROOT = Path(__file__).parents[2]
STRIKE = 'strike {"club": "7i"}'
RADIO = {"ble": "mtu=247", "ble-small": "mtu=23,acquire=no"}


@pytest.fixture
def board_on(board_process, request):
    """Start a board on one kind of line: the simulated one, or with "core" the C core."""

    def start(line, *arguments):
        if line.startswith("core"):
            library = ["--library", str(request.getfixturevalue("core_library"))]
            radio = ["--ble"] if line == "core-ble" else []
            return board_process(*library, *radio, module="simulators.core_run")
        made = {"pty": ["--pty"], "tcp": ["--tcp", "0"]}.get(line) or ["--ble", RADIO[line]]
        return board_process(*made, *arguments)

    return start


def _stored(desk):
    """(sequence, club) of all contacts, in the order of their numbers."""
    labels = {club.id: club.label for club in desk.session.order}
    contacts = desk.session.store.strikes.contacts(desk.session.row.id)
    return sorted((c.first_sequence, labels.get(c.club)) for c in contacts)


def _sequences(desk):
    store, session = desk.session.store, desk.session.row.id
    return [r.sequence for b in store.boards.boots_of(session) for r in store.records.read(boot=b)]


LINES = ["pty", "tcp", "ble", "ble-small", "core-pty", "core-ble"]


@pytest.mark.parametrize("line", LINES)
async def test_late_strikes_are_filed_under_the_club_that_was_up(board_on, desk, line):
    board = board_on(line, "--boot", "1")
    async with desk(board.url) as here:
        board.ask(STRIKE)
        await here.until(lambda: here.filed == 1)
        board.ask("drop 2.0")
        await here.until(lambda: here.reach is ReachState.OUT_OF_REACH)
        board.ask(STRIKE)
        await asyncio.sleep(0.4)
        second = await here.step()
        await asyncio.sleep(0.4)
        board.ask(STRIKE)
        await asyncio.sleep(0.4)
        third = await here.step()
        await here.until(lambda: here.filed == 3)
        board.ask(STRIKE)
        await here.until(lambda: here.filed == 4)
        assert _stored(here) == [(0, "7i"), (1, "7i"), (2, second), (3, third)]
        assert _sequences(here) == [0, 1, 2, 3]
        assert not here.session.store.records.losses(session=here.session.row.id)


@pytest.mark.parametrize("line", LINES)
async def test_many_drops_lose_and_double_nothing(board_on, desk, line):
    board = board_on(line, "--boot", "1")
    strikes = 0
    async with desk(board.url) as here:
        for drop in range(3):
            for _ in range(3):
                board.ask(STRIKE)
                strikes += 1
                await asyncio.sleep(0.08)
            board.ask(STRIKE)
            strikes += 1
            # Before that strike is on its way, in the middle of it, or behind it.
            await asyncio.sleep(0.02 * drop)
            seen = here.greeted
            board.ask("drop 0.05")
            await here.until(lambda seen=seen: here.greeted > seen)
        await here.until(lambda: here.filed == strikes)
        assert _sequences(here) == list(range(strikes))
        assert [sequence for sequence, _ in _stored(here)] == list(range(strikes))


@pytest.mark.parametrize("line", LINES)
async def test_what_the_board_had_to_drop_is_counted_under_the_club(board_on, desk, line):
    board = board_on(line, "--boot", "1", "--capacity", "3")
    async with desk(board.url) as here:
        board.ask(STRIKE)
        await here.until(lambda: here.filed == 1)
        board.ask("drop 2.0")
        await here.until(lambda: here.reach is ReachState.OUT_OF_REACH)
        for _ in range(8):
            board.ask(STRIKE)
            await asyncio.sleep(0.12)
        # The club that is up when the board tells of it is another one.
        await here.step()
        await here.until(lambda: here.lost and here.filed + here.lost == 9)
        # What is gone is the oldest of the eight, those just after number 0.
        first_kept = 1 + here.lost
        assert _sequences(here) == [0, *range(first_kept, 9)]
        losses = here.session.store.records.losses(session=here.session.row.id)
        assert (losses[0].from_sequence, losses[-1].to_sequence) == (1, here.lost)
        if not line.startswith("core"):
            assert here.lost == 8 - 3
        counts = here.session.store.strikes.counts_by_club(here.session.row.id)
        pivot = here.session.order[0]
        assert [(one.club, one.lost) for one in counts if one.lost] == [(pivot.id, here.lost)]


async def test_the_fitter_sees_one_line(board_on, desk, caplog, capfd):
    board = board_on("ble", "--boot", "1")
    async with desk(board.url) as here:
        board.ask("drop 1.5")
        await here.until(lambda: here.reach is ReachState.OUT_OF_REACH)
        assert "board out of reach" in here.lines[-1]
        assert "\n" not in here.lines[-1]
        board.ask(STRIKE)
        await here.until(lambda: here.filed == 1)
        assert "connected" in here.lines[-1]
        await here.until(lambda: any(isinstance(event, BoardReport) for event in here.events))
        # What the last status before a drop said is kept there is what waits there.
        report = next(event for event in here.events if isinstance(event, BoardReport))
        here.book.hear(replace(report, status=replace(report.status, kept=3)))
        here.book.hear(Reach(ReachState.OUT_OF_REACH, 1, 0.5))
        assert "board out of reach, 3 records waiting there, next try in" in here.book.board_line
    assert not [record for record in caplog.records if record.name.startswith("logger")]
    # Nor do the libraries below write into the fitter's screen.
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("kind", ["cut", "merge", "repeat", "flip", "garbage"])
async def test_spoilt_notifications_lose_and_double_nothing(board_on, desk, kind):
    board = board_on("ble", "--boot", "1")
    async with desk(board.url) as here:
        board.ask(f"spoil {kind} 0.1")
        for _ in range(12):
            board.ask(STRIKE)
            await asyncio.sleep(0.05)
        await here.until(lambda: here.filed == 12, limit_s=40)
        assert _sequences(here) == list(range(12))
        assert [sequence for sequence, _ in _stored(here)] == list(range(12))


class SteppedClock:
    """A UTC that somebody sets while the program runs."""

    def __init__(self):
        self._true = HostClock()
        self.step_ns = 0

    def utc_ns(self):
        return self._true.utc_ns() + self.step_ns

    def host_clock(self):
        return HostClock(utc_ns=self.utc_ns)


@pytest.mark.parametrize("hours", [-1, 1])
@pytest.mark.parametrize("line", ["pty", "ble"])
async def test_a_clock_that_is_set_while_out_of_reach_moves_no_strike(board_on, desk, line, hours):
    board = board_on(line, "--boot", "1")
    wall = SteppedClock()
    async with desk(board.url, wall.host_clock()) as here:
        board.ask(STRIKE)
        await here.until(lambda: here.filed == 1)
        board.ask("drop 1.5")
        await here.until(lambda: here.reach is ReachState.OUT_OF_REACH)
        board.ask(STRIKE)
        await asyncio.sleep(0.4)
        wall.step_ns = hours * 3600 * 10**9
        second = await here.step()
        await asyncio.sleep(0.4)
        board.ask(STRIKE)
        await here.until(lambda: here.filed == 3)
        assert _stored(here) == [(0, "7i"), (1, "7i"), (2, second)]
        assert here.session.before_start == 0


@pytest.mark.parametrize(
    ("away", "back"),
    [
        ("vanish 1.0", ""),
        ("held on", "held off"),
        ("adapter remove", "adapter on"),
        ("adapter off", "adapter on"),
        ("daemon 1.0", ""),
        ("discovery 1.0\ndrop 0.1", "discovery 0.02"),
        ("refuse 2\ndrop 0.1", ""),
    ],
)
async def test_whatever_took_the_board_away_logging_goes_on(board_on, desk, away, back):
    board = board_on("ble", "--boot", "1")
    async with desk(board.url) as here:
        board.ask(STRIKE)
        await here.until(lambda: here.filed == 1)
        before = here.greeted
        board.ask(away)
        await here.until(lambda: here.reach is ReachState.OUT_OF_REACH)
        board.ask(STRIKE)
        await asyncio.sleep(1.0)
        board.ask(back)
        await here.until(lambda: here.greeted > before and here.filed == 2, limit_s=30)
        assert _stored(here) == [(0, "7i"), (1, "7i")]


async def test_garbage_behind_our_service_ends_in_one_line(board_on, tmp_path):
    from logger.errors import ProtocolError

    board = board_on("ble")
    board.ask("spoil garbage 1")
    with Store.open(tmp_path / "test.db") as store:
        store.sets.import_file(load_set(ROOT / "logger/cli/demo_set.toml"), at_utc_ns=0)
        here = Desk(store, board.url, None)
        with pytest.raises(
            ProtocolError, match=r"none is lie-board protocol 1\. It is no lie board"
        ):
            await here.run.run()


async def test_another_board_than_the_agreed_one_is_refused(board_on, tmp_path):
    from logger.errors import ProtocolError

    board = board_on("ble")
    with Store.open(tmp_path / "test.db") as store:
        store.sets.import_file(load_set(ROOT / "logger/cli/demo_set.toml"), at_utc_ns=0)
        here = Desk(store, board.url, None, expect_board="00112233aabbccdd")
        with pytest.raises(ProtocolError, match=r"4c4200005a110001 .* not the agreed"):
            await here.run.run()
        assert store.boards.all() == []


def test_json_of_a_board_on_the_air(on_the_air):
    board = on_the_air()
    assert set(board.env) == {"DBUS_SYSTEM_BUS_ADDRESS", "PATH"}
    assert json.dumps(board.url) == '"ble://4c4200005a110001"'
