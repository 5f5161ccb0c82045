"""A busy bay for 24 hours, in minutes: does the memory grow, and how much disk does a strike take?

::

    python tests/benchmarks/soak.py [--hours 24] [--strikes 20000] [--no-trace] [--folder FOLDER]

Real: the collector, the reconnecting, the sorting and filing (`LoggingRun`), the store with its
thread and its file on a disk. Simulated: the board (`simulators.board`, whole strikes with scans,
status each second), its line (in memory), a link that drops every ten minutes, a board that starts
again every four hours, and time itself: the event loop jumps to the next thing that is due as soon
as nothing is left to do, and the host's clock and the board's follow it. So every timer of 24 hours
fires as often as it would, and only the waiting is left out.

Growth of memory is from the end of a warm-up of a twelfth of the run: the resident set of the
process (which holds the board too) and what tracemalloc counts of Python's own. Prints one line of
JSON last.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gc
import json
import os
import selectors
import sys
import tempfile
import time
import tracemalloc
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from logger.errors import LinkClosedError
from logger.hostclock import HostClock
from logger.links.base import Chunk
from logger.links.open import SCHEMES
from logger.session.logging.opening import open_session
from logger.session.logging.run import LoggingRun, RunSettings
from logger.session.logging.store_thread import StoreThread
from logger.setfiles import load_set
from logger.store.store import Store
from simulators.board import Board
from simulators.board_options import BoardOptions
from simulators.clubs import default_set
from simulators.player import Player, schedule

SET_FILE = Path(__file__).parents[2] / "examples" / "robin_ashdown.toml"
START_UTC_NS = 1_800_000_000_000_000_000
DROP_EVERY_S = 600.0
RESTART_EVERY_S = 4 * 3600.0
SECOND_NS = 1_000_000_000


class CountingThread(StoreThread):
    """Says whether somebody waits for it: time must stand still then."""

    waiting = 0

    def _ask(self, works: tuple[Callable[[], Any], ...]) -> asyncio.Future[Any]:
        done = super()._ask(works)
        self.waiting += 1
        done.add_done_callback(self._answered)
        return done

    def _answered(self, _: asyncio.Future[Any]) -> None:
        self.waiting -= 1


class JumpingSelector(selectors.DefaultSelector):
    """Lets no time pass where nothing happens, and moves the clock instead."""

    now_s = 1000.0
    thread: CountingThread | None = None

    def select(self, timeout: float | None = None) -> list[Any]:
        events = super().select(0)
        if events or timeout == 0:
            return events
        if timeout is None or (self.thread is not None and self.thread.waiting):
            return super().select(0.01)
        self.now_s += timeout
        return []


class JumpingLoop(asyncio.SelectorEventLoop):
    def __init__(self) -> None:
        self.jumps = JumpingSelector()
        super().__init__(self.jumps)

    def time(self) -> float:
        return self.jumps.now_s

    def now_ns(self) -> int:
        return int(self.jumps.now_s * 1e9)


class Bay:
    """The board, and the line to it that drops now and then."""

    def __init__(self, loop: JumpingLoop, hours: float, strikes: int) -> None:
        self._loop = loop
        self.made: Counter[str] = Counter()
        self._rng = np.random.default_rng(11)
        self._began_ns = loop.now_ns()
        options = BoardOptions(boot_id=1, capacity=256, foot_switch=False)
        self.board = Board(self._rng, options, self._note)
        self._gap_ns = int(hours * 3600e9 / strikes)
        self._clubs = default_set()
        self._planned_ns = 0
        self.linked: MemoryLink | None = None

    def _note(self, truth: Any) -> None:
        if truth["sequence"] is not None:
            self.made["records"] += 1
        self.made[truth["kind"]] += 1

    def advance(self) -> bytes:
        now_ns = self._loop.now_ns() - self._began_ns
        if now_ns >= self._planned_ns - 5 * SECOND_NS:
            # A minute at a time: the board looks at all that is planned, each time.
            count = int(60e9 / self._gap_ns) + 1
            player = Player.only_strikes(1)
            events = schedule(self._rng, player, self._clubs[3:4], count, pace_ns=self._gap_ns,
                              press_next=False)  # fmt: skip
            self.board.play(events, self._planned_ns)
            self._planned_ns += count * self._gap_ns
        return self.board.advance(max(0, now_ns - self.board.now_ns))

    def wait_s(self) -> float:
        due_ns = self.board.next_event_ns()
        now_ns = self._loop.now_ns() - self._began_ns
        return 1.0 if due_ns is None else min(1.0, max(0.0, (due_ns - now_ns) / 1e9))


class MemoryLink:
    """A `Link` to the board of a bay."""

    url = "soak:board"

    def __init__(self, bay: Bay, loop: JumpingLoop) -> None:
        self._bay = bay
        self._loop = loop
        self._gone = False
        self._news = asyncio.Event()

    async def open(self) -> None:
        self._bay.linked = self
        self._ends_s = self._loop.time() + DROP_EVERY_S

    async def read(self) -> Chunk:
        while True:
            if self._loop.time() > self._ends_s:
                self.hang_up()
            if self._gone:
                raise LinkClosedError("the line dropped")
            data = self._bay.advance()
            if data:
                return Chunk(data, self._loop.now_ns())
            self._news.clear()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._news.wait(), self._bay.wait_s())

    async def write(self, data: bytes) -> None:
        if self._gone:
            raise LinkClosedError("the line dropped")
        sent = self._bay.advance()
        assert not sent or not self._gone
        self._bay.board._out[:0] = sent
        self._bay.board.receive(data)
        self._news.set()

    def hang_up(self) -> None:
        if not self._gone:
            self._gone = True
            self._bay.made["drops"] += 1
            self._bay.board.link_closed()
            self._news.set()

    async def close(self) -> None:
        self.hang_up()


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def memory() -> dict[str, float]:
    gc.collect()
    traced = tracemalloc.get_traced_memory()[0] / 1e6 if tracemalloc.is_tracing() else 0.0
    return {"resident_mb": round(resident_mb(), 2), "traced_mb": round(traced, 3)}


def file_bytes(path: Path) -> int:
    return sum(f.stat().st_size for f in path.parent.glob(path.name + "*"))


async def soak(folder: Path, hours: float, strikes: int, loop: JumpingLoop) -> dict[str, Any]:
    clock = HostClock(loop.now_ns, lambda: START_UTC_NS + loop.now_ns(), lambda: 0)
    with Store.open(folder / "soak.db") as store:
        store.sets.import_file(load_set(SET_FILE), at_utc_ns=0)
        session = open_session(store, player=None, set_name=None, now_utc_ns=clock.utc_ns())
        bay = Bay(loop, hours, strikes)
        SCHEMES["soak"] = lambda wish: lambda: MemoryLink(bay, loop)
        thread = loop.jumps.thread = CountingThread(store)
        events: Counter[str] = Counter()
        run = LoggingRun(
            session, RunSettings("soak:board", accept=True),
            lambda event: events.update([type(event).__name__]), clock, thread=thread,
        )  # fmt: skip
        task = asyncio.create_task(run.run())
        began_s, steps = time.monotonic(), 24
        marks: list[dict[str, Any]] = []
        for step in range(steps):
            await asyncio.sleep(hours * 3600 / steps)
            if task.done():
                await task
            if step % max(1, round(RESTART_EVERY_S / (hours * 3600 / steps))) == 3:
                bay.board.reset()
                bay.made["restarts"] += 1
            marks.append(memory() | {
                "hours": round((step + 1) * hours / steps, 2),
                "records": store.file.number("SELECT COUNT(*) FROM records"),
                "file_bytes": file_bytes(store.path),
            })  # fmt: skip
            print(json.dumps(marks[-1]), file=sys.stderr, flush=True)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        thread.close()
        stored = store.file.number("SELECT COUNT(*) FROM records")
        lost = store.file.number("SELECT COALESCE(SUM(count), 0) FROM losses")
        strikes_filed = store.file.number("SELECT COUNT(*) FROM strikes")
        twice = store.file.number(
            "SELECT COUNT(*) FROM (SELECT 1 FROM strikes GROUP BY boot, first_sequence"
            " HAVING COUNT(*) > 1)"
        )
    warm, end = marks[steps // 12], marks[-1]
    grown = end["records"] - warm["records"]
    return {
        "hours": hours, "records_made": bay.made["records"], "records_stored": stored,
        "noted_as_lost": lost, "contacts": strikes_filed, "doubled": twice,
        "drops": bay.made["drops"], "restarts": bay.made["restarts"],
        "status_messages": events["BoardReport"],
        "resident_growth_mb": round(end["resident_mb"] - warm["resident_mb"], 2),
        "traced_growth_mb": round(end["traced_mb"] - warm["traced_mb"], 3),
        "resident_mb_at_end": end["resident_mb"],
        "file_bytes_a_strike": round((end["file_bytes"] - warm["file_bytes"]) / max(1, grown)),
        "real_seconds": round(time.monotonic() - began_s),
        "processor_s": round(time.process_time(), 1),
        "load_average_then": round(os.getloadavg()[0], 1),
    }  # fmt: skip


def main() -> None:
    made = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    made.add_argument("--hours", type=float, default=24.0)
    made.add_argument("--strikes", type=int, default=20_000)
    made.add_argument("--no-trace", action="store_true", help="without tracemalloc: faster")
    made.add_argument("--folder", type=Path, default=None, help="where the data file goes")
    args = made.parse_args()
    if not args.no_trace:
        tracemalloc.start()
    with tempfile.TemporaryDirectory(dir=args.folder) as folder:
        loop = JumpingLoop()
        with asyncio.Runner(loop_factory=lambda: loop) as runner:
            print(json.dumps(runner.run(soak(Path(folder), args.hours, args.strikes, loop))))


if __name__ == "__main__":
    main()
