"""A host that slept for an hour, and one whose clock somebody set: strikes keep their moments.

Real: the collector, the store, a pseudo-terminal and a board in a process of its own. Given by
hand: the host's clocks (`HostClock` takes its sources), which cannot be set for one process. A
sleeping Linux host's monotonic clock stands still while the board's goes on
(clock_gettime(2): CLOCK_MONOTONIC "does not count time that the system is suspended").
"""

import asyncio
import contextlib
import time

import pytest
from fault_bench import SETS, Board

from logger.hostclock import HostClock
from logger.session.logging.opening import open_session
from logger.session.logging.run import LoggingRun, RunSettings
from logger.setfiles import load_set
from logger.store.store import Store

HOUR_NS = 3600 * 10**9


class Host:
    """The computer's clocks: UTC and how long it slept can be moved."""

    def __init__(self):
        self.utc_off_ns = 0
        self.asleep_ns = 0
        self.clock = HostClock(time.monotonic_ns, self.utc_ns, lambda: self.asleep_ns)

    def utc_ns(self):
        return time.time_ns() + self.utc_off_ns

    def sleep(self, length_ns):
        self.asleep_ns += length_ns
        self.utc_off_ns += length_ns


@contextlib.asynccontextmanager
async def logging(folder, host, board):
    with Store.open(folder / "sleep.db") as store:
        store.sets.import_file(load_set(SETS[0]), at_utc_ns=0)
        session = open_session(store, player=None, set_name=None, now_utc_ns=host.clock.utc_ns())
        settings = RunSettings(board.url, accept=True)
        run = asyncio.create_task(LoggingRun(session, settings, lambda _: None, host.clock).run())
        try:
            yield store
        finally:
            run.cancel()
            await asyncio.gather(run, return_exceptions=True)


async def until_stored(store, count, within_s=60):
    async with asyncio.timeout(within_s):
        while len(moments(store)) < count:  # noqa: ASYNC110 - the store has no event
            await asyncio.sleep(0.05)


def moments(store):
    return [r.struck_utc_ns for b in store.boards.boots_of(1) for r in store.records.read(boot=b)]


@pytest.fixture
def board(tmp_path):
    made = Board(tmp_path, 1, "--pty", rate_hz=0)
    yield made
    made.close()


async def test_what_was_struck_while_the_host_slept_stands_where_it_was_struck(tmp_path, board):
    host = Host()
    async with logging(tmp_path, host, board) as store:
        board.ask("burst 1")
        await until_stored(store, 1)
        # Its port goes with it. Half an hour later something is struck; then it sleeps on.
        slept_at_ns = host.clock.utc_ns()
        for request in ("drop 2", "skip 1800", "burst 1", "skip 1800"):
            board.ask(request)
        host.sleep(HOUR_NS)
        await until_stored(store, 2)
        board.ask("burst 1")
        await until_stored(store, 3)
        first, asleep, last = moments(store)
        assert abs(first - slept_at_ns) < 30e9
        assert abs(asleep - (slept_at_ns + HOUR_NS // 2)) < 30e9
        assert abs(last - (slept_at_ns + HOUR_NS)) < 60e9
        assert store.records.losses() == []
        assert [r.sequence for r in store.records.read(boot=1)] == [0, 1, 2]


@pytest.mark.parametrize("jump_ns", [HOUR_NS, -HOUR_NS])
async def test_a_computer_whose_clock_is_set_moves_no_strike(tmp_path, board, jump_ns):
    host = Host()
    async with logging(tmp_path, host, board) as store:
        board.ask("burst 1")
        await until_stored(store, 1)
        host.utc_off_ns += jump_ns
        await asyncio.sleep(0.3)
        board.ask("burst 1")
        await until_stored(store, 2)
        first, second = moments(store)
        assert 0 < second - first < 60e9
        assert [r.sequence for r in store.records.read(boot=1)] == [0, 1]
