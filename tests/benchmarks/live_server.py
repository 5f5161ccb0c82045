"""From the last byte of a strike on the wire to its event at a viewer: the live page's server.

::

    python tests/benchmarks/live_server.py [--strikes 120] [--viewers 4] [--pace 0.6] [--watch]

A simulated board in a process of its own speaks over TCP to a relay in this one, which notes when
it hands on the last byte of each strike; ``lieboard log --page`` is a second process (with
``--watch`` the page is served by a third, that reads the data file). The viewers are plain
HTTP clients in this process. What is measured: the strike's own event (``strike_*``), and the first
state that is up to date after it (``state_*``: the numbers of all clubs and the set, and which club
is next). Prints one line of JSON last.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import platform
import signal
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import AsyncIterator
from pathlib import Path

from logger.protocol.decoding import Decoder
from logger.protocol.records import RawRecord, Strike

ROOT = Path(__file__).parents[2]
SET_FILE = ROOT / "logger" / "cli" / "demo_set.toml"


class Relay:
    """Hands bytes on, and notes when each strike had passed."""

    def __init__(self, board_port: int) -> None:
        self._board_port = board_port
        self._decoder = Decoder()
        self.passed_ns: dict[int, int] = {}
        """By sequence: when its last byte was handed on, the first time."""

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        from_board, to_board = await asyncio.open_connection("127.0.0.1", self._board_port)
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._hand_on(from_board, writer, note=True))
                tasks.create_task(self._hand_on(reader, to_board, note=False))
        except* (ConnectionError, EOFError):
            pass
        finally:
            writer.close()
            to_board.close()

    async def _hand_on(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, note: bool
    ) -> None:
        while data := await reader.read(65536):
            now_ns = time.monotonic_ns()
            writer.write(data)
            if note:
                for item in self._decoder.feed(data, now_ns):
                    if isinstance(item, RawRecord) and isinstance(item.record, Strike):
                        self.passed_ns.setdefault(item.record.sequence, now_ns)
            await writer.drain()
        raise EOFError


class Viewer:
    """Notes when each strike, and each state that is up to date, arrived."""

    def __init__(self) -> None:
        self.seen_ns: dict[int, int] = {}
        """By id."""
        self.states: list[tuple[int, int]] = []
        """When, and how many strikes it counts or sets aside."""

    async def look_on(self, port: int) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n" % port)
        kind = b""
        try:
            while line := await reader.readline():
                now_ns = time.monotonic_ns()
                # Chunk sizes are no fields: they fall through.
                if line.startswith(b"event: "):
                    kind = line[7:].strip()
                elif line.startswith(b"data: "):
                    self._take(kind, json.loads(line[6:]), now_ns)
        finally:
            writer.close()

    def _take(self, kind: bytes, message: dict, now_ns: int) -> None:
        if kind == b"strikes":
            for strike in message["strikes"]:
                self.seen_ns.setdefault(strike["id"], now_ns)
        elif kind == b"state" and message["up_to_date"]:
            counted = sum(club["used"] + club["set_aside"] for club in message["clubs"])
            self.states.append((now_ns, counted))


@contextlib.asynccontextmanager
async def process(*command: str, **environment: str) -> AsyncIterator[asyncio.subprocess.Process]:
    started = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        *command,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        env={**os.environ, "PYTHONUNBUFFERED": "1", **environment},
        limit=2**20,
    )
    try:
        yield started
    finally:
        if started.returncode is None:
            started.send_signal(signal.SIGINT)
            try:
                await asyncio.wait_for(started.communicate(), 20)
            except TimeoutError:
                started.kill()
                await started.communicate()


async def page_port(shown: asyncio.subprocess.Process) -> int:
    assert shown.stdout is not None
    while line := await shown.stdout.readline():
        if line.startswith(b"page: "):
            return int(line.split(b"127.0.0.1:")[1].split(b"/")[0])
    raise RuntimeError("no page")


async def drained(stream: asyncio.StreamReader | None) -> None:
    assert stream is not None
    while await stream.readline():
        pass


async def measure(strikes: int, viewers: int, pace_s: float, *, watch: bool, db: Path) -> dict:
    per_club = -(-strikes // 8)
    environment = {"LIEBOARD_DB": str(db)}
    async with contextlib.AsyncExitStack() as stack:
        imported = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "logger", "set", "import", str(SET_FILE),
            env={**os.environ, **environment}, stdout=asyncio.subprocess.DEVNULL,
        )  # fmt: skip
        assert await imported.wait() == 0
        board = await stack.enter_async_context(
            process(
                "simulators", "--tcp", "0", "--stdin", "--only-strikes", "--pace", str(pace_s),
                "--strikes-per-club", str(per_club), "--cell-faults", "none",
            )
        )  # fmt: skip
        assert board.stdout is not None
        url = json.loads(await board.stdout.readline())["url"]
        relay = Relay(int(url.rsplit(":", 1)[1]))
        server = await asyncio.start_server(relay.serve, "127.0.0.1", 0)
        stack.callback(server.close)
        link = f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}"
        if watch:
            shown = await stack.enter_async_context(
                process("logger", "watch", "--port", "0", **environment)
            )
            port = await page_port(shown)
        own_page = () if watch else ("--page", "--page-port", "0")
        logging = await stack.enter_async_context(
            process("logger", "log", link, "--accept", *own_page, **environment)
        )
        if not watch:
            port = await page_port(logging)
        looking = [Viewer() for _ in range(viewers)]
        tasks = [asyncio.create_task(one.look_on(port)) for one in looking]
        tasks.append(asyncio.create_task(drained(logging.stdout)))
        done = json.loads(await board.stdout.readline())
        assert done == {"done": True}
        # The numbers of the last strike.
        await asyncio.sleep(5)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    with contextlib.closing(sqlite3.connect(db)) as file:
        of = dict(file.execute("SELECT id, first_sequence FROM strikes"))
    waits, states = [], []
    # The first ones find programs that are still loading.
    settled = sorted(relay.passed_ns)[5:]
    for one in looking:
        by_sequence = {of[number]: at for number, at in one.seen_ns.items() if number in of}
        for sequence in settled:
            passed = relay.passed_ns[sequence]
            waits.append((by_sequence[sequence] - passed) / 1e6)
            shown_before = sum(1 for at in one.seen_ns.values() if at <= by_sequence[sequence])
            later = [at for at, n in one.states if at > passed and n >= shown_before]
            if later:
                states.append((later[0] - passed) / 1e6)
    return {
        "strikes": len(settled),
        "viewers": viewers,
        "page": "watch" if watch else "log",
        "strike_p50_ms": round(statistics.median(waits), 1),
        "strike_p99_ms": round(statistics.quantiles(waits, n=100)[98], 1),
        "strike_max_ms": round(max(waits), 1),
        "state_p50_ms": round(statistics.median(states), 1),
        "state_p99_ms": round(statistics.quantiles(states, n=100)[98], 1),
        "cpus": os.cpu_count(),
        "load": round(os.getloadavg()[0], 1),
        "python": platform.python_version(),
    }


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser()
    options.add_argument("--strikes", type=int, default=120)
    options.add_argument("--viewers", type=int, default=4)
    options.add_argument("--pace", type=float, default=0.6)
    options.add_argument("--watch", action="store_true")
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = asyncio.run(
            measure(
                given.strikes, given.viewers, given.pace, watch=given.watch,
                db=Path(folder) / "data.db",
            )
        )  # fmt: skip
    print(json.dumps(found))


if __name__ == "__main__":
    main()
